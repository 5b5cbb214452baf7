"""Scoring: what an assessor's marks of one walk-around amount to, and what made it so.

Exact throughout: a score that only just reaches the pass mark reaches it, and none is rounded up to it.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum
from fractions import Fraction

from .scoring_words import reasons_for


class Mark(StrEnum):
    """What was seen at one point. Missed means never done; the other three were done."""

    UNPROMPTED = "unprompted"
    PROMPTED = "prompted"
    MISSED = "missed"
    UNSAFE = "unsafe"

    @property
    def worth(self) -> Fraction:
        """The share of the point's weight that the mark earns, 0 to 1 (the register's own scale)."""
        return _WORTH[self]

    @property
    def is_done(self) -> bool:
        return self is not Mark.MISSED


_WORTH = {
    Mark.UNPROMPTED: Fraction(1),
    Mark.PROMPTED: Fraction(1, 2),
    Mark.MISSED: Fraction(0),
    Mark.UNSAFE: Fraction(0),
}

# For comparing two assessors by steps: doing harm is further from doing it well than not doing it.
LEAST_FIRST = (Mark.UNSAFE, Mark.MISSED, Mark.PROMPTED, Mark.UNPROMPTED)


@dataclass(frozen=True, slots=True)
class SeenPoint:
    """One point that applies to the machine, and what was seen there; ``mark`` is ``None`` until it has one.

    ``order`` is the point's place in the order in which the assessor saw the points done. What was not done
    has no place. Raises ``ValueError`` where the facts do not fit together.
    """

    key: Hashable
    title: str
    weight: int
    is_critical: bool = False
    mark: Mark | None = None
    order: int | None = None

    def __post_init__(self) -> None:
        if self.weight not in (1, 2, 3):
            raise ValueError(f"{self.title}: a point weighs 1, 2 or 3, not {self.weight}.")
        if self.is_done != (self.order is not None):
            told = "was done but has no place" if self.is_done else "was not done but has a place"
            raise ValueError(f"{self.title} {told} in the order seen.")

    @property
    def is_done(self) -> bool:
        return self.mark is not None and self.mark.is_done

    @property
    def is_failed(self) -> bool:
        return self.mark in (Mark.MISSED, Mark.UNSAFE)


@dataclass(frozen=True, slots=True)
class Pair:
    """A precedence: the point with the key ``earlier`` is done before the one with the key ``later``."""

    earlier: Hashable
    later: Hashable
    is_safety: bool
    why: str = ""

    def __post_init__(self) -> None:
        if self.earlier == self.later:
            raise ValueError("A precedence joins two points.")


class Broken(StrEnum):
    """How a precedence was broken."""

    OUT_OF_ORDER = "out_of_order"
    EARLIER_NEVER_DONE = "earlier_never_done"


@dataclass(frozen=True, slots=True)
class Breach:
    """A precedence that was broken, with its two points. Only a safety precedence decides the outcome."""

    pair: Pair
    how: Broken
    earlier: SeenPoint
    later: SeenPoint


@dataclass(frozen=True, slots=True)
class Line:
    """One point's part in the score: ``earned`` out of its weight, and ``cost``, the share of the whole
    score that it lost. Both are ``None`` while the point has no mark."""

    point: SeenPoint
    earned: Fraction | None
    cost: Fraction | None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What the marks amount to. ``score`` and ``pass_mark`` are shares, 0 to 1.

    While points are unmarked the score is that of the marked ones so far and nobody is found competent.
    """

    score: Fraction | None
    pass_mark: Fraction
    lines: tuple[Line, ...]
    unmarked: tuple[SeenPoint, ...]
    failed_criticals: tuple[SeenPoint, ...]
    breaches: tuple[Breach, ...]

    @property
    def is_final(self) -> bool:
        """Every point that applies has a mark, and there is at least one."""
        return bool(self.lines) and not self.unmarked

    @property
    def reaches_pass_mark(self) -> bool:
        return self.score is not None and self.score >= self.pass_mark

    @property
    def safety_breaches(self) -> tuple[Breach, ...]:
        return tuple(breach for breach in self.breaches if breach.pair.is_safety)

    @property
    def is_competent(self) -> bool:
        return (
            self.is_final
            and self.reaches_pass_mark
            and not self.failed_criticals
            and not self.safety_breaches
        )

    @property
    def margin(self) -> Fraction | None:
        """How far the score is above the pass mark, as a share; below zero where it falls short."""
        return None if self.score is None else self.score - self.pass_mark

    @property
    def earned(self) -> Fraction:
        return sum((line.earned for line in self.lines if line.earned is not None), Fraction(0))

    @property
    def weighed(self) -> int:
        """The weights of the marked points together."""
        return sum(line.point.weight for line in self.lines if line.earned is not None)

    @property
    def reasons(self) -> tuple[str, ...]:
        """What made the result, in sentences; what decided it comes first."""
        return reasons_for(self)

    def as_plain(self) -> dict[str, object]:
        """Values that JSON can hold, to be stored with the assessment; shares as exact text, such as 8/11."""
        return {
            "score": None if self.score is None else str(self.score),
            "pass_mark": str(self.pass_mark),
            "is_final": self.is_final,
            "is_competent": self.is_competent,
            "points": [_line_as_plain(line) for line in self.lines],
            "unmarked": [_key(point.key) for point in self.unmarked],
            "failed_criticals": [_key(point.key) for point in self.failed_criticals],
            "breaches": [
                {
                    "earlier": _key(breach.pair.earlier),
                    "later": _key(breach.pair.later),
                    "is_safety": breach.pair.is_safety,
                    "how": breach.how.value,
                    "why": breach.pair.why,
                }
                for breach in self.breaches
            ],
            "reasons": list(self.reasons),
        }


