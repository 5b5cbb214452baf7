"""Sheets whose columns have types: days and moments are dates, numbers are numbers, and text is text whatever
it says. Written row by row, so that memory does not grow with the rows.

Text arrives as it was: a name that begins like a formula is kept as text for this program and the next (the
cell's type is text, and it carries the quote prefix; OWASP ASVS 5.0 1.2.10), a carriage return and whatever
looks like an escape of the format are escaped (ECMA-376 part 1, 22.9.2.19, ST_Xstring). Control characters
that no workbook may hold are shown by their pictures (Unicode block 2400), and text longer than a cell takes
is cut and says so; both are counted.
"""

import contextlib
import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

from openpyxl import Workbook
from openpyxl.cell import Cell, WriteOnlyCell
from openpyxl.formatting.rule import Rule
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.styles.differential import DifferentialStyle
from openpyxl.styles.numbers import NumberFormat
from openpyxl.utils import get_column_letter
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

MOST_ROWS = 1_048_576
MOST_CHARACTERS = 32_767
DAY_FORMAT, MOMENT_FORMAT = "yyyy-mm-dd", "yyyy-mm-dd hh:mm"
# Named, since a program without a name takes whatever it has.
FONT, LINE_POINTS, MOST_POINTS = "Calibri", 15, 409
# A width is counted in noughts; of running text more goes into it (seen).
CHARACTERS_A_WIDTH = 1.1
# Of the widths of the columns together; what is wider is unreadable on A4, so it is set up for A3.
A4_WIDTH = 240
# Paper sizes as ECMA-376 part 1, 18.3.1.63 numbers them.
A3, A4 = 8, 9
HEADING_FILL, MARK_FILL = PatternFill("solid", fgColor="DDE4DE"), PatternFill(bgColor="FAEBBE")
UNDER = Border(bottom=Side("thin", color="C3CBC4"))
# The serial of 1900-02-29, a day that never was, makes every day before this one doubtful to a spreadsheet.
FIRST_YEAR = 1901

_SUSPECT = re.compile(r"[\x00-\x1f\x7f\ufffe\uffff]|^[=+\-@]|_x|^\s*$")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_ESCAPE = re.compile(r"_(?=x[0-9A-Fa-f]{4}_)")
# A spreadsheet takes a cell that begins so for a formula and would run it (CWE-1236).
LIKE_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


class Type(StrEnum):
    """What a column holds. ``LONG`` is text that wraps."""

    TEXT = "text"
    LONG = "long"
    WHOLE = "whole"
    NUMBER = "number"
    SHARE = "share"
    DAY = "day"
    MOMENT = "moment"


@dataclass(frozen=True)
class Column:
    """A column of a sheet; ``width`` as a spreadsheet counts it. ``is_marked_past``: a day before the
    workbook's is marked as ended. ``marked``: words that are marked where the cell says exactly that."""

    heading: str
    width: float
    type: Type = Type.TEXT
    is_marked_past: bool = False
    marked: tuple[str, ...] = ()


@dataclass
class Tally:
    """What could not be given as it is: texts with control characters, and texts that were cut."""

    pictured: int = 0
    cut: int = 0


@dataclass(frozen=True)
class Layout:
    """What the sheets of one workbook share: the clock of moments, the day that marks go by, the lines at
    the foot, and how many rows a sheet takes, its headings among them."""

    clock: ZoneInfo
    on: date
    foot: str
    most_rows: int = MOST_ROWS
    tally: Tally = field(default_factory=Tally)


def safe_text(text: str, tally: Tally) -> tuple[str, bool]:
    """The text as a cell can hold it, and whether it must carry the quote prefix."""
    shown = _CONTROL.sub(_picture, text).replace("\ufffe", "\ufffd").replace("\uffff", "\ufffd")
    tally.pictured += shown != text
    if len(shown) > MOST_CHARACTERS:
        tally.cut += 1
        note = f" [cut: {len(text):,} characters in the register]"
        shown = shown[: MOST_CHARACTERS - len(note)] + note
    is_quoted = shown.startswith(LIKE_A_FORMULA)
    if not shown.strip():
        # A reader may drop text that is nothing but space.
        return "".join(f"_x{ord(one):04X}_" for one in shown), is_quoted
    return _ESCAPE.sub("_x005F_", shown).replace("\r", "_x000D_"), is_quoted


def _picture(found: re.Match[str]) -> str:
    return "\u2421" if found[0] == "\x7f" else chr(0x2400 + ord(found[0]))


def text_cell(sheet: WriteOnlyWorksheet, text: str, tally: Tally) -> WriteOnlyCell:
    """A cell of a sheet without columns that holds text, whatever it says."""
    cell = WriteOnlyCell(sheet)
    cell._value, is_quoted = safe_text(text, tally)
    cell.data_type = "s"
    if is_quoted:
        cell.quotePrefix = True
    return cell


