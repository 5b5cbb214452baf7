"""What a backup says of itself: one .zip with the database, every photograph, and this manifest."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from pathlib import PurePosixPath
from typing import Any

FORMAT = "competence-register backup 1"
MANIFEST, PHOTOGRAPHS = "manifest.json", "photographs"
# How each database is written down: its own way, which is complete and consistent.
DATABASE_FILES = {"sqlite": "database.sqlite3", "postgresql": "database.pgdump"}


class NotABackup(ValueError):
    """The file is not a backup, or not a whole one; the text says why, fit for the screen."""


@dataclass(frozen=True)
class Manifest:
    """``sha256`` by the member's name, in hexadecimal digits; ``rows`` by table; ``checkpoint`` as the
    journal writes it, or ``None`` before the first; ``migrations`` as app.name."""

    at: str
    vendor: str
    sha256: dict[str, str]
    rows: dict[str, int]
    migrations: list[str]
    checkpoint: dict[str, Any] | None = None
    format: str = field(default=FORMAT)

    @property
    def database_file(self) -> str:
        return DATABASE_FILES[self.vendor]

    def as_text(self) -> str:
        return json.dumps(asdict(self), indent=1, sort_keys=True)


def read_manifest(text: str | bytes) -> Manifest:
    """Raises ``NotABackup``."""
    try:
        plain = json.loads(text)
        if plain.get("format") != FORMAT:
            raise NotABackup("This is a backup of another kind, or of a later version of the register.")
        found = Manifest(**plain)
        is_whole = (
            found.vendor in DATABASE_FILES
            and found.database_file in found.sha256
            and all(isinstance(count, int) for count in found.rows.values())
            and all(len(bytes.fromhex(digest)) == 32 for digest in found.sha256.values())
        )
    except (ValueError, TypeError, AttributeError, KeyError) as error:
        if isinstance(error, NotABackup):
            raise
        raise NotABackup("Its manifest cannot be read: the file is cut short, or was altered.") from error
    if not is_whole:
        raise NotABackup("Its manifest is not whole: the file was altered.")
    for name in found.sha256:
        if not is_member(name):
            raise NotABackup(f"It names a file outside itself: {name[:80]}")
    return found


def is_member(name: str) -> bool:
    """Whether a name is one that a backup may hold: the database, or something below the photographs."""
    path = PurePosixPath(name)
    is_photograph = len(path.parts) > 1 and path.parts[0] == PHOTOGRAPHS
    return name in DATABASE_FILES.values() or (
        is_photograph and ".." not in path.parts and not path.is_absolute() and "\\" not in name
    )
