"""A sample as a workbook: a sheet to print and fill in, how it was drawn, and all that it was drawn from."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from io import BytesIO
from zoneinfo import ZoneInfo

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font

from competence.outputs.typed_sheets import (
    Column,
    Layout,
    Tally,
    Type,
    set_up_page,
    text_cell,
    write_rows,
)
from competence.rules.sampling import rank

TO_FILL = (
    Column("No.", 6, Type.WHOLE),
    Column("Key", 20, Type.LONG),
    Column("Site", 22, Type.LONG),
    Column("What it is", 62, Type.LONG),
    Column("Verdict: met, fault or cannot tell", 18),
    Column("Note: what the fault is, or why it cannot be told", 44, Type.LONG),
    Column("Noted by", 18),
    Column("Noted at", 19, Type.MOMENT),
)
LISTED = (
    Column("Site", 26),
    Column("Key", 40),
    Column("Rank: SHA-256 of seed|key", 68),
    Column("Drawn", 8, marked=("yes",)),
)


@dataclass(frozen=True)
class SheetLine:
    """One record drawn, with the verdict so far if there is one."""

    number: int
    key: str
    site: str
    words: str
    verdict: str = ""
    note: str = ""
    by: str = ""
    at: datetime | None = None


@dataclass(frozen=True)
class SheetOfSample:
    """What the workbook says. ``facts``: label and value of the draw; ``steps``: how to do it again;
    ``population``: every key by site."""

    name: str
    facts: Sequence[tuple[str, str]]
    steps: Sequence[str]
    lines: Sequence[SheetLine]
    population: Mapping[str, Sequence[str]]
    seed: str
    made_at: datetime
    clock: ZoneInfo


def sample_workbook(sheet: SheetOfSample) -> bytes:
    """Three sheets: what was drawn, to fill in; how; and from what, each key with its rank."""
    made = sheet.made_at.astimezone(sheet.clock)
    foot = f"{sheet.name}, taken out {made:%Y-%m-%d %H:%M} ({sheet.clock.key})"
    layout = Layout(sheet.clock, made.date(), foot)
    book = Workbook(write_only=True)
    rows = (
        (one.number, one.key, one.site, one.words, one.verdict, one.note, one.by, one.at)
        for one in sheet.lines
    )
    write_rows(book, "To fill in", TO_FILL, rows, layout)
    _write_draw(book, sheet, foot)
    drawn = {line.key for line in sheet.lines}
    ranked = (
        (site, key, rank(sheet.seed, key), "yes" if key in drawn else "")
        for site, keys in sorted(sheet.population.items())
        for key in keys
    )
    write_rows(book, "Drawn from", LISTED, ranked, layout)
    file = BytesIO()
    book.save(file)
    return file.getvalue()


def _write_draw(book: Workbook, sheet: SheetOfSample, foot: str) -> None:
    page, tally = book.create_sheet("How it was drawn"), Tally()
    page.column_dimensions["A"].width, page.column_dimensions["B"].width = 24, 100
    set_up_page(page, foot)
    steps = [(f"To do it again, {number}", step) for number, step in enumerate(sheet.steps, start=1)]
    for label, value in [*sheet.facts, *steps]:
        cells = [text_cell(page, label, tally), text_cell(page, value, tally)]
        cells[0].font = Font(bold=True)
        for cell in cells:
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        page.append(cells)
