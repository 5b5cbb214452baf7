"""The auditor's workbook: a slice of the register as of one moment, as known at another, in typed sheets.

A fixed number of statements, whatever the rows: one for each sheet, and those of the front sheet. Rows are
read and written in chunks, all in one snapshot of the database.
"""

import contextlib
import hashlib
import os
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from openpyxl import Workbook

from competence.outputs.typed_sheets import MOST_ROWS, Layout, throw_away, write_rows
from competence.outputs.workbook_front import FRONT, Taken, add_front, fill_front
from competence.outputs.workbook_sheets import (
    CHECKS,
    DEFECTS,
    EVIDENCE,
    OPERATORS,
    REFUSALS,
    TICKET_EVENTS,
    TICKETS,
    Sheet,
)
from competence.queries.checkpoints import journal_head
from competence.queries.one_snapshot import one_snapshot
from competence.queries.workbook import Slice, names

# Sheets of the app above, between those about people and those about machines at work.
MORE_SHEETS: list[Sheet] = []


def all_sheets() -> tuple[Sheet, ...]:
    return (OPERATORS, TICKETS, TICKET_EVENTS, EVIDENCE, *MORE_SHEETS, CHECKS, REFUSALS, DEFECTS)


def counted(asked: Slice) -> list[tuple[Sheet, int]]:
    """How many rows each sheet would have. One statement a sheet."""
    return [(sheet, sheet.found(asked).count()) for sheet in all_sheets()]


@dataclass(frozen=True)
class Written:
    """A workbook on disk: how many rows each sheet has, and what identifies the file."""

    counts: tuple[tuple[str, int], ...]
    size: int
    sha256: str
    checkpoint: dict[str, Any] | None

    @property
    def row_count(self) -> int:
        return sum(count for _, count in self.counts)


def write_workbook(
    path: Path,
    asked: Slice,
    *,
    by: str,
    taken_at: datetime,
    most_rows: int = MOST_ROWS,
    told: Callable[[str, int], None] = lambda sheet, rows: None,
) -> Written:
    """Write the workbook beside ``path`` and put it in its place when it is whole: no half file is ever left.

    ``told`` hears the sheet and how many rows are written in all, every few thousand rows.
    """
    part = path.with_name(f".{path.name}.{uuid.uuid4().hex}.part")
    try:
        counts, head = _write(part, asked, by, taken_at, most_rows, told)
        with part.open("rb") as written:
            digest = hashlib.file_digest(written, "sha256").hexdigest()
        size = part.stat().st_size
        os.replace(part, path)
    finally:
        with contextlib.suppress(FileNotFoundError):
            part.unlink()
    return Written(tuple(counts), size, digest, head["stated"])


def _write(
    part: Path,
    asked: Slice,
    by: str,
    taken_at: datetime,
    most_rows: int,
    told: Callable[[str, int], None],
) -> tuple[list[tuple[str, int]], dict[str, Any]]:
    at = asked.at.astimezone(asked.clock)
    layout = Layout(asked.clock, asked.on, f"As of {at:%Y-%m-%d %H:%M} {asked.zone}", most_rows)
    book = Workbook(write_only=True)
    book.properties.creator, book.properties.title = by, "Workbook of the competence register"
    front = add_front(book, layout)
    lines: list[tuple[str, int, Sheet]] = []
    before = 0
    try:
        with one_snapshot():
            named, head = names(), journal_head()
            for sheet in all_sheets():

                def tell(count: int, title: str = sheet.title, before: int = before) -> None:
                    told(title, before + count)

                written = write_rows(book, sheet.title, sheet.columns, sheet.rows(asked, named), layout, tell)
                lines += [(title, count, sheet) for title, count in written]
                before += sum(count for _, count in written)
        fill_front(front, Taken(asked, named, by, taken_at, head, lines), layout)
        book.save(part)
    except BaseException:
        throw_away(book)
        raise
    return [(title, count) for title, count, _ in lines], head


__all__ = ["FRONT", "MORE_SHEETS", "Sheet", "Written", "all_sheets", "counted", "write_workbook"]
