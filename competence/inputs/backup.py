"""Putting a backup back into an empty register, and holding what came of it against the backup."""

import hashlib
import json
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from zipfile import BadZipFile, ZipFile

from django.conf import settings
from django.contrib.sessions.models import Session
from django.core.management import call_command
from django.db import connection
from django.db.migrations.executor import MigrationExecutor

from competence.models import Account
from competence.queries.checkpoints import checkpoint_from_json, public_key
from competence.queries.journal import Report, verify
from competence.queries.tables import DatabaseProgramFailed, run_postgresql
from competence.rules.backups import MANIFEST, PHOTOGRAPHS, Manifest, NotABackup, is_member, read_manifest

CHUNK = 1 << 20


class CannotRestore(RuntimeError):
    """The backup was not put back; the text says why, and what stands now."""


def check_backup(path: Path) -> Manifest:
    """The manifest of a backup every byte of which is as it was written. Raises ``NotABackup``."""
    try:
        with ZipFile(path) as file:
            names = [name for name in file.namelist() if name != MANIFEST]
            if len(file.namelist()) == len(names):
                raise NotABackup("It holds no manifest: this is not a backup of the register.")
            manifest = read_manifest(file.read(MANIFEST))
            if sorted(names) != sorted(manifest.sha256) or not all(map(is_member, names)):
                raise NotABackup("It does not hold the files that its manifest lists: it was altered.")
            for name in names:
                if _digest(file, name) != manifest.sha256[name]:
                    raise NotABackup(f"{name} is not what was written into the backup: it was altered.")
    except FileNotFoundError as error:
        raise NotABackup(f"There is no file {path}.") from error
    except (BadZipFile, OSError, EOFError, NotImplementedError, RuntimeError) as error:
        if isinstance(error, NotABackup):
            raise
        raise NotABackup(f"It cannot be read to its end ({error}): it is cut short, or damaged.") from error
    return manifest


def _digest(file: ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with file.open(name) as member:
        while chunk := member.read(CHUNK):
            digest.update(chunk)
    return digest.hexdigest()


def restore(path: Path, *, replace: bool = False, told: Callable[[str], None] = lambda words: None) -> Report:
    """Put a backup back and verify the whole of it. Everything is checked before anything is changed.

    A register that holds somebody's account is left alone unless it is to be ``replace``d; its photographs
    are then kept beside the new ones, under another name. Everybody is signed out. Raises ``NotABackup`` or
    ``CannotRestore``.
    """
    told("Checking every byte of the backup")
    manifest = check_backup(path)
    _refuse_where_it_does_not_fit(manifest, replace=replace)
    root = Path(settings.MEDIA_ROOT)
    root.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=root.parent, prefix="restoring-") as folder:
        told(f"Unpacking the database and {len(manifest.sha256) - 1} photographs")
        with ZipFile(path) as file:
            file.extractall(folder, members=list(manifest.sha256))
        told("Putting the database back")
        _put_back(Path(folder, manifest.database_file))
        _exchange(root, Path(folder, PHOTOGRAPHS))
    told("Counting and verifying")
    _refuse_other_counts(manifest)
    call_command("migrate", verbosity=0)
    Session.objects.all().delete()
    kept = checkpoint_from_json(json.dumps(manifest.checkpoint)) if manifest.checkpoint else None
    return verify(kept=kept)


def _refuse_where_it_does_not_fit(manifest: Manifest, *, replace: bool) -> None:
    if manifest.vendor != connection.vendor:
        raise CannotRestore(
            f"The backup is of a register on {manifest.vendor}; this one runs on {connection.vendor}. "
            "Nothing was changed."
        )
    known = {f"{app}.{name}" for app, name in MigrationExecutor(connection).loader.disk_migrations}
    if unknown := set(manifest.migrations) - known:
        raise CannotRestore(
            f"The backup was made by a later version of the register (it has had {min(unknown)}). Install "
            "that version first. Nothing was changed."
        )
    if manifest.checkpoint and manifest.checkpoint.get("public_key") != public_key().hex():
        raise CannotRestore(
            "The journal in the backup was signed with another key than this host has. Put the key that was "
            "kept apart from it into REGISTER_JOURNAL_KEY (or into journal.key of the data folder) first. "
            "Nothing was changed."
        )
    is_used = Account._meta.db_table in connection.introspection.table_names() and Account.objects.exists()
    if is_used and not replace:
        raise CannotRestore(
            "This register is in use: it holds accounts. To put the backup in its place, and lose what was "
            "recorded since, say --replace. Nothing was changed."
        )


def _put_back(dump: Path) -> None:
    if connection.vendor == "postgresql":
        connection.close()
        arguments = ["--clean", "--if-exists", "--no-owner", "--single-transaction", "--exit-on-error"]
        try:
            run_postgresql("pg_restore", *arguments, str(dump))
        except DatabaseProgramFailed as error:
            raise CannotRestore(f"{error} The database is as it was.") from error
        return
    with closing(sqlite3.connect(dump)) as kept:
        if kept.execute("PRAGMA integrity_check").fetchone() != ("ok",):
            raise CannotRestore("The database in the backup is damaged. Nothing was changed.")
        connection.close()
        with closing(sqlite3.connect(connection.settings_dict["NAME"], timeout=20)) as live:
            try:
                kept.backup(live)
            except sqlite3.Error as error:
                raise CannotRestore(
                    f"The database could not be written ({error}). Stop the register first."
                ) from error


def _exchange(root: Path, unpacked: Path) -> None:
    unpacked.mkdir(exist_ok=True)
    if root.exists():
        if any(root.iterdir()):
            number = 1
            while (aside := root.with_name(f"{root.name}-before-restore-{number}")).exists():
                number += 1
            root.rename(aside)
        else:
            root.rmdir()
    shutil.move(unpacked, root)


def _refuse_other_counts(manifest: Manifest) -> None:
    there = set(connection.introspection.table_names())
    with connection.cursor() as cursor:
        for table, rows in manifest.rows.items():
            found = None
            if table in there:
                cursor.execute(f"SELECT COUNT(*) FROM {connection.ops.quote_name(table)}")  # noqa: S608
                (found,) = cursor.fetchone()
            if found != rows:
                raise CannotRestore(
                    f"After restoring, {table} holds {found} rows where the backup had {rows}. Do not use "
                    "this register: restore another backup."
                )
