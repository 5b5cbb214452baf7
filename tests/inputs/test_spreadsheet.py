"""Reading an uploaded spreadsheet without trusting it."""

import io
import struct
import zipfile
from datetime import date, datetime

import pytest
from openpyxl import Workbook
from openpyxl.styles import Font

from competence.inputs.spreadsheet import UnreadableSpreadsheet, read_spreadsheet

HEADINGS = ["Op no", "Name", "Expires"]


@pytest.fixture
def written(tmp_path):
    """``written(bytes or workbook, name)``: the path of a file with that in it."""

    def write(content, name="old.xlsx"):
        if isinstance(content, Workbook):
            buffer = io.BytesIO()
            content.save(buffer)
            content = buffer.getvalue()
        path = tmp_path / name
        path.write_bytes(content)
        return path

    return write


def book(*rows):
    made = Workbook()
    for row in rows:
        made.active.append(row)
    return made


def packed(**parts):
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in parts.items():
            file.writestr(name, content)
    return buffer.getvalue()


ODS_HEAD = (
    '<?xml version="1.0"?><office:document-content '
    'xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
    '<table:table table:name="Tickets">'
)
ODS_TAIL = "</table:table></office:spreadsheet></office:body></office:document-content>"


def ods(rows, manifest="<manifest/>"):
    return packed(
        **{
            "mimetype": "application/vnd.oasis.opendocument.spreadsheet",
            "content.xml": ODS_HEAD + rows + ODS_TAIL,
            "META-INF/manifest.xml": manifest,
        }
    )


def ods_cell(text, more=""):
    return f'<table:table-cell office:value-type="string" {more}><text:p>{text}</text:p></table:table-cell>'


def test_real_days_numbers_and_text_come_as_they_are(written):
    sheet = read_spreadsheet(
        written(book(HEADINGS, ["A1", "Zoë ÁLVAREZ", date(2027, 3, 1)], [2, "x", datetime(2027, 1, 2, 3)])),
        "old.xlsx",
    )
    assert sheet.rows == [
        HEADINGS,
        ["A1", "Zoë ÁLVAREZ", date(2027, 3, 1)],
        [2, "x", datetime(2027, 1, 2, 3)],
    ]


def test_rows_keep_the_numbers_that_the_sheet_gives_them(written):
    made = Workbook()
    made.active["B3"] = "Op no"
    assert read_spreadsheet(written(made), "a.xlsx").rows[2] == ["", "Op no"]


def test_an_open_document_is_read(written):
    rows = (
        f"<table:table-row>{ods_cell('Op no')}{ods_cell('Expires')}</table:table-row>"
        f"<table:table-row>{ods_cell('A1')}"
        '<table:table-cell office:value-type="date" office:date-value="2027-03-01"><text:p>1</text:p>'
        "</table:table-cell></table:table-row>"
        '<table:table-row table:number-rows-repeated="1048570"><table:table-cell/></table:table-row>'
    )
    sheet = read_spreadsheet(written(ods(rows), "a.ods"), "a.ods")
    assert [[str(cell)[:10] for cell in row] for row in sheet.rows] == [
        ["Op no", "Expires"],
        ["A1", "2027-03-01"],
    ]


@pytest.mark.parametrize(
    ("content", "rows"),
    [
        (b'Op no,Name\nA1,"Bell, Bo"\n', [["Op no", "Name"], ["A1", "Bell, Bo"]]),
        ("\ufeffOp no;Name\r\nA1;Zoë\r\n".encode(), [["Op no", "Name"], ["A1", "Zoë"]]),
        ("Op no\tName\nA1\tZoë\n".encode("utf-16"), [["Op no", "Name"], ["A1", "Zoë"]]),
        ("Op no,Name\nA1,Zoë\n".encode("cp1252"), [["Op no", "Name"], ["A1", "Zoë"]]),
    ],
)
def test_lines_of_text_are_read_as_spreadsheets_write_them(written, content, rows):
    assert read_spreadsheet(written(content, "a.csv"), "a.csv").rows == rows


def test_ten_thousand_blank_rows_at_the_end_are_cut_off(written):
    made = book(HEADINGS, ["A1", "Bo Bell", "x"])
    for row in range(3, 10_003):
        made.active.cell(row, 1).font = Font(bold=True)
        made.active.cell(row, 2).value = " "
    assert len(read_spreadsheet(written(made), "a.xlsx").rows) == 2
    text = b"Op no,Name\nA1,Bo Bell\n" + b",\n" * 10_000
    assert len(read_spreadsheet(written(text, "a.csv"), "a.csv").rows) == 2


def test_formulas_are_told_of_and_never_worked_out(written):
    sheet = read_spreadsheet(written(book(HEADINGS, ["A1", "=A2&A2", 1], ["A2", "b", "=1+1"])), "a.xlsx")
    assert sheet.formulas == {(2, 1), (3, 2)}
    assert sheet.rows[1][1] == ""


