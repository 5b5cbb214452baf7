"""Workbooks about an import: the file given back with what is wrong, and an empty one to fill in."""

import re
from collections.abc import Iterable, Sequence
from datetime import date
from io import BytesIO
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from competence.outputs.typed_sheets import LIKE_A_FORMULA
from competence.rules.spreadsheet_columns import PART_WORDS, Part

MARK_HEADING = "What is wrong with this row"
# The columns of the empty workbook: one row a person and category.
TEMPLATE_PARTS = [part for part in PART_WORDS if part not in (Part.NAME, Part.TICKET_TO)]
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")
_WRONG, _DOUBTFUL = (PatternFill("solid", fgColor=colour) for colour in ("F8D7CF", "FBEBC2"))
_LONGEST = 32_000


def marked_workbook(
    rows: Sequence[Sequence[Any]], *, headings_row: int, problems: dict[int, str], remarks: dict[int, str]
) -> bytes:
    """Every row as it came, and a last column with what is wrong or doubtful. ``problems`` and ``remarks``:
    sentences by row of the sheet, from 1."""
    book, sheet = _new("Rows")
    width = max((len(row) for row in rows), default=0)
    if headings_row <= len(rows):
        while width and not any(len(row) >= width and str(row[width - 1] or "").strip() for row in rows):
            width -= 1
    sheet.column_dimensions[get_column_letter(width + 1)].width = 70
    for number, row in enumerate(rows, start=1):
        cells = [_cell(sheet, row[place] if place < len(row) else None) for place in range(width)]
        said, fill = problems.get(number), _WRONG
        if number == headings_row:
            said, fill = MARK_HEADING, None
        elif said is None and number in remarks:
            said, fill = f"Brought in, but look: {remarks[number]}", _DOUBTFUL
        mark = _cell(sheet, said)
        mark.alignment = Alignment(wrap_text=True, vertical="top")
        if fill is not None and said:
            mark.fill = fill
        if number == headings_row:
            mark.font = Font(bold=True)
        sheet.append([*cells, mark])
    return _bytes(book)


def template_workbook(rows: Iterable[dict[Part, Any]] = ()) -> bytes:
    """The columns that need no guessing, with rows if there are any."""
    book, sheet = _new("Tickets")
    for place, part in enumerate(TEMPLATE_PARTS):
        sheet.column_dimensions[get_column_letter(place + 1)].width = max(14, len(PART_WORDS[part]) + 2)
    sheet.freeze_panes = "A2"
    headings = [_cell(sheet, PART_WORDS[part]) for part in TEMPLATE_PARTS]
    for heading in headings:
        heading.font = Font(bold=True)
    sheet.append(headings)
    for row in rows:
        sheet.append([_cell(sheet, row.get(part)) for part in TEMPLATE_PARTS])
    return _bytes(book)


def _new(title: str) -> tuple[Workbook, WriteOnlyWorksheet]:
    book = Workbook(write_only=True)
    return book, book.create_sheet(title)


def _cell(sheet: WriteOnlyWorksheet, value: Any) -> WriteOnlyCell:
    """A value as itself: text that looks like a formula stays text, for this program and for the next that
    the file is saved from."""
    if not isinstance(value, str):
        cell = WriteOnlyCell(sheet, value)
        if isinstance(value, date):
            cell.number_format = "yyyy-mm-dd"
        return cell
    text = _NOT_IN_XML.sub("", value)[:_LONGEST]
    cell = WriteOnlyCell(sheet, text)
    cell.data_type = "s"
    if text.startswith(LIKE_A_FORMULA):
        cell.quotePrefix = True
    return cell


def _bytes(book: Workbook) -> bytes:
    file = BytesIO()
    book.save(file)
    return file.getvalue()
