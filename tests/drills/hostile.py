"""What a hostile visitor sends: texts, files, headers and bodies, small enough to be shrunk and named."""

import io
import json
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st
from openpyxl import Workbook
from PIL import Image

# Where an answer of HTML holds this as it stands, what was typed was not escaped.
MARKER = "<fuzz-marker>"

TEXTS = (
    "",
    " ",
    "\x00",
    "a\x00b",
    "\ud800",
    "x" * 300,
    "9" * 5000,
    "\u202eright to left\u202c",
    "\u200b\ufeff\u0301\u0301\u0301",
    '=cmd|" /C calc"!A0',
    "@SUM(1)",
    f"{MARKER}<script>alert(1)</script>",
    f'"onmouseover="x" {MARKER}',
    f"'{MARKER}--",
    "' OR '1'='1",
    "'; DROP TABLE competence_ticket; --",
    "%27%20OR%201=1",
    "../../../../etc/passwd",
    "..\\..\\x",
    "{{ 7|add:7 }}{% debug %}",
    "%s%n{0.__class__}",
    "\r\nSet-Cookie: a=b",
    "javascript:alert(1)",
    "//elsewhere.example/",
    "٣",
    "½",
    "²",
    "１２",
    "é\u0000é",
    "\x1b[2J",
    "😀" * 50,
)
NUMBERS = (
    "0",
    "-1",
    "-0",
    "1e400",
    "NaN",
    "nan",
    "Infinity",
    "-Infinity",
    "sNaN",
    "1_000",
    "0x10",
    "1,5",
    "99999999999999999999999",
    "-9223372036854775809",
    "2147483648",
    "1e-400",
    "0.1234567890123456789",
    "1E+999999",
    "1" * 60,
)
DAYS = (
    "0000-00-00",
    "0001-01-01",
    "9999-12-31",
    "2026-02-30",
    "2026-13-01",
    "10000-01-01",
    "2026-11-25T99:99",
    "0001-01-01T00:00",
    "9999-12-31T23:59",
    "2026-03-29T02:30",
    "2026-11-25T10:00+99:99",
    "2026-W01-1",
    "25/11/2026",
)
SCALARS: tuple[Any, ...] = (
    None,
    True,
    [],
    {},
    "",
    -1,
    0,
    10**30,
    1.5,
    float("nan"),
    float("inf"),
    MARKER,
    "\x00",
    "\ud800",
    [[[]]],
    {"a": {"b": []}},
)
HEADERS = (
    ("HTTP_X_FORWARDED_FOR", "1.2.3.4, <fuzz-marker>"),
    ("HTTP_X_FORWARDED_FOR", "\x00" * 4),
    ("HTTP_X_FORWARDED_FOR", "9" * 4000),
    ("HTTP_X_REQUEST_ID", "<fuzz-marker>"),
    ("HTTP_X_REQUEST_ID", "a" * 4000),
    ("HTTP_X_REQUEST_ID", "{0.__class__}"),
    ("HTTP_HOST", "elsewhere.example"),
    ("HTTP_HOST", "127.0.0.1:99999999"),
    ("HTTP_HOST", "<fuzz-marker>"),
    ("HTTP_ACCEPT_LANGUAGE", "de;q=nan,*;q=9," + "x-" * 500),
    ("HTTP_ACCEPT_LANGUAGE", "\x00"),
    ("HTTP_ACCEPT", "application/json"),
    ("HTTP_ACCEPT", "*/*;q=<fuzz-marker>"),
    ("HTTP_REFERER", "javascript:<fuzz-marker>"),
    ("HTTP_IF_MODIFIED_SINCE", "Sat, 99 Foo 99999 99:99:99 GMT"),
    ("HTTP_IF_NONE_MATCH", '"' * 99),
    ("HTTP_RANGE", "bytes=99999999999999999999-"),
    ("HTTP_AUTHORIZATION", "Bearer \xff\x00"),
    ("HTTP_X_FORWARDED_PROTO", "ftp"),
    ("HTTP_HX_REQUEST", "true"),
)
COOKIES = (
    ("sessionid", "' OR 1=1"),
    ("sessionid", "x" * 4000),
    ("theme", "<fuzz-marker>"),
    ("theme", "dark\\000"),
    ("csrftoken", "\\377"),
    ("messages", '[["__json_message",0,99,"<fuzz-marker>"]]'),
)
METHODS = ("HEAD", "OPTIONS", "PUT", "DELETE", "PATCH", "TRACE", "FUZZ")
TYPES = (
    "application/json",
    "application/xml",
    "text/plain",
    "multipart/form-data",
    "multipart/form-data; boundary=",
    "multipart/form-data; boundary=\x00",
    "application/x-www-form-urlencoded; charset=utf-7",
    "application/x-www-form-urlencoded; charset=nowhere",
    "application/json; charset=utf-16",
    "",
    "/",
)
NAMES = (
    "../../../etc/passwd",
    "..\\x.csv",
    "\x00.jpg",
    "<fuzz-marker>.csv",
    "x" * 400 + ".xlsx",
    ".",
    "",
    "=cmd.csv",
    "\u202egpj.exe",
    'a"b\r\nX: y.png',
    "con.ods",
)

texts = st.one_of(
    st.sampled_from(TEXTS),
    st.sampled_from(NUMBERS),
    st.sampled_from(DAYS),
    st.text(max_size=12),
    st.just("x" * 40_000),
)
nested = st.integers(1, 3).map(lambda size: "[" * (10 ** (size + 1)))
values = st.recursive(
    st.one_of(st.sampled_from(SCALARS), st.text(max_size=6), st.integers(), st.floats()),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=6), inner, max_size=3)
    ),
    max_leaves=6,
)


