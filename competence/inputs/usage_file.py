"""A file of which machines worked: machine, date, shift and hours, one line a shift."""

import csv
import io
from dataclasses import dataclass, field
from datetime import date
from decimal import Decimal, InvalidOperation

COLUMNS = ("machine", "date", "shift", "hours")
SHIFTS = {"": "", "day": "day", "d": "day", "night": "night", "n": "night"}
MAX_BYTES = 2 * 1024 * 1024
MOST_LINES = 20_000
FIRST_YEAR = 2000


@dataclass(frozen=True)
class UsageLine:
    """One line that could be read; ``number``: where it stands in the file."""

    number: int
    machine: str
    on: date
    shift: str
    hours: Decimal


@dataclass
class UsageFile:
    """What a file says, and a sentence for every line that cannot be read."""

    lines: list[UsageLine] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)


def read_usage(content: bytes) -> UsageFile:
    """Read a usage file; never raises. Blank lines are passed over, and so is a line that repeats another
    word for word; two lines that say different hours of one shift are a problem."""
    found = UsageFile()
    if len(content) > MAX_BYTES:
        found.problems.append("The file is larger than 2 MB. Send it month by month.")
        return found
    try:
        rows = _rows(content)
    except (csv.Error, UnicodeDecodeError):
        found.problems.append("This is no file of text with commas. Save the sheet as CSV and send that.")
        return found
    places = _columns(rows[0][1]) if rows else {}
    missing = [name for name in COLUMNS if name not in places and name != "shift"]
    if missing:
        found.problems.append(
            f"The first line names the columns; {' and '.join(missing)} not found. "
            "It should read: machine,date,shift,hours"
        )
        return found
    if len(rows) > MOST_LINES:
        found.problems.append(f"The file has more than {MOST_LINES} lines. Send it month by month.")
        return found
    seen: dict[tuple[str, date, str], UsageLine] = {}
    for number, cells in rows[1:]:
        _read_line(found, seen, number, {name: _cell(cells, place) for name, place in places.items()})
    if not found.lines and not found.problems:
        found.problems.append("The file has a first line and nothing below it.")
    return found


def _rows(content: bytes) -> list[tuple[int, list[str]]]:
    """The lines that hold anything, each with its number. Spreadsheets of some countries write semicolons."""
    if b"\x00" in content:
        raise csv.Error("not text")
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("cp1252")
    first = text.lstrip().split("\n", 1)[0]
    delimiter = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    return [(reader.line_num, cells) for cells in reader if any(cell.strip() for cell in cells)]


def _columns(cells: list[str]) -> dict[str, int]:
    return {name: place for place, cell in enumerate(cells) if (name := cell.strip().casefold()) in COLUMNS}


def _cell(cells: list[str], place: int) -> str:
    return cells[place].strip() if place < len(cells) else ""


def _read_line(
    found: UsageFile, seen: dict[tuple[str, date, str], UsageLine], number: int, cells: dict[str, str]
) -> None:
    try:
        machine = cells["machine"].upper()
        if not machine:
            raise ValueError("no machine is named.")
        shift = SHIFTS.get(cells.get("shift", "").casefold())
        if shift is None:
            raise ValueError(f"the shift “{cells['shift'][:20]}” is none of day, night or nothing.")
        line = UsageLine(number, machine, _day(cells["date"]), shift, _hours(cells["hours"]))
    except ValueError as problem:
        found.problems.append(f"Line {number}: {problem}")
        return
    first = seen.setdefault((machine, line.on, shift), line)
    if first is line:
        found.lines.append(line)
    elif first.hours != line.hours:
        found.problems.append(
            f"Line {number}: {line.hours} hours; line {first.number} says {first.hours} of the same shift."
        )


def _day(text: str) -> date:
    try:
        day = date.fromisoformat(text) if len(text) == 10 else None
    except ValueError:
        day = None
    if day is None:
        # 3/4 is two days, by who writes it: it is asked for, not guessed.
        raise ValueError(f"the date “{text[:20]}” is not year, month and day, such as 2026-03-25.")
    if day.year < FIRST_YEAR:
        raise ValueError(f"the date {day} is before the year {FIRST_YEAR}.")
    return day


def _hours(text: str) -> Decimal:
    try:
        hours = Decimal(text.replace(",", "."))
    except InvalidOperation:
        hours = Decimal(-1)
    if not hours.is_finite() or not 0 <= hours <= 24:
        raise ValueError(f"the hours “{text[:20]}” are not a number from 0 to 24.")
    if hours != hours.quantize(Decimal("0.1")):
        raise ValueError(f"the hours “{text[:20]}” are finer than a tenth.")
    return hours.quantize(Decimal("0.1"))
