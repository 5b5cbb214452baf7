"""An uploaded spreadsheet as rows of plain cells: .xlsx, .ods or .csv, read without trusting it.

Before anything is unpacked the file's size, and what it says it unpacks to, are held against limits; then the
parts are unpacked once and counted, so that a part that lies about its size, or a cell far out of the sheet,
does not reach the reader. Formulas are never worked out here: the value last saved is read, and told of.
"""

import csv
import io
import re
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.etree.ElementTree import ParseError, fromstring

from django.conf import settings
from python_calamine import CalamineError, PasswordError, load_workbook

MOST_ROWS, MOST_COLUMNS = 200_000, 300
MOST_CELLS = 10_000_000
# What packs tighter than this, in parts of more than a megabyte, is made to burst a reader. Sheets of one
# value repeated reach some 100 to 1.
MOST_RATIO, RATIO_FROM = 400, 1024 * 1024
MERGED_AT_MOST = 20_000
_OLE = bytes.fromhex("d0cf11e0a1b11ae1")
_CELL = re.compile(rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,4})(\d{1,8})"[^>/]*>')
_FORMULA = re.compile(rb'<(?:\w+:)?c\b[^>]*?\br="([A-Z]{1,3})(\d{1,7})"[^>/]*><(?:\w+:)?f\b')
_ODS_REPEATED = re.compile(
    rb'<table:table-cell\b[^>]*?number-columns-repeated="(\d+)"[^>]*?office:value-type'
    rb'|<table:table-cell\b[^>]*?office:value-type[^>]*?number-columns-repeated="(\d+)"'
)
_ODS_ROW = re.compile(
    rb'<table:table-row\b[^>]*?number-rows-repeated="(\d+)"[^>]*?(?<!/)>(.*?)</table:table-row>', re.S
)


class UnreadableSpreadsheet(ValueError):
    """The file cannot be read, or must not be; its sentence says what to do, fit for the screen."""


@dataclass(frozen=True)
class Sheet:
    """``rows[n]`` is row n + 1 of the sheet. ``formulas`` and ``merged``: (row from 1, column from 0)."""

    name: str
    names: tuple[str, ...]
    rows: list[list[Any]]
    formulas: frozenset[tuple[int, int]] = frozenset()
    merged: frozenset[tuple[int, int]] = frozenset()
    is_1904: bool = False
    remarks: tuple[str, ...] = field(default=())


def read_spreadsheet(path: Path | str, name: str, sheet: str = "") -> Sheet:
    """The first sheet, or the one named. Raises ``UnreadableSpreadsheet``."""
    path = Path(path)
    refuse_size(path.stat().st_size)
    with path.open("rb") as file:
        start = file.read(8)
    if start == _OLE:
        raise UnreadableSpreadsheet(
            "The file is protected by a password, or is of the old .xls kind. Take the password off, save it "
            "as .xlsx, and send it again."
        )
    if start[:2] == b"PK":
        return _read_packed(path, sheet)
    if not name.lower().endswith((".csv", ".txt")):
        raise UnreadableSpreadsheet("This is no spreadsheet that can be read: .xlsx, .ods or .csv.")
    return _read_text(path, name)


def refuse_size(size: int) -> None:
    """Before anything is read."""
    limit = settings.SPREADSHEET_MAX_BYTES
    if size > limit:
        raise UnreadableSpreadsheet(
            f"The file has {size / 1024 / 1024:,.0f} MB; at most {limit / 1024 / 1024:,.0f} MB are read. "
            "Pictures and other sheets can be taken out, or the rows sent in parts."
        )
    if size == 0:
        raise UnreadableSpreadsheet("The file is empty.")


def _read_packed(path: Path, wanted: str) -> Sheet:
    try:
        with zipfile.ZipFile(path) as packed:
            _refuse_bomb(packed)
            parts = _unpacked(packed)
    except (zipfile.BadZipFile, zlib.error, NotImplementedError, EOFError, OSError) as problem:
        raise UnreadableSpreadsheet(
            "The file is damaged: it cannot be unpacked. Save it anew and send it again."
        ) from problem
    is_ods = "content.xml" in parts
    if is_ods and b"encryption-data" in parts.get("META-INF/manifest.xml", b""):
        raise UnreadableSpreadsheet(
            "The file is protected by a password. Take it off, save the file, and send it again."
        )
    if not is_ods and "xl/workbook.xml" not in parts:
        raise UnreadableSpreadsheet("This is no spreadsheet that can be read: .xlsx, .ods or .csv.")
    if is_ods:
        _refuse_repeated(parts["content.xml"])
    else:
        for part, content in parts.items():
            if part.startswith("xl/worksheets/"):
                _refuse_far_cells(content)
    return _by_calamine(path, wanted, parts, is_ods=is_ods)