class _TypedCell(Cell):
    """A cell that is filled anew for every row: its type, its column and its styles never change, and are
    not asked for a million times."""

    __slots__ = ("letter", "style_id")
    has_style = True

    @property
    def coordinate(self) -> str:
        return f"{self.letter}{self.row}"


class TypedSheet(WriteOnlyWorksheet):
    """A sheet whose first row is its headings, and whose others come as tuples in the columns' order."""

    def __init__(self, book: Workbook, title: str, columns: tuple[Column, ...], layout: Layout) -> None:
        super().__init__(book, title)
        book._add_sheet(self)
        self.columns, self.layout, self.row_count = columns, layout, 0
        for number, column in enumerate(columns, start=1):
            self.column_dimensions[get_column_letter(number)].width = column.width
        self.freeze_panes = "B2"
        set_up_page(self, layout.foot)
        self.print_title_rows = "1:1"
        if sum(column.width for column in columns) > A4_WIDTH:
            self.page_setup.paperSize = A3
        self._wrapping = [
            (place, column.width) for place, column in enumerate(columns) if column.type is Type.LONG
        ]
        self.row_dimensions = self._heights = _OneHeight()
        self._fillers: list[Callable[[Any, int], Cell]] = []
        # Headings are bold, which takes a quarter more.
        self._heights.points = LINE_POINTS * max(_lines(one.heading, one.width / 1.25) for one in columns)
        super().append([self._heading(column) for column in columns])
        self._fillers = [self._filler(number, column) for number, column in enumerate(columns, start=1)]

    def add(self, row: tuple[Any, ...]) -> None:
        lines = 1
        for place, width in self._wrapping:
            text = row[place]
            if len(text) > width * CHARACTERS_A_WIDTH or "\n" in text:
                lines = max(lines, _lines(text, width))
        self._heights.points = lines * LINE_POINTS if lines > 1 else 0
        self.row_count += 1
        self.append(row)

    @property
    def is_full(self) -> bool:
        return self.row_count + 1 >= self.layout.most_rows

    def finish(self) -> None:
        """What is known only when the rows are: the filter, and the marks of what is out of date."""
        last, widest = self.row_count + 1, get_column_letter(len(self.columns))
        self.auto_filter.ref = f"A1:{widest}{last}"
        if self.row_count:
            for number, column in enumerate(self.columns, start=1):
                for rule in _marks(column, get_column_letter(number), self.layout.on):
                    letter = get_column_letter(number)
                    self.conditional_formatting.add(f"{letter}2:{letter}{last}", rule)
            # A line under each row, over empty cells too, which are not written. Last, since some programs
            # follow only the first rule that holds.
            under = DifferentialStyle(border=UNDER)
            self.conditional_formatting.add(
                f"A2:{widest}{last}", Rule(type="expression", formula=["TRUE"], dxf=under)
            )

    def _values_to_row(self, values: Iterable[Any], row_idx: int) -> Iterator[Cell]:
        """The headings as cells of their own; after them each value in its column's cell. What the parent
        does instead, to guess each cell's type from its value, makes formulas of names."""
        if not self._fillers:
            yield from super()._values_to_row(values, row_idx)
            return
        for value, fill in zip(values, self._fillers, strict=True):
            if value is not None and value != "":
                yield fill(value, row_idx)

    def _heading(self, column: Column) -> WriteOnlyCell:
        cell = text_cell(self, column.heading, self.layout.tally)
        cell.font, cell.fill = Font(FONT, 11, bold=True), HEADING_FILL
        cell.border = Border(bottom=Side("medium", color="13211E"))
        is_number = column.type in (Type.WHOLE, Type.NUMBER, Type.SHARE)
        cell.alignment = Alignment(
            wrap_text=True, vertical="bottom", horizontal="right" if is_number else "left", indent=is_number
        )
        return cell

    def _filler(self, number: int, column: Column) -> Callable[[Any, int], Cell]:
        cell = _TypedCell(self, column=number)
        cell.letter = get_column_letter(number)
        if column.type in (Type.TEXT, Type.LONG):
            return self._text_filler(cell, is_long=column.type is Type.LONG)
        cell.style_id = self._style(_FORMATS[column.type])
        if column.type in (Type.DAY, Type.MOMENT):
            return self._date_filler(cell, is_moment=column.type is Type.MOMENT)
        cell.data_type = "n"

        def fill(value: Any, row: int) -> Cell:
            cell._value, cell.row = value, row
            return cell

        return fill

    def _text_filler(self, cell: _TypedCell, *, is_long: bool) -> Callable[[Any, int], Cell]:
        plain, quoted = self._style(wraps=is_long), self._style(wraps=is_long, is_quoted=True)
        tally, search = self.layout.tally, _SUSPECT.search
        cell.data_type = "s"

        def fill(value: str, row: int) -> Cell:
            cell.style_id = plain
            if search(value) or len(value) > MOST_CHARACTERS:
                value, is_quoted = safe_text(value, tally)
                if is_quoted:
                    cell.style_id = quoted
            cell._value, cell.row = value, row
            return cell

        return fill

    def _date_filler(self, cell: _TypedCell, *, is_moment: bool) -> Callable[[Any, int], Cell]:
        clock = self.layout.clock

        def fill(value: date | datetime, row: int) -> Cell:
            cell.row, cell.data_type = row, "d"
            if value.year < FIRST_YEAR:
                cell._value, cell.data_type = value.isoformat(), "s"
            elif is_moment:
                cell._value = value.astimezone(clock).replace(microsecond=0, tzinfo=None)
            else:
                cell._value = value
            return cell

        return fill

    def _style(self, number_format: str = "", *, wraps: bool = False, is_quoted: bool = False) -> int:
        cell = WriteOnlyCell(self)
        cell.font = Font(FONT, 11)
        cell.alignment = Alignment(vertical="top", wrap_text=wraps)
        if number_format:
            cell.number_format = number_format
            is_date = number_format in (DAY_FORMAT, MOMENT_FORMAT)
            cell.alignment = Alignment(
                vertical="top", horizontal="left" if is_date else "right", indent=not is_date
            )
        if is_quoted:
            cell.quotePrefix = True
        return cell.style_id


