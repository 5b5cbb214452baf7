"""The front sheet: what the workbook is, of when, by whom, at which checkpoint, how to verify and read it."""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.worksheet._write_only import WriteOnlyWorksheet

from competence.outputs.typed_sheets import (
    CHARACTERS_A_WIDTH,
    FONT,
    HEADING_FILL,
    MOMENT_FORMAT,
    MOST_CHARACTERS,
    Layout,
    set_up_page,
    text_cell,
)
from competence.outputs.workbook_sheets import Sheet
from competence.queries.checkpoints import statement_of
from competence.queries.workbook import Names, Slice, in_words

FRONT = "Front sheet"
WIDTHS = (26, 12, 28, 84)


@dataclass(frozen=True)
class Taken:
    """What the front sheet says of its workbook. ``head``: the journal's, as ``journal_head`` gives it."""

    asked: Slice
    named: Names
    by: str
    at: datetime
    head: dict[str, Any]
    lines: list[tuple[str, int, Sheet]]


def add_front(book: Workbook, layout: Layout) -> WriteOnlyWorksheet:
    """The first sheet of the book, to be filled last: when the rows are written their number is known."""
    front = book.create_sheet(FRONT)
    for letter, width in zip("ABCD", WIDTHS, strict=True):
        front.column_dimensions[letter].width = width
    front.sheet_view.showGridLines = False
    set_up_page(front, layout.foot)
    return front


def fill_front(front: WriteOnlyWorksheet, taken: Taken, layout: Layout) -> None:
    page = _Page(front, layout)
    page.title("Workbook of the competence register")
    page.fact("As of", taken.asked.at)
    page.fact("As the register knew it at", taken.asked.known_at)
    page.fact("Taken out at", taken.at)
    page.fact("Taken out by", taken.by)
    for label, words in in_words(taken.asked, taken.named):
        page.fact(label, words)
    page.fact("Time zone", f"{taken.asked.zone}: every moment in this workbook is on this clock.")
    page.section("Sheets")
    page.table(("Sheet", "Rows", "Kind in the journal", "What it holds"))
    for title, count, sheet in taken.lines:
        page.line(title, count, sheet.kind, sheet.about)
    page.section("The journal's checkpoint")
    for label, value in _checkpoint(taken.head):
        page.fact(label, value)
    for heading, sentences in (
        ("How to verify it", VERIFY),
        ("How to read it", [*READ, *_given_otherwise(layout)]),
        ("Cautions", CAUTIONS),
    ):
        page.section(heading)
        for sentence in sentences:
            page.sentence(sentence)


VERIFY = (
    "Signature: Ed25519 (RFC 8032) by the public key, over the signed text exactly as it stands above, in "
    "UTF-8; key and signature are hexadecimal digits. Get the public key another way too: “manage.py journal "
    "key” prints it.",
    "A row: its sheet's kind in the journal and the key in its last column name it there. “manage.py journal "
    "prove ENTRY --row KIND KEY” prints what a stranger needs to check it against the root (RFC 6962). The "
    "standing on the sheet Tickets is no row of its own: it is the fold of the rows on Ticket events.",
    "Later: keep the checkpoint as JSON in a file. “manage.py journal verify --checkpoint FILE” then shows "
    "that the journal still begins with all that this workbook was taken from.",
    "This file is not signed, and anybody can change a copy. What counts is the register and its journal.",
)

READ = (
    "Operators, Tickets and everything about people: those whose home site and employer it was at the moment "
    "above. Daily checks, refusals and defects: what happened at the sites, whoever it was. The days asked "
    "about narrow what happened, not who was on the register and what tickets amounted to.",
    "“As of” cuts off what had not happened; “as the register knew it” cuts off what was written down later. "
    "Corrected rows stay on their sheets and say so; names of people, sites and firms are today's.",
    "With a category, evidence and sittings that name none (a medical, an induction, a refresher) are there "
    "too, since they count for every category.",
    "Days and moments are real dates, moments to the second. Fleet, ticket and operator numbers are text. "
    "Text stays text whatever it begins with.",
    "Bold on a tint: ended, stopped, not passed or open at the moment above. An ended day also says “ended”.",
)

CAUTIONS = (
    "The machine's own operator's manual comes first. Local law and the site's rules stand over this "
    "register.",
    "It records who was found competent; it does not make anybody competent, and it is no legal advice.",
    "It holds facts about people. Keep it as the law asks, and no longer than it is needed. That it was "
    "taken out is written down in the register.",
)