def _refuse_bomb(packed: zipfile.ZipFile) -> None:
    entries = packed.infolist()
    if any(entry.flag_bits & 1 for entry in entries):
        raise UnreadableSpreadsheet("The file is protected by a password. Take it off and send it again.")
    unpacked = sum(entry.file_size for entry in entries)
    tight = any(
        entry.file_size > RATIO_FROM and entry.file_size > MOST_RATIO * max(entry.compress_size, 1)
        for entry in entries
    )
    if unpacked > settings.SPREADSHEET_MAX_UNPACKED or tight or len(entries) > 5_000:
        raise UnreadableSpreadsheet(
            f"The file unpacks to {unpacked / 1024 / 1024:,.0f} MB, far more than its size allows for. "
            "It was not opened. Copy the rows into a new workbook and send that."
        )


def _unpacked(packed: zipfile.ZipFile) -> dict[str, bytes]:
    """The parts that are looked at, unpacked; every part is read to its end, which proves its stated size."""
    wanted = ("xl/worksheets/", "xl/workbook.xml", "xl/_rels/", "content.xml", "META-INF/manifest.xml")
    parts = {}
    for entry in packed.infolist():
        with packed.open(entry) as part:
            if entry.filename.startswith(wanted) and entry.filename.endswith((".xml", ".rels")):
                parts[entry.filename] = part.read()
            else:
                while part.read(1024 * 1024):
                    pass
    return parts


def _refuse_far_cells(content: bytes) -> None:
    """A reader keeps room for every cell up to the last: one far out would take all memory."""
    widest, last = 0, 0
    places = _CELL.findall(content)
    for letters in {letters for letters, _ in places}:
        widest = max(widest, _column(letters.decode()) + 1)
    last = max((int(row) for _, row in places), default=0)
    if widest > MOST_COLUMNS or last * widest > MOST_CELLS:
        raise UnreadableSpreadsheet(
            f"The sheet has something in column {widest:,} or row {last:,}, far from the rest. At most "
            f"{MOST_COLUMNS} columns are read. Delete what stands out there, and send it again."
        )


def _refuse_repeated(content: bytes) -> None:
    repeated = [int(one or two) for one, two in _ODS_REPEATED.findall(content)]
    repeated += [int(times) for times, inside in _ODS_ROW.findall(content) if b"value-type" in inside]
    if max(repeated, default=0) > 10_000:
        raise UnreadableSpreadsheet(
            "One cell or row is repeated many thousand times. It was not opened. Copy the rows into a new "
            "workbook and send that."
        )


def _by_calamine(path: Path, wanted: str, parts: dict[str, bytes], *, is_ods: bool) -> Sheet:
    try:
        with load_workbook(path) as workbook:
            names = tuple(workbook.sheet_names)
            if not names:
                raise UnreadableSpreadsheet("The workbook has no sheet.")
            if wanted and wanted not in names:
                raise UnreadableSpreadsheet(
                    f"The workbook has no sheet “{wanted}”. It has: {', '.join(names)}."
                )
            chosen = wanted or names[0]
            read = workbook.get_sheet_by_name(chosen)
            rows = read.to_python(skip_empty_area=False)
            ranges = read.merged_cell_ranges or []
    except PasswordError as problem:
        raise UnreadableSpreadsheet(
            "The file is protected by a password. Take it off, save the file, and send it again."
        ) from problem
    except CalamineError as problem:
        raise UnreadableSpreadsheet(
            "The file is damaged, or no spreadsheet. Open it, save it anew as .xlsx, and send it again."
        ) from problem
    remarks = []
    if is_ods:
        formulas = frozenset[tuple[int, int]]()
        if told := parts["content.xml"].count(b"table:formula="):
            remarks.append(f"{told:,} cells of the file are formulas; the values last worked out were read.")
    else:
        part = _part_of(chosen, parts)
        formulas = frozenset((int(row), _column(col.decode())) for col, row in _FORMULA.findall(part))
    merged = _fill_merged(rows, ranges)
    _refuse_length(_cut_blank(rows))
    book = parts.get("xl/workbook.xml", b"")
    is_1904 = re.search(rb'date1904="(?:1|true)"', book) is not None
    return Sheet(chosen, names, rows, formulas, merged, is_1904, tuple(remarks))


