"""Registers of several sizes side by side, each the default database while it is in use."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from types import SimpleNamespace

from django.conf import settings
from django.core.cache import cache
from django.core.management import call_command
from django.db import connection, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.urls import get_resolver

from tests.bench.weight.fill import fill
from tests.bench.weight.rows import run
from tests.bench.weight.sizes import Size
from tests.bench.weight.world import make_patterns


@dataclass(frozen=True)
class Register:
    size: Size
    wrapper: BaseDatabaseWrapper

    @contextmanager
    def used(self) -> Iterator[None]:
        """Everything in this block goes to this register. What a page keeps in the cache is forgotten, since
        it was another register's."""
        before = connections["default"]
        connections["default"] = self.wrapper
        cache.clear()
        try:
            yield
        finally:
            connections["default"] = before

    @property
    def megabytes(self) -> float:
        with self.used():
            if connection.vendor == "sqlite":
                return Path(connection.settings_dict["NAME"]).stat().st_size / 2**20
            with connection.cursor() as cursor:
                cursor.execute("SELECT pg_database_size(current_database())")
                return cursor.fetchone()[0] / 2**20


def make_registers(sizes: tuple[Size, ...]) -> tuple[SimpleNamespace, list[Register]]:
    """The world, and registers that all have it and differ in what was added."""
    # Loads every view now, so that the first page does not.
    get_resolver().url_patterns  # noqa: B018
    call_command("migrate", verbosity=0)
    world = make_patterns()
    connection.close()
    registers = []
    for size in sizes:
        register = Register(size, _copied(f"weight_{size.sites}"))
        started = perf_counter()
        with register.used():
            fill(world, size)
        print(
            f"filled to {size}: {register.megabytes:,.0f} MB in {perf_counter() - started:.0f} s", flush=True
        )
        registers.append(register)
    return world, registers


def _copied(name: str) -> BaseDatabaseWrapper:
    """The connection to a copy of the database that the world was made in."""
    original = connection.settings_dict["NAME"]
    if connection.vendor == "sqlite":
        run("PRAGMA wal_checkpoint(TRUNCATE)")
        connection.close()
        name = str(Path(original).with_name(f"{name}.sqlite3"))
        shutil.copy(original, name)
    else:
        connection.close()
        with connection._nodb_cursor() as cursor:
            cursor.execute(f'CREATE DATABASE "{name}" TEMPLATE "{original}"')
    wrapper = connections.create_connection("default")
    wrapper.settings_dict = deepcopy(settings.DATABASES["default"]) | wrapper.settings_dict | {"NAME": name}
    return wrapper