class _OneHeight:
    """The height of the row that is written now, where it takes more than one line: programs do not all find
    it themselves. In place of the parent's heights of every row, which would be kept."""

    def __init__(self) -> None:
        self.points = 0

    def get(self, row: int, default: Any = None) -> dict[str, str]:
        if not self.points:
            return {}
        return {"ht": str(min(self.points, MOST_POINTS)), "customHeight": "1"}


def _lines(text: str, width: float) -> int:
    """How many lines a text takes in a column of a width; what goes into a line beyond the width makes up for
    words that are kept whole."""
    parts = text.split("\n")
    return sum(
        1 if len(part) <= width * CHARACTERS_A_WIDTH else math.ceil(len(part) / width) for part in parts
    )


_FORMATS = {
    Type.WHOLE: "0",
    Type.NUMBER: "0.0#",
    Type.SHARE: "0.0%",
    Type.DAY: DAY_FORMAT,
    Type.MOMENT: MOMENT_FORMAT,
}


def set_up_page(sheet: WriteOnlyWorksheet, foot: str) -> None:
    """Landscape, as wide as the page, with its name, its number and ``foot`` at the foot."""
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = A4
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    margins = sheet.page_margins
    margins.left = margins.right = 0.4
    margins.top, margins.bottom, margins.footer = 0.5, 0.7, 0.3
    # An ampersand begins a code in a footer.
    at_foot = sheet.HeaderFooter.oddFooter
    at_foot.left.text, at_foot.right.text = sheet.title.replace("&", "&&"), foot.replace("&", "&&")
    at_foot.center.text = "Page &P of &N"
    for part in (at_foot.left, at_foot.center, at_foot.right):
        part.size = 8


def _marks(column: Column, letter: str, on: date) -> Iterator[Rule]:
    """Out of date or stopped: bold on a fill that prints as light grey, and an ended day says so itself, so
    that nothing rests on colour."""
    if column.is_marked_past:
        ended = DifferentialStyle(
            font=Font(bold=True),
            fill=MARK_FILL,
            border=UNDER,
            numFmt=NumberFormat(numFmtId=170, formatCode=f'{DAY_FORMAT}" ended"'),
        )
        formula = f"AND(ISNUMBER({letter}2),{letter}2<DATE({on.year},{on.month},{on.day}))"
        yield Rule(type="expression", formula=[formula], dxf=ended)
    if column.marked:
        loud = DifferentialStyle(font=Font(bold=True), fill=MARK_FILL, border=UNDER)
        said = ",".join(f'{letter}2="{word}"' for word in column.marked)
        yield Rule(type="expression", formula=[f"OR({said})"], dxf=loud)


def write_rows(
    book: Workbook,
    title: str,
    columns: tuple[Column, ...],
    rows: Iterable[tuple[Any, ...]],
    layout: Layout,
    told: Callable[[int], None] = lambda count: None,
) -> list[tuple[str, int]]:
    """Write a sheet, and another of the same columns wherever one is full; each one's title and rows.
    ``told`` hears every few thousand rows how many there are."""
    written: list[tuple[str, int]] = []
    sheet, count = TypedSheet(book, title, columns, layout), 0
    for row in rows:
        if sheet.is_full:
            sheet.finish()
            written.append((sheet.title, sheet.row_count))
            sheet = TypedSheet(book, f"{title} {len(written) + 1}", columns, layout)
        sheet.add(row)
        count += 1
        if count % 5000 == 0:
            told(count)
    sheet.finish()
    told(count)
    return [*written, (sheet.title, sheet.row_count)]


def throw_away(book: Workbook) -> None:
    """Close the sheets of a book that will not be saved, and delete what each has written so far."""
    for sheet in book.worksheets:
        with contextlib.suppress(Exception):
            if not sheet.closed:
                sheet.close()
            sheet._writer.cleanup()
