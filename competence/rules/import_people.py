"""What the rows of an old spreadsheet say together: of one person, of one ticket, and under one name.

A row that says otherwise than an earlier one, or another of the same ticket, is left out and says why.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from .import_rows import Line, Same
from .spreadsheet_columns import as_text, folded

PERSON_FIELDS = ("given_name", "family_name", "employer", "site", "started_on")
FIELD_WORDS = {
    "given_name": "the given name",
    "family_name": "the family name",
    "employer": "the employer",
    "site": "the site",
    "started_on": "the first day at work",
}


@dataclass(slots=True)
class Person:
    """What the file says of one number, from all its rows without a problem: the first that says it."""

    number: str
    first_row: int
    given_name: str = ""
    family_name: str = ""
    employer: str = ""
    site: str = ""
    started_on: date | None = None
    earliest: date | None = None

    @property
    def name(self) -> str:
        return f"{self.given_name} {self.family_name}".strip()


def people_of(lines: Sequence[Line]) -> dict[str, Person]:
    """What the file says of each number. A row that says otherwise than an earlier one gets that problem."""
    people: dict[str, Person] = {}
    for line in lines:
        if line.problems:
            continue
        person = people.get(line.number)
        if person is None:
            person = people[line.number] = Person(line.number, line.row)
        _take_up(person, line)
    return people


def _take_up(person: Person, line: Line) -> None:
    for name in PERSON_FIELDS:
        said, before = getattr(line, name), getattr(person, name)
        if said and before and said != before and not _is_same(said, before):
            line.problems.append(
                f"Row {person.first_row} says {FIELD_WORDS[name]} of {person.number} is "
                f"{as_text(before)}; this row says {as_text(said)}."
            )
    if line.problems:
        return
    for name in PERSON_FIELDS:
        if not getattr(person, name):
            setattr(person, name, getattr(line, name))
    person.earliest = min([*line.days, *([person.earliest] if person.earliest else [])], default=None)


def _is_same(said: Any, before: Any) -> bool:
    return isinstance(said, str) and isinstance(before, str) and folded(said) == folded(before)


def refuse_contradictions(lines: Sequence[Line]) -> list[tuple[Line, int]]:
    """Rows about one ticket that do not say the same are all left out; which is right, somebody must say.

    Returns the lines that repeat an earlier one word for word, with that one's row."""
    about: dict[tuple[str, str], list[Line]] = defaultdict(list)
    for line in lines:
        if line.has_ticket and not line.problems:
            about[line.number, line.category].append(line)
    repeats = []
    for same in about.values():
        if len(same) == 1:
            continue
        if len({(line.level, line.first_day, line.last_day) for line in same}) == 1:
            repeats += [(line, same[0].row) for line in same[1:]]
            continue
        for line in same:
            others = ", ".join(str(other.row) for other in same if other is not line)
            line.problems.append(f"Row {others} says otherwise about the same ticket; leave only what is so.")
    return repeats


def one_name_two_numbers(
    people: Iterable[tuple[str, str]], known: Iterable[tuple[str, str]], decided: Iterable[Same]
) -> list[tuple[str, str]]:
    """Pairs of numbers under one name that nobody has decided about: both of the file, or one of the file and
    one of the register. ``people`` and ``known``: (number, name). Two of the register are its own affair."""
    settled = {frozenset(one.numbers) for one in decided}
    in_register, by_name = {}, defaultdict(list)
    for number, name in known:
        in_register[number] = folded(name)
        by_name[folded(name)].append(number)
    for number, name in people:
        if number not in in_register and name:
            by_name[folded(name)].append(number)
    pairs = []
    for numbers in by_name.values():
        for place, second in enumerate(numbers):
            if second in in_register:
                continue
            pairs += [
                (first, second)
                for first in numbers[:place]
                if first != second and frozenset((first, second)) not in settled
            ]
    return pairs
