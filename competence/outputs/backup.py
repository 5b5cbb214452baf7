"""A backup of the whole register while it runs: database first, photographs after, each with its SHA-256.

A photograph is on the disk before a row speaks of it, so copying them after the database misses none.
"""

import hashlib
import os
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

from django.conf import settings
from django.db import connection
from django.db.migrations.recorder import MigrationRecorder

from competence.actions.clock import now
from competence.queries.checkpoints import checkpoint_as_json, latest_checkpoint
from competence.queries.one_snapshot import one_snapshot
from competence.queries.tables import DatabaseProgramFailed, row_counts, run_postgresql
from competence.rules.backups import MANIFEST, PHOTOGRAPHS, Manifest

CHUNK = 1 << 20


class CannotBackUp(RuntimeError):
    """Nothing was written; the text says why."""


def back_up(path: Path, *, told: Callable[[str], None] = lambda words: None) -> Manifest:
    """Write a backup to ``path``, which appears only when it is whole. Raises ``CannotBackUp``."""
    part = path.with_name(path.name + ".part")
    try:
        with tempfile.TemporaryDirectory(dir=path.parent) as folder:
            dump = Path(folder, "database")
            told("Copying the database")
            manifest = _dump(dump)
            with ZipFile(part, "w", ZIP_DEFLATED, allowZip64=True) as file:
                manifest.sha256[manifest.database_file] = _add(
                    file, dump, manifest.database_file, ZIP_DEFLATED
                )
                for count, (photograph, name) in enumerate(_photographs(), 1):
                    # Pictures are as small as they get.
                    manifest.sha256[name] = _add(file, photograph, name, ZIP_STORED)
                    if count % 500 == 0:
                        told(f"{count} photographs")
                file.writestr(MANIFEST, manifest.as_text())
        with part.open("rb+") as written:
            os.fsync(written.fileno())
        part.replace(path)
    except DatabaseProgramFailed as error:
        raise CannotBackUp(str(error)) from error
    except OSError as error:
        raise CannotBackUp(f"The backup could not be written: {error.strerror or error}.") from error
    finally:
        part.unlink(missing_ok=True)
    return manifest


def _dump(path: Path) -> Manifest:
    with one_snapshot():
        manifest = _manifest()
        {"sqlite": _dump_sqlite, "postgresql": _dump_postgresql}[connection.vendor](path)
    return manifest


def _manifest() -> Manifest:
    latest = latest_checkpoint()
    applied = MigrationRecorder(connection).applied_migrations()
    return Manifest(
        at=now().isoformat(timespec="seconds"),
        vendor=connection.vendor,
        sha256={},
        rows=row_counts(),
        migrations=sorted(f"{app}.{name}" for app, name in applied),
        checkpoint=checkpoint_as_json(latest) if latest else None,
    )


def _dump_sqlite(path: Path) -> None:
    with closing(sqlite3.connect(path)) as copy:
        # From the connection whose snapshot was counted, so both tell of one moment.
        connection.connection.backup(copy)
        copy.execute("PRAGMA journal_mode=DELETE")


def _dump_postgresql(path: Path) -> None:
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_export_snapshot()")
        (snapshot,) = cursor.fetchone()
    run_postgresql("pg_dump", "--format=custom", "--no-owner", f"--snapshot={snapshot}", f"--file={path}")


def _photographs() -> Iterator[tuple[Path, str]]:
    root = Path(settings.MEDIA_ROOT)
    for path in sorted(root.rglob("*")):
        if path.is_file():
            yield path, f"{PHOTOGRAPHS}/{path.relative_to(root).as_posix()}"


def _add(file: ZipFile, path: Path, name: str, method: int) -> str:
    """Write one file into the backup; its SHA-256 in hexadecimal digits."""
    told = ZipInfo.from_file(path, name)
    told.compress_type = method
    digest = hashlib.sha256()
    with path.open("rb") as source, file.open(told, "w", force_zip64=True) as member:
        while chunk := source.read(CHUNK):
            digest.update(chunk)
            member.write(chunk)
    return digest.hexdigest()