def test_every_cell_of_a_merged_one_says_what_the_first_says(written):
    made = book(HEADINGS, ["A1", "Bo Bell", "x"], ["A2", None, "y"], ["A3", None, "z"])
    made.active.merge_cells("B2:B4")
    sheet = read_spreadsheet(written(made), "a.xlsx")
    assert [row[1] for row in sheet.rows] == ["Name", "Bo Bell", "Bo Bell", "Bo Bell"]
    assert (3, 1) in sheet.merged


def test_a_workbook_that_counts_from_1904_says_so(written):
    made = book(HEADINGS)
    made.epoch = datetime(1904, 1, 1)
    assert read_spreadsheet(written(made), "a.xlsx").is_1904


def test_another_sheet_is_read_when_it_is_named(written):
    made = book(HEADINGS)
    made.create_sheet("Second").append(["x"])
    assert read_spreadsheet(written(made), "a.xlsx", "Second").rows == [["x"]]
    with pytest.raises(UnreadableSpreadsheet, match="no sheet “Third”"):
        read_spreadsheet(written(made), "a.xlsx", "Third")


def refused(path, name="old.xlsx"):
    with pytest.raises(UnreadableSpreadsheet) as problem:
        read_spreadsheet(path, name)
    return str(problem.value)


def test_two_hundred_megabytes_are_refused_before_they_are_read(written, settings):
    settings.SPREADSHEET_MAX_BYTES = 1024 * 1024
    path = written(b"")
    with path.open("wb") as file:
        file.truncate(200 * 1024 * 1024)
    assert "200 MB" in refused(path)


def test_a_workbook_under_a_password_is_known_by_its_wrapping(written):
    assert "password" in refused(written(bytes.fromhex("d0cf11e0a1b11ae1") + b"EncryptedPackage" * 40))


def test_an_open_document_under_a_password_is_known(written):
    assert "password" in refused(written(ods("", '<m:encryption-data m:checksum="x"/>'), "a.ods"), "a.ods")


def test_a_packed_file_under_a_password_is_known(written):
    content = bytearray(packed(**{"xl/workbook.xml": "<workbook/>"}))
    for mark, place in ((b"PK\x01\x02", 8), (b"PK\x03\x04", 6)):
        at = content.index(mark) + place
        content[at : at + 2] = struct.pack("<H", 1)
    assert "password" in refused(written(bytes(content)))


def test_a_file_that_unpacks_to_far_more_than_its_size_is_not_opened(written, settings):
    bomb = packed(**{"xl/workbook.xml": "<workbook/>", "xl/worksheets/sheet1.xml": b" " * 30_000_000})
    assert "unpacks to 29 MB" in refused(written(bomb))
    settings.SPREADSHEET_MAX_UNPACKED = 1_000
    assert "It was not opened" in refused(written(book(HEADINGS)))


def test_a_part_that_lies_about_its_size_is_not_believed(written):
    parts = {"xl/workbook.xml": "<workbook/>", "xl/worksheets/sheet1.xml": b" " * 5_000_000}
    content = bytearray(packed(**parts))
    at = content.rindex(b"PK\x01\x02") + 24
    content[at : at + 4] = struct.pack("<I", 100)
    assert "damaged" in refused(written(bytes(content)))


def test_a_cell_far_out_of_the_sheet_is_refused(written):
    made = book(HEADINGS)
    made.active["XFD1048576"] = "x"
    assert "column 16,384" in refused(written(made))


@pytest.mark.parametrize(
    "rows",
    [
        "<table:table-row>" + ods_cell("x", 'table:number-columns-repeated="1000000"') + "</table:table-row>",
        f'<table:table-row table:number-rows-repeated="1000000">{ods_cell("x")}</table:table-row>',
    ],
)
def test_a_cell_repeated_a_million_times_is_refused(written, rows):
    assert "repeated" in refused(written(ods(rows), "a.ods"), "a.ods")


@pytest.mark.parametrize(
    ("content", "name", "because"),
    [
        (b"", "a.xlsx", "empty"),
        (b"\x89PNG....", "a.png", "no spreadsheet"),
        (b"PK\x03\x04 broken", "a.xlsx", "damaged"),
        (packed(**{"word/document.xml": "<x/>"}), "a.docx", "no spreadsheet"),
        (packed(**{"xl/workbook.xml": "<not closed"}), "a.xlsx", "damaged"),
        (b"\n\n , \n", "a.csv", "empty"),
        (b"a" + b"," * 400, "a.csv", "columns"),
    ],
)
def test_what_is_no_spreadsheet_is_refused_in_words(written, content, name, because):
    assert because in refused(written(content, name), name)
