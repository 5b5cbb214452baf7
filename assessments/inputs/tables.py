"""Tables of text, as spreadsheets write them."""

import csv
from pathlib import Path


def lines_of(file: Path, *, refused: type[ValueError]) -> list[tuple[int, list[str]]]:
    """The rows that are not blank, each with its line in the file; there is at least one.

    Columns are parted by commas, or by semicolons or tabs where the header has no comma. Raises ``refused``
    with one line for people.
    """
    not_text = f"{file.name} is not a table of text: save it as CSV in UTF-8."
    try:
        # As spreadsheets write it: sometimes with a byte order mark.
        with file.open(encoding="utf-8-sig", newline="") as opened:
            header = opened.readline()
            opened.seek(0)
            reader = csv.reader(opened, delimiter=_delimiter(header), strict=True)
            lines = [(reader.line_num, [cell.strip() for cell in row]) for row in reader]
    except OSError as problem:
        raise refused(f"{file} could not be read: {problem.strerror}.") from problem
    except (UnicodeDecodeError, csv.Error) as problem:
        raise refused(not_text) from problem
    lines = [(line, cells) for line, cells in lines if any(cells)]
    if not lines:
        raise refused(f"{file.name} is empty.")
    if any("\0" in cell for _, cells in lines for cell in cells):
        raise refused(not_text)
    return lines


def _delimiter(header: str) -> str:
    if "," in header:
        return ","
    return next((mark for mark in ";\t" if mark in header), ",")
