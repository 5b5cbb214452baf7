"""What each row of an old spreadsheet says, in the register's words; and what is wrong or doubtful about it.

Nothing here knows what the register holds. A row with a problem is left out, whole, and says why; a remark is
about something that was read in one way and could have been meant in another.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from .spreadsheet_columns import DAYS, ENDS, Part, as_text, category_in, folded, level_of, split_name
from .spreadsheet_dates import Century, Order, UnreadableDay, end_in_note, is_nothing, read_day

NUMBER = re.compile(r"^[A-Z0-9][A-Z0-9-]{0,16}$")
LONGEST_NAME, LONGEST_MODEL = 80, 120
# What stands for "keep aside" among the values that somebody decided.
ASIDE = ""


@dataclass(frozen=True, slots=True)
class Same:
    """What somebody decided of two numbers under one name: one person, to be known by ``use``; or, with
    ``use`` empty, two people."""

    numbers: tuple[str, str]
    use: str = ""


@dataclass(frozen=True, slots=True)
class Meaning:
    """How the file is to be read: the part of each column, the order and century of days by column, and what
    its words for categories, sites, employers and levels mean here (by folded word; keys of the register)."""

    parts: tuple[Part, ...]
    orders: Mapping[int, Order] = field(default_factory=dict)
    centuries: Mapping[int, Century] = field(default_factory=dict)
    categories: Mapping[str, str] = field(default_factory=dict)
    sites: Mapping[str, str] = field(default_factory=dict)
    employers: Mapping[str, str] = field(default_factory=dict)
    levels: Mapping[str, str] = field(default_factory=dict)
    same: tuple[Same, ...] = ()
    is_1904: bool = False


@dataclass(slots=True)
class Line:
    """One person and, where there is one, one category: a row, or one column of a wide row."""

    row: int
    number: str = ""
    given_name: str = ""
    family_name: str = ""
    employer: str = ""
    site: str = ""
    started_on: date | None = None
    category: str = ""
    level: str = ""
    first_day: date | None = None
    last_day: date | None = None
    medical_on: date | None = None
    medical_to: date | None = None
    induction_on: date | None = None
    model: str = ""
    model_on: date | None = None
    problems: list[str] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        return f"{self.given_name} {self.family_name}".strip()

    @property
    def has_ticket(self) -> bool:
        return bool(self.category)

    @property
    def days(self) -> list[date]:
        """The days in the past that the line tells of the person."""
        return [d for d in (self.first_day, self.medical_on, self.induction_on, self.model_on) if d]


def read_lines(
    rows: Iterable[tuple[int, Sequence[Any]]],
    meaning: Meaning,
    headings: Sequence[str],
    *,
    formulas: frozenset[tuple[int, int]] = frozenset(),
    merged: frozenset[tuple[int, int]] = frozenset(),
) -> Iterator[Line]:
    """The lines of each row that is not blank, in order. ``rows``: sheet row (from 1) and cells."""
    reader = _Reader(meaning, headings)
    for number, cells in rows:
        if all(is_nothing(cell) for cell in cells):
            continue
        lines = reader.lines(number, cells)
        _tell_of_cells(lines, number, cells, meaning, headings, formulas, merged)
        yield from lines


def _tell_of_cells(
    lines: Sequence[Line],
    number: int,
    cells: Sequence[Any],
    meaning: Meaning,
    headings: Sequence[str],
    formulas: frozenset[tuple[int, int]],
    merged: frozenset[tuple[int, int]],
) -> None:
    """A formula is read as the value that was last worked out; one that has none must not pass as blank."""
    if not formulas and not merged:
        return
    for place, part in enumerate(meaning.parts):
        if part is Part.NOTHING:
            continue
        heading = headings[place] if place < len(headings) else ""
        cell = (number, place)
        if cell in formulas and (place >= len(cells) or cells[place] in ("", None)):
            for line in lines:
                line.problems.append(f"“{heading}” is a formula without a value: put the value in.")
        elif cell in formulas:
            for line in lines:
                line.remarks.append(f"“{heading}” is a formula; its value was read: {as_text(cells[place])}.")
        elif cell in merged:
            for line in lines:
                line.remarks.append(
                    f"“{heading}” is one merged cell over several; its value was read for each."
                )


class _Reader:
    """Reads rows by one meaning."""

    def __init__(self, meaning: Meaning, headings: Sequence[str]) -> None:
        self.meaning, self.headings = meaning, headings
        self.places: dict[Part, int] = {}
        self.notes: list[int] = []
        self.wide: list[tuple[int, str]] = []
        for place, part in enumerate(meaning.parts):
            if part is Part.NOTES:
                self.notes.append(place)
            elif part is Part.TICKET_TO:
                self.wide.append((place, category_in(headings[place])))
            elif part is not Part.NOTHING:
                self.places[part] = place
        self.renamed = {
            number: decided.use
            for decided in meaning.same
            if decided.use
            for number in decided.numbers
            if number != decided.use
        }

    def lines(self, row: int, cells: Sequence[Any]) -> list[Line]:
        line = Line(row)
        self._person(line, cells)
        self._days(line, cells)
        self._rest(line, cells)
        if not self.wide:
            self._ticket(line, cells)
            return [line]
        return self._wide(line, cells)

    def _cell(self, part: Part, cells: Sequence[Any]) -> Any:
        place = self.places.get(part)
        return None if place is None or place >= len(cells) else cells[place]

    def _text(self, part: Part, cells: Sequence[Any]) -> str:
        return as_text(self._cell(part, cells))

    def _person(self, line: Line, cells: Sequence[Any]) -> None:
        number = self._text(Part.NUMBER, cells).upper().replace(" ", "")
        if not number:
            line.problems.append("There is no operator number.")
        elif not NUMBER.match(number):
            line.problems.append(
                f"“{number[:30]}” is no operator number: capital letters, digits and hyphens, at most 17."
            )
        if number in self.renamed:
            line.remarks.append(f"{number} is the same person as {self.renamed[number]}, as was decided.")
            number = self.renamed[number]
        line.number = number[:20]
        line.given_name = self._text(Part.GIVEN_NAME, cells)
        line.family_name = self._text(Part.FAMILY_NAME, cells)
        whole = self._text(Part.NAME, cells)
        if whole and not (line.given_name or line.family_name):
            if (names := split_name(whole)) is None:
                line.problems.append(f"“{whole[:40]}” is one word; a given and a family name are needed.")
            else:
                line.given_name, line.family_name = names
        if max(len(line.given_name), len(line.family_name)) > LONGEST_NAME:
            line.problems.append(f"The name is longer than {LONGEST_NAME} letters.")
        line.employer = self._value(line, Part.EMPLOYER, cells, self.meaning.employers, "employer")
        line.site = self._value(line, Part.SITE, cells, self.meaning.sites, "site")

    def _value(
        self, line: Line, part: Part, cells: Sequence[Any], known: Mapping[str, str], word: str
    ) -> str:
        said = self._text(part, cells)
        if is_nothing(said):
            return ""
        return self._meant(line, said, known, word)

    def _meant(self, line: Line, said: str, known: Mapping[str, str], word: str) -> str:
        key = known.get(folded(said))
        if key is None or key == ASIDE:
            why = "is not decided yet: say what it means" if key is None else "was kept aside"
            line.problems.append(f"The {word} “{said[:40]}” {why}, on the page of values.")
            return ""
        return key

    def _day(self, line: Line, part: Part, cells: Sequence[Any], place: int | None = None) -> date | None:
        place = self.places.get(part) if place is None else place
        if place is None or place >= len(cells):
            return None
        try:
            return read_day(
                cells[place],
                order=self.meaning.orders.get(place),
                century=self.meaning.centuries.get(place),
                is_end=part in ENDS,
                is_1904=self.meaning.is_1904,
            )
        except UnreadableDay as problem:
            line.problems.append(f"{self.headings[place]}: {problem}")
            return None

    def _days(self, line: Line, cells: Sequence[Any]) -> None:
        for part in self.places:
            if part in DAYS:
                setattr(line, part.value, self._day(line, part, cells))
        if line.medical_on and line.medical_to and line.medical_to < line.medical_on:
            line.problems.append("The medical stops counting before the day it was done.")

    def _rest(self, line: Line, cells: Sequence[Any]) -> None:
        line.model = self._text(Part.MODEL, cells)
        if is_nothing(line.model):
            line.model = ""
        if len(line.model) > LONGEST_MODEL:
            line.problems.append(f"Make and model is longer than {LONGEST_MODEL} letters.")
        if line.model_on and not line.model:
            line.problems.append("There is a day of a familiarisation and no make and model.")
        if line.induction_on and not line.site and Part.SITE not in self.places:
            line.problems.append("There is a day of an induction and no site.")

    def _ticket(self, line: Line, cells: Sequence[Any]) -> None:
        said = self._text(Part.CATEGORY, cells)
        if not is_nothing(said):
            line.category = self._meant(line, said, self.meaning.categories, "category")
        self._level(line, cells)
        self._end_in_notes(line, cells)
        if is_nothing(said) and (line.first_day or line.last_day):
            line.problems.append("There is a day of a ticket and no category.")
        if line.category and not (line.first_day or line.last_day):
            line.problems.append("The ticket has neither a first nor a last day.")
        if line.first_day and line.last_day and line.last_day < line.first_day:
            line.problems.append("The ticket's last day is before its first day.")

    def _level(self, line: Line, cells: Sequence[Any]) -> None:
        said = self._text(Part.LEVEL, cells)
        if is_nothing(said):
            if line.category and Part.LEVEL in self.places:
                line.problems.append("The level of the ticket is missing: full, or trainee.")
            line.level = "full" if line.category else ""
            return
        level = self.meaning.levels.get(folded(said)) or level_of(said)
        if level not in ("full", "trainee"):
            line.problems.append(f"“{said[:40]}” is no level this register knows: full, or trainee.")
            return
        line.level = level

    def _end_in_notes(self, line: Line, cells: Sequence[Any]) -> None:
        for place in self.notes:
            note = as_text(cells[place]) if place < len(cells) else ""
            if not (said := end_in_note(note)):
                continue
            try:
                end = read_day(
                    said,
                    order=self.meaning.orders.get(place),
                    century=self.meaning.centuries.get(place),
                    is_end=True,
                )
            except UnreadableDay as problem:
                line.problems.append(f"{self.headings[place]}: {problem}")
                continue
            if line.last_day is None and end:
                line.last_day = end
                line.remarks.append(f"The last day was read from the note “{note[:60]}”.")
            elif end and end != line.last_day:
                line.problems.append(f"The note “{note[:60]}” says another last day than the column.")

    def _wide(self, line: Line, cells: Sequence[Any]) -> list[Line]:
        """A line for each category with a last day; what they say of the person is the same."""
        self._level(line, cells)
        line.level = line.level or "full"
        lines = []
        for place, said in self.wide:
            if place >= len(cells) or is_nothing(cells[place]):
                continue
            one = replace(line, problems=list(line.problems), remarks=list(line.remarks))
            one.category = self._meant(one, said, self.meaning.categories, "category")
            one.last_day = self._day(one, Part.TICKET_TO, cells, place)
            lines.append(one)
        return lines or [line]