def outcome(points: Iterable[SeenPoint], pairs: Iterable[Pair], pass_mark: Fraction | Decimal) -> Outcome:
    """What the marks amount to: the sum of weight times mark, over the sum of the weights.

    Competent when every point has a mark, the score reaches ``pass_mark`` (a share above 0, at most 1), no
    critical point is missed or unsafe, and no safety precedence is broken. A pair with a point that does
    not apply is passed over. Raises ``ValueError`` for a pass mark that is no share, and for two points with
    one key or one place in the order. Source: the register's practical assessment rule.
    """
    applying = tuple(points)
    needed = Fraction(pass_mark)
    if not 0 < needed <= 1:
        raise ValueError(f"A pass mark is a share above 0 and at most 1, not {pass_mark}.")
    by_key = {point.key: point for point in applying}
    if len(by_key) < len(applying):
        raise ValueError("A point is listed twice.")
    places = [point.order for point in applying if point.order is not None]
    if len(set(places)) < len(places):
        raise ValueError("Two points have the same place in the order seen.")
    marked = [point for point in applying if point.mark is not None]
    weighed = sum(point.weight for point in marked)
    lines = tuple(_line(point, weighed) for point in applying)
    earned = sum((line.earned for line in lines if line.earned is not None), Fraction(0))
    return Outcome(
        score=earned / weighed if weighed else None,
        pass_mark=needed,
        lines=lines,
        unmarked=tuple(point for point in applying if point.mark is None),
        failed_criticals=tuple(point for point in applying if point.is_critical and point.is_failed),
        breaches=tuple(_breaches(by_key, pairs)),
    )


def _line(point: SeenPoint, weighed: int) -> Line:
    if point.mark is None:
        return Line(point, None, None)
    earned = point.weight * point.mark.worth
    return Line(point, earned, (point.weight - earned) / weighed)


def _breaches(by_key: Mapping[Hashable, SeenPoint], pairs: Iterable[Pair]) -> Iterable[Breach]:
    for pair in pairs:
        earlier, later = by_key.get(pair.earlier), by_key.get(pair.later)
        if earlier is None or later is None or later.order is None:
            continue
        if earlier.mark is Mark.MISSED:
            yield Breach(pair, Broken.EARLIER_NEVER_DONE, earlier, later)
        elif earlier.order is not None and earlier.order > later.order:
            yield Breach(pair, Broken.OUT_OF_ORDER, earlier, later)


def _line_as_plain(line: Line) -> dict[str, object]:
    return {
        "key": _key(line.point.key),
        "title": line.point.title,
        "weight": line.point.weight,
        "is_critical": line.point.is_critical,
        "mark": None if line.point.mark is None else line.point.mark.value,
        "order": line.point.order,
        "earned": None if line.earned is None else str(line.earned),
        "cost": None if line.cost is None else str(line.cost),
    }


def _key(key: Hashable) -> int | str:
    return key if isinstance(key, int) else str(key)