@dataclass(frozen=True)
class Upload:
    """A file as it is sent."""

    name: str
    content: bytes
    content_type: str = "application/octet-stream"

    def __repr__(self) -> str:
        return f"Upload({self.name!r}, {len(self.content)} bytes beginning {self.content[:24]!r})"


def pictures() -> list[Upload]:
    seeds = []
    for kind in ("JPEG", "PNG", "GIF", "BMP", "TIFF", "WEBP"):
        kept = io.BytesIO()
        Image.new("RGB", (9, 7), "grey").save(kept, kind)
        seeds.append(Upload(f"seen.{kind.lower()}", kept.getvalue(), f"image/{kind.lower()}"))
    png = bytearray(seeds[1].content)
    # A picture of 60,000 by 60,000 in a few bytes: the header says so.
    png[16:24] = (60_000).to_bytes(4) * 2
    drawn = b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"><script>1</script></svg>'
    return [*seeds, Upload("bomb.png", bytes(png)), Upload("drawn.svg", drawn, "image/svg+xml")]


def workbooks() -> list[Upload]:
    book, kept = Workbook(), io.BytesIO()
    rows = [
        ["Operator number", "Name", "Category", "Expires"],
        ["A1", "Ada Ashworth", "Dumper", "2027-03-01"],
        ["A2", f"=1+1{MARKER}", "Roller", 46351],
    ]
    for row in rows:
        book.active.append(row)
    book.active.merge_cells("B2:C2")
    book.save(kept)
    text = "\r\n".join(",".join(str(cell) for cell in row) for row in rows).encode()
    return [
        Upload("old.xlsx", kept.getvalue()),
        Upload("old.ods", _packed({"mimetype": b"application/vnd.oasis", "content.xml": ODS.encode()})),
        Upload("old.csv", text, "text/csv"),
        Upload("bomb.xlsx", _packed({"xl/workbook.xml": b"<x/>", "xl/worksheets/s.xml": bytes(8_000_000)})),
        Upload("usage.csv", b"machine,started,ended,hours\r\nM1,2026-11-25T06:00,2026-11-25T14:00,8\r\n"),
    ]


ODS = (
    '<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" '
    'xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" '
    'xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"><office:body><office:spreadsheet>'
    '<table:table table:name="One"><table:table-row><table:table-cell office:value-type="string">'
    "<text:p>Operator number</text:p></table:table-cell></table:table-row></table:table>"
    "</office:spreadsheet></office:body></office:document-content>"
)
INNER = (
    b"",
    b"<",
    b'<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;&a;">]><x>&b;</x>',
    b'<!DOCTYPE x SYSTEM "file:///etc/passwd"><x/>',
    b"\xff\xfe<\x00",
    b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData><row r="1">'
    b'<c r="XFD99999999" t="s"><v>99999999</v></c></row></sheetData></worksheet>',
    b"{}",
    b"[" * 5000,
)


def _packed(parts: Mapping[str, bytes]) -> bytes:
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    return kept.getvalue()


@st.composite
def mutated(draw: Any, seeds: Sequence[Upload]) -> Upload:
    """One of the files, as it is or damaged: bytes turned, cut short, a part of the packed file replaced."""
    seed = draw(st.sampled_from(seeds))
    content = bytearray(seed.content)
    how = draw(st.sampled_from(("as it is", "turned", "cut", "part", "doubled", "noise")))
    if how == "turned" and content:
        for place in draw(st.lists(st.integers(0, len(content) - 1), min_size=1, max_size=8)):
            content[place] ^= draw(st.integers(1, 255))
    elif how == "cut":
        del content[draw(st.integers(0, len(content))) :]
    elif how == "part" and zipfile.is_zipfile(io.BytesIO(content)):
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            parts = {name: packed.read(name) for name in packed.namelist()}
        chosen = draw(st.sampled_from(sorted(parts)))
        parts[chosen] = draw(st.one_of(st.sampled_from(INNER), st.binary(max_size=20)))
        if draw(st.booleans()):
            parts[draw(st.sampled_from(("../../escaped", "/etc/escaped", "a\\b", "x" * 300)))] = b"x"
        content = bytearray(_packed(parts))
    elif how == "doubled":
        content = content * 2
    elif how == "noise":
        content = bytearray(draw(st.binary(max_size=60)))
    name = draw(st.one_of(st.just(seed.name), st.sampled_from(NAMES)))
    return Upload(name, bytes(content), draw(st.sampled_from((seed.content_type, "image/jpeg", "text/html"))))


def as_json(value: Any) -> bytes:
    """As a careless program writes it: NaN and lone surrogates go through."""
    return json.dumps(value).encode()


def as_multipart(fields: Sequence[tuple[str, str | Upload]], boundary: bytes = b"-fuzz-") -> bytes:
    body = b""
    for name, value in fields:
        heading = b'Content-Disposition: form-data; name="' + _octets(name) + b'"'
        content = value.content if isinstance(value, Upload) else _octets(value)
        if isinstance(value, Upload):
            heading += b'; filename="' + _octets(value.name) + b'"\r\nContent-Type: '
            heading += value.content_type.encode()
        body += b"--" + boundary + b"\r\n" + heading + b"\r\n\r\n" + content + b"\r\n"
    return body + b"--" + boundary + b"--\r\n"


def _octets(text: str) -> bytes:
    return text.encode("utf-8", "surrogatepass")
