"""Typed sheets, read back by a program that shares no code with what wrote them (calamine)."""

import zipfile
from datetime import UTC, date, datetime
from io import BytesIO
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from python_calamine import load_workbook as calamine

from competence.outputs.typed_sheets import MOST_CHARACTERS, Column, Layout, Type, write_rows

TEXT = (Column("Name", 20),)


def layout(**more) -> Layout:
    return Layout(ZoneInfo("Europe/London"), date(2026, 7, 1), "As of 2026-07-01", **more)


def written(columns, rows, shared=None, title="People") -> BytesIO:
    book = Workbook(write_only=True)
    write_rows(book, title, columns, rows, shared or layout())
    file = BytesIO()
    book.save(file)
    file.seek(0)
    return file


def read(file: BytesIO, sheet: str = "People") -> list[list]:
    return calamine(file).get_sheet_by_name(sheet).to_python()[1:]


@pytest.mark.parametrize(
    "text",
    [
        '=HYPERLINK("x")',
        "=1+1",
        "=",
        "+1",
        "@x",
        "-5",
        "\tx",
        "\rx",
        "\nx",
        "a\nb",
        "a\r\nb",
        "_x000D_",
        "_x005F_x000D_",
        "_x0041_b_x00e9_",
        "#N/A",
        "TRUE",
        "007",
        "2026-01-01",
        " spaced ",
        " ",
        "\n",
        "Zoë Ó Tuama",
        "\N{GRINNING FACE}",
        "&amp; <b>",
        "x" * MOST_CHARACTERS,
    ],
)
def test_text_arrives_as_the_same_text(text: str) -> None:
    file = written(TEXT, [(text,)])
    assert read(file) == [[text]]
    with zipfile.ZipFile(file) as parts:
        assert b"<f>" not in parts.read("xl/worksheets/sheet1.xml")


@given(st.lists(st.text(st.characters(exclude_categories=["Cs", "Cc"], exclude_characters="\ufffe\uffff"))))
@settings(max_examples=40)
def test_any_text_arrives_as_it_was(texts: list[str]) -> None:
    columns = (*TEXT, Column("Row", 8, Type.WHOLE))
    rows = read(written(columns, [(text, n) for n, text in enumerate(texts)]))
    assert [row[0] for row in rows] == texts


def test_text_that_looks_like_a_formula_carries_the_quote_prefix() -> None:
    sheet = load_workbook(written(TEXT, [("=1+1",), ("plain",)]))["People"]
    assert [(cell.data_type, cell.quotePrefix) for cell in sheet["A"][1:]] == [("s", True), ("s", False)]


def test_what_no_cell_can_hold_is_shown_cut_and_counted() -> None:
    shared = layout()
    bell, escape, bad, long = read(
        written(TEXT, [("ring\x07",), ("\x1b[1m",), ("\uffff",), ("y" * 40_000,)], shared)
    )
    assert (bell, escape, bad) == (["ring\u2407"], ["\u241b[1m"], ["\ufffd"])
    assert len(long[0]) == MOST_CHARACTERS
    assert long[0].endswith("yy [cut: 40,000 characters in the register]")
    assert (shared.tally.pictured, shared.tally.cut) == (3, 1)


def test_days_moments_and_numbers_have_types_and_moments_the_workbooks_clock() -> None:
    columns = (
        Column("Day", 12, Type.DAY),
        Column("Moment", 16, Type.MOMENT),
        Column("Hours", 8, Type.NUMBER),
        Column("Score", 8, Type.SHARE),
    )
    moment = datetime(2026, 7, 1, 5, 30, 20, 999_999, tzinfo=UTC)
    rows = [(date(2024, 2, 29), moment, 7.25, 0.8), (date(1899, 12, 31), None, None, None)]
    first, second = read(written(columns, rows))
    assert first == [date(2024, 2, 29), datetime(2026, 7, 1, 6, 30, 20), 7.25, 0.8]
    # Before 1901 a spreadsheet's own days are wrong, so the day is text.
    assert second == ["1899-12-31", "", "", ""]


def test_a_full_sheet_goes_on_in_the_next() -> None:
    file = written(TEXT, [(str(n),) for n in range(7)], layout(most_rows=4), title="Daily checks")
    book = calamine(file)
    assert book.sheet_names == ["Daily checks", "Daily checks 2", "Daily checks 3"]
    sheets = [book.get_sheet_by_name(name).to_python() for name in book.sheet_names]
    assert [sheet[0] for sheet in sheets] == [["Name"]] * 3
    assert [[row[0] for row in sheet[1:]] for sheet in sheets] == [["0", "1", "2"], ["3", "4", "5"], ["6"]]


def test_a_sheet_that_is_just_full_needs_no_other() -> None:
    file = written(TEXT, [(str(n),) for n in range(3)], layout(most_rows=4))
    assert calamine(file).sheet_names == ["People"]


def test_sheets_are_set_up_for_reading_and_for_print() -> None:
    columns = (
        *TEXT,
        Column("Ends", 12, Type.DAY, is_marked_past=True),
        Column("State", 12, marked=("Ended",)),
    )
    rows = [("a", date(2026, 6, 30), "Ended"), ("b", date(2026, 7, 1), "In force")]
    sheet = load_workbook(written(columns, rows, title="Tickets & more"))["Tickets & more"]
    assert (sheet.freeze_panes, sheet.auto_filter.ref, sheet.print_title_rows) == ("B2", "A1:C3", "$1:$1")
    assert sheet.page_setup.orientation == "landscape"
    assert (sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight) == (1, 0)
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    assert sheet.HeaderFooter.oddFooter.center.text == "Page &P of &N"
    rules = {str(part.sqref): part.rules[0] for part in sheet.conditional_formatting}
    assert rules["B2:B3"].formula == ["AND(ISNUMBER(B2),B2<DATE(2026,7,1))"]
    assert rules["B2:B3"].dxf.font.bold
    assert "ended" in rules["B2:B3"].dxf.numFmt.formatCode
    assert rules["C2:C3"].formula == ['OR(C2="Ended")']


def test_a_row_that_does_not_fit_its_columns_is_an_error() -> None:
    with pytest.raises(ValueError, match="zip"):
        written(TEXT, [("a", "b")])
