"""What a digest says, to whom nothing is said now, and what was said before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import time
from enum import Enum
from typing import Any


class Section(Enum):
    """The parts of a digest, in the order in which they stand."""

    STOPPED = "Stop-use defects open at your sites"
    SHORT = "Where cover falls short"
    OWN_BOOKINGS = "Your assessments"
    TO_CONFIRM = "Waiting for you to confirm"
    OWN_ENDS = "What ends for you"
    BOOKED_WITH = "Booked with you"
    UNCONFIRMED = "Your assessments that wait for a confirmation"
    DUE = "Due at your sites"


@dataclass(frozen=True)
class Line:
    """One thing that concerns one account. ``thing`` names it for good; ``state`` is what makes it news when
    it differs from what was told before. ``title`` says whom or what it is about, ``words`` the rest.
    ``door`` and ``arguments`` name the page about it."""

    section: Section
    thing: str
    state: str
    title: str
    words: str
    door: str
    arguments: tuple[Any, ...] = ()


def news(lines: Iterable[Line], told: Mapping[str, str]) -> list[Line]:
    """The lines whose state was not told yet, by section; ``told``: the last state told of each thing.

    Of a thing that stands in two lines the first is told.
    """
    places = list(Section)
    first: dict[str, Line] = {}
    for line in lines:
        first.setdefault(line.thing, line)
    new = [line for line in first.values() if told.get(line.thing) != line.state]
    return sorted(new, key=lambda line: places.index(line.section))


def over(lines: Iterable[Line], told: Mapping[str, str]) -> set[str]:
    """Things told of that concern the account no more. Should one return, that is news again."""
    return set(told) - {line.thing for line in lines}


@dataclass(frozen=True)
class QuietHours:
    """From ``first`` until ``last``, over midnight where that is the later; the last minute is loud again."""

    first: time
    last: time

    @classmethod
    def read(cls, text: str) -> QuietHours | None:
        """From "20:00-05:00"; ``None`` for nothing written. Raises ``ValueError`` for anything else."""
        if not text.strip():
            return None
        first, dash, last = text.partition("-")
        if not dash:
            raise ValueError(f"{text} is not a time, a hyphen and a time, such as 20:00-05:00")
        return cls(time.fromisoformat(first.strip()), time.fromisoformat(last.strip()))

    def hold(self, clock: time) -> bool:
        if self.first <= self.last:
            return self.first <= clock < self.last
        return clock >= self.first or clock < self.last
