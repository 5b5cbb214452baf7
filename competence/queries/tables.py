"""The register's tables as a whole, and PostgreSQL's own programs on its database: for backups."""

import os
import subprocess

from django.apps import apps
from django.db import connection

# Who is signed in, and who tried to, is no part of the register.
LEFT_OUT = {"sessions", "axes"}


class DatabaseProgramFailed(RuntimeError):
    """One of PostgreSQL's own programs is missing or failed; the text says which and why."""


def row_counts() -> dict[str, int]:
    """How many rows each table of the register holds. A statement a table."""
    return {
        model._meta.db_table: model._base_manager.count()
        for model in apps.get_models(include_auto_created=True)
        if model._meta.managed and not model._meta.proxy and model._meta.app_label not in LEFT_OUT
    }


def run_postgresql(program: str, *arguments: str) -> None:
    """Run ``pg_dump`` or ``pg_restore`` on the register's database. Raises ``DatabaseProgramFailed``."""
    held = connection.settings_dict
    named = {"HOST": "PGHOST", "PORT": "PGPORT", "USER": "PGUSER", "PASSWORD": "PGPASSWORD"}
    environment = {**os.environ, **{name: str(held[key]) for key, name in named.items() if held[key]}}
    try:
        subprocess.run(  # noqa: S603
            [program, f"--dbname={held['NAME']}", *arguments],
            env=environment,
            check=True,
            capture_output=True,
            text=True,
        )
    except FileNotFoundError as error:
        raise DatabaseProgramFailed(
            f"{program} is not installed here: install PostgreSQL's client programs, of the server's version."
        ) from error
    except subprocess.CalledProcessError as error:
        last = error.stderr.strip().splitlines()[-1:] or ["it said nothing"]
        raise DatabaseProgramFailed(f"{program} failed: {last[0]}") from error