def _part_of(name: str, parts: dict[str, bytes]) -> bytes:
    """The part of an .xlsx that holds a sheet."""
    book, links = parts["xl/workbook.xml"], parts.get("xl/_rels/workbook.xml.rels", b"<none/>")
    if b"<!DOCTYPE" in book or b"<!DOCTYPE" in links:
        raise UnreadableSpreadsheet("The file is no plain spreadsheet: save it anew and send it again.")
    try:
        targets = {link.get("Id"): link.get("Target", "") for link in fromstring(links)}  # noqa: S314
        for element in fromstring(book).iter():  # noqa: S314
            if element.tag.endswith("}sheet") and element.get("name") == name:
                key = next((value for at, value in element.attrib.items() if at.endswith("}id")), None)
                target = targets.get(key, "").lstrip("/")
                return parts.get(target if target.startswith("xl/") else f"xl/{target}", b"")
    except ParseError as problem:
        raise UnreadableSpreadsheet("The file is damaged: save it anew and send it again.") from problem
    return b""


def _column(letters: str) -> int:
    place = 0
    for letter in letters:
        place = place * 26 + ord(letter) - 64
    return place - 1


def _fill_merged(rows: list[list[Any]], ranges: list[Any]) -> frozenset[tuple[int, int]]:
    """Every cell of a merged one says what the first says."""
    filled: set[tuple[int, int]] = set()
    for (top, left), (bottom, right) in ranges:
        if top >= len(rows) or left >= len(rows[top]):
            continue
        value = rows[top][left]
        for row, column in _within(rows, top, left, bottom, right):
            if len(filled) >= MERGED_AT_MOST:
                return frozenset(filled)
            rows[row][column] = value
            filled.add((row + 1, column))
    return frozenset(filled)


def _within(rows: list[list[Any]], top: int, left: int, bottom: int, right: int) -> Iterator[tuple[int, int]]:
    for row in range(top, min(bottom, len(rows) - 1) + 1):
        for column in range(left, min(right, len(rows[row]) - 1) + 1):
            yield row, column


def _cut_blank(rows: list[list[Any]]) -> list[list[Any]]:
    """Cut off blank rows at the end: formatting that was drawn down leaves them by the ten thousand."""
    while rows and not any(cell is not None and str(cell).strip() for cell in rows[-1]):
        rows.pop()
    return rows


def _refuse_length(rows: list[list[Any]]) -> None:
    if not rows:
        raise UnreadableSpreadsheet("The sheet is empty: nothing stands in it.")
    if len(rows) > MOST_ROWS:
        raise UnreadableSpreadsheet(
            f"The sheet has {len(rows):,} rows; at most {MOST_ROWS:,} are read at once. Send it in parts."
        )


def _read_text(path: Path, name: str) -> Sheet:
    raw = path.read_bytes()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        text = raw.decode("utf-16", errors="replace")
    else:
        try:
            text = raw.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = raw.decode("cp1252", errors="replace")
    text = text.replace("\x00", "")
    first = text.split("\n", 1)[0]
    comma = max(",;\t", key=first.count)
    try:
        rows: list[list[Any]] = list(csv.reader(io.StringIO(text, newline=""), delimiter=comma))
    except csv.Error as problem:
        raise UnreadableSpreadsheet(f"The file cannot be read as lines of text: {problem}.") from problem
    _refuse_length(_cut_blank(rows))
    if max(len(row) for row in rows) > MOST_COLUMNS:
        raise UnreadableSpreadsheet(
            f"A row has more than {MOST_COLUMNS} columns; at most that many are read."
        )
    return Sheet(Path(name).name, (Path(name).name,), rows)
