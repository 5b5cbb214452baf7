"""What runs out, as a table for a spreadsheet."""

import csv
import io
from collections.abc import Iterable

from assessments.rules.end_lines import KIND_WORDS, End
from competence.outputs.typed_sheets import LIKE_A_FORMULA

COLUMNS = (
    "Operator number",
    "Name",
    "Employer",
    "Site",
    "Kind",
    "What ends",
    "Needed for",
    "Last day",
    "Consequence",
    "Booked for",
    "Passed on, ready to renew",
)


def plain_cell(text: str) -> str:
    """The text as a spreadsheet will show it and never run it: an apostrophe before what looks like a
    formula."""
    return f"'{text}" if text.startswith(LIKE_A_FORMULA) else text


def end_table(rows: Iterable[End]) -> bytes:
    """The rows as RFC 4180 has it: a heading line, commas, CRLF, quotes where they are needed. UTF-8 with a
    byte order mark, by which spreadsheets know it."""
    kept = io.StringIO()
    writer = csv.writer(kept, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        cells = (
            row.number or row.account,
            row.name,
            row.employer,
            row.site,
            KIND_WORDS[row.kind],
            row.what,
            row.needed_for,
            row.on.isoformat(),
            row.consequence.words if row.consequence else "",
            row.booked_on.isoformat() if row.booked_on else "",
            row.passed_on.isoformat() if row.passed_on else "",
        )
        writer.writerow([plain_cell(cell) for cell in cells])
    return kept.getvalue().encode("utf-8-sig")