def _given_otherwise(layout: Layout) -> Iterator[str]:
    tally = layout.tally
    yield (
        f"A cell takes {MOST_CHARACTERS:,} characters: texts cut and marked so: {tally.cut}. Control "
        f"characters are shown by their pictures, such as \u2407: texts with any: {tally.pictured}. A sheet "
        f"takes {layout.most_rows:,} rows; what is longer goes on in the next of the same name with a number."
    )


def _checkpoint(head: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    checkpoint = head["checkpoint"]
    if checkpoint is None:
        yield "Checkpoint", "None: nothing in the journal has been sealed yet."
    else:
        stated = statement_of(checkpoint)
        yield "Signed at", checkpoint.at
        yield "Entries signed", stated.size
        yield "Root", stated.root.hex()
        yield "Public key", stated.public_key.hex()
        yield "Signature", stated.signature.hex()
        yield "Signed text", stated.signed_bytes.decode()
        yield "Checkpoint as JSON", json.dumps(head["stated"])
    yield "Entries not sealed yet", head["unsealed"]


class _Page:
    """Rows of the front sheet, one at a time."""

    def __init__(self, sheet: WriteOnlyWorksheet, layout: Layout) -> None:
        self.sheet, self.layout, self.row = sheet, layout, 0

    def title(self, text: str) -> None:
        cell = text_cell(self.sheet, text, self.layout.tally)
        cell.font = Font(FONT, 18, bold=True)
        self._append([cell], height=30)

    def section(self, text: str) -> None:
        self._append([])
        cell = text_cell(self.sheet, text, self.layout.tally)
        cell.font = Font(FONT, 13, bold=True)
        self._append([cell], height=21)

    def fact(self, label: str, value: Any) -> None:
        self._append([self._cell(label, is_bold=True), self._cell(value)], spans=not isinstance(value, int))

    def table(self, headings: tuple[str, ...]) -> None:
        cells = [self._cell(one, is_bold=True) for one in headings]
        for cell in cells:
            cell.fill = HEADING_FILL
            cell.border = Border(bottom=Side("medium", color="13211E"))
        cells[1].alignment = Alignment(horizontal="right", indent=1)
        self._append(cells)

    def line(self, title: str, count: int, kind: str, about: str) -> None:
        cells = [self._cell(title, is_bold=True), self._cell(count), self._cell(kind), self._cell(about)]
        cells[1].number_format, cells[1].alignment = (
            "#,##0",
            Alignment(horizontal="right", vertical="top", indent=1),
        )
        for cell in cells:
            cell.border = Border(bottom=Side("hair", color="5B6963"))
        self._append(cells, height=15 * _lines(about, WIDTHS[3]))

    def sentence(self, text: str) -> None:
        self._append([self._cell(text)], spans_from="A", height=15 * _lines(text, sum(WIDTHS)))

    def _cell(self, value: Any, *, is_bold: bool = False) -> WriteOnlyCell:
        if isinstance(value, str):
            cell = text_cell(self.sheet, value, self.layout.tally)
        elif isinstance(value, datetime):
            local = value.astimezone(self.layout.clock).replace(microsecond=0, tzinfo=None)
            cell = WriteOnlyCell(self.sheet, local)
            cell.number_format = MOMENT_FORMAT
        else:
            cell = WriteOnlyCell(self.sheet, value)
        cell.alignment = Alignment(vertical="top", horizontal="left", wrap_text=True)
        cell.font = Font(FONT, 11, bold=is_bold)
        return cell

    def _append(
        self,
        cells: list[WriteOnlyCell],
        *,
        height: float | None = None,
        spans: bool = False,
        spans_from: str = "",
    ) -> None:
        self.row += 1
        if spans:
            # Digits and letters of a signature are as wide as noughts, and break where they must.
            height = 15 * _lines(str(cells[1].value), sum(WIDTHS[1:]) / 1.2)
            spans_from = "B"
        if spans_from:
            self.sheet.merged_cells.add(f"{spans_from}{self.row}:D{self.row}")
        if height:
            self.sheet.row_dimensions[self.row].height = height
        self.sheet.append(cells)


def _lines(text: str, width: float) -> int:
    """How many lines a text takes at a width in characters; joined cells do not grow by themselves."""
    return max(1, math.ceil(len(text) / width / CHARACTERS_A_WIDTH))
