"""Agreement: how alike two raters marked the same points, beyond what chance alone would bring.

Worked in whole numbers and fractions up to the last square root, so that "no value" is decided exactly.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from math import sqrt
from statistics import NormalDist

Table = tuple[tuple[int, ...], ...]
Z_95 = NormalDist().inv_cdf(0.975)


class Weighting(StrEnum):
    """How much a disagreement counts: all alike, by steps between the marks, or by steps squared."""

    NONE = "none"
    LINEAR = "linear"
    QUADRATIC = "quadratic"

    def distances(self, size: int) -> Table:
        """The disagreement that each cell of a table of ``size`` categories stands for."""
        power = {Weighting.NONE: 0, Weighting.LINEAR: 1, Weighting.QUADRATIC: 2}[self]
        return tuple(
            tuple(abs(row - column) ** power if row != column else 0 for column in range(size))
            for row in range(size)
        )


@dataclass(frozen=True, slots=True)
class DoubleMark:
    """The two raters' marks at one point; ``None`` where one has not marked it."""

    key: Hashable
    title: str
    first: str | None
    second: str | None
    zone: str = ""


@dataclass(frozen=True, slots=True)
class Kappa:
    """A kappa with its large-sample standard error and 95 % interval, or why there is none, in words.

    Where ``value`` is ``None``, ``why_not`` says why. Where only the interval is, ``why_not`` speaks of that.
    The interval is cut off at 1 and at -1.
    """

    value: float | None
    standard_error: float | None = None
    interval: tuple[float, float] | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A point that the raters marked differently, and how many steps apart; no steps without an order."""

    mark: DoubleMark
    steps: int | None


@dataclass(frozen=True, slots=True)
class Agreement:
    """Two raters' marks compared. ``table`` counts the points by the first rater's category (rows) and the
    second's (columns), in the order of ``categories``. Weighted kappas are ``None`` without an order.

    ``left_out`` are the points that only one of them, or neither, has marked.
    """

    categories: tuple[str, ...]
    table: Table
    kappa: Kappa
    linear: Kappa | None
    quadratic: Kappa | None
    disagreements: tuple[Disagreement, ...]
    left_out: tuple[DoubleMark, ...]

    @property
    def compared(self) -> int:
        return sum(map(sum, self.table))

    @property
    def agreed(self) -> int:
        return sum(self.table[n][n] for n in range(len(self.categories)))

    @property
    def share_agreed(self) -> Fraction | None:
        """0 to 1; ``None`` where nothing was compared."""
        return Fraction(self.agreed, self.compared) if self.compared else None


def agreement(
    marks: Iterable[DoubleMark], categories: Sequence[str], *, is_ordered: bool = True
) -> Agreement:
    """How alike two raters marked the same points.

    ``categories``: every mark that could be given, least first where there is an order. The steps between
    two marks are counted on this list, so one that nobody gave still counts. Raises ``ValueError`` for a
    mark that is not on it, and for a category that is on it twice.
    """
    place = {category: n for n, category in enumerate(categories)}
    if len(place) < len(categories):
        raise ValueError("A category is listed twice.")
    counts = [[0] * len(place) for _ in place]
    disagreements, left_out = [], []
    for mark in marks:
        for given in (mark.first, mark.second):
            if given is not None and given not in place:
                raise ValueError(f"{mark.title}: {given} is none of {', '.join(categories)}.")
        if mark.first is None or mark.second is None:
            left_out.append(mark)
            continue
        row, column = place[mark.first], place[mark.second]
        counts[row][column] += 1
        if row != column:
            disagreements.append(Disagreement(mark, abs(row - column) if is_ordered else None))
    table = tuple(map(tuple, counts))
    return Agreement(
        categories=tuple(categories),
        table=table,
        kappa=kappa(table),
        linear=kappa(table, Weighting.LINEAR) if is_ordered else None,
        quadratic=kappa(table, Weighting.QUADRATIC) if is_ordered else None,
        # The widest first; within that, as they were marked.
        disagreements=tuple(sorted(disagreements, key=lambda found: -(found.steps or 0))),
        left_out=tuple(left_out),
    )


def agreement_by_zone(
    marks: Iterable[DoubleMark], categories: Sequence[str], *, is_ordered: bool = True
) -> dict[str, Agreement]:
    """The same for each zone by itself, in the order in which the zones first come."""
    zones: dict[str, list[DoubleMark]] = {}
    for mark in marks:
        zones.setdefault(mark.zone, []).append(mark)
    return {zone: agreement(within, categories, is_ordered=is_ordered) for zone, within in zones.items()}


def kappa(table: Table, weighting: Weighting | Table = Weighting.NONE) -> Kappa:
    """Cohen's kappa of a table of counts, by a named weighting or by a table of disagreement weights.

    With q the mean disagreement seen and e that expected from the raters' totals alone, kappa is 1 - q/e.
    Its standard error is the large-sample one for a kappa that need not be nought, not the smaller one for
    testing against chance. Raises ``ValueError`` for tables that are not square, counts below nought, and
    weights that are below nought or are not nought where the raters agree.
    Sources: Cohen, Educ Psychol Meas 20:37 (1960); Cohen, Psychol Bull 70:213 (1968); standard error Fleiss,
    Cohen & Everitt, Psychol Bull 72:323 (1969), rewritten for disagreement weights.
    """
    size = range(len(table))
    distances = weighting.distances(len(table)) if isinstance(weighting, Weighting) else weighting
    _refuse_misshapen(table, distances)
    total = sum(map(sum, table))
    if total == 0:
        return Kappa(None, why_not="Nothing was marked by both, so there is nothing to compare.")
    rows = [sum(table[row]) for row in size]
    columns = [sum(table[row][column] for row in size) for column in size]
    cells = [(row, column) for row in size for column in size]
    expected = Fraction(sum(distances[r][c] * rows[r] * columns[c] for r, c in cells), total**2)
    if expected == 0:
        return Kappa(
            None,
            why_not="Both gave one and the same mark throughout, as chance alone would have them agree too: "
            "kappa has no value.",
        )
    seen = Fraction(sum(distances[r][c] * table[r][c] for r, c in cells), total)
    value = 1 - seen / expected
    # What one more point in a row, or in a column, would add to the disagreement expected.
    by_row = [Fraction(sum(distances[r][c] * columns[c] for c in size), total) for r in size]
    by_column = [Fraction(sum(distances[r][c] * rows[r] for r in size), total) for c in size]
    spread = sum(
        (
            table[r][c] * (distances[r][c] - (1 - value) * (by_row[r] + by_column[c])) ** 2
            for r, c in cells
            if table[r][c]
        ),
        Fraction(0),
    )
    variance = (spread / total - seen**2) / (total * expected**2)
    return _with_interval(value, variance)


def _with_interval(value: Fraction, variance: Fraction) -> Kappa:
    if variance == 0:
        told = (
            "The raters agreed throughout"
            if value == 1
            else "The marks leave the large-sample formula no spread"
        )
        return Kappa(
            float(value),
            0.0,
            why_not=f"{told}, so the large-sample interval has no width. "
            "That is no certainty about other walk-arounds.",
        )
    middle, error = float(value), sqrt(variance)
    low, high = middle - Z_95 * error, middle + Z_95 * error
    return Kappa(middle, error, (max(low, min(-1.0, middle)), min(high, 1.0)))


def _refuse_misshapen(table: Table, distances: Table) -> None:
    size = len(table)
    for square in (table, distances):
        if len(square) != size or any(len(row) != size for row in square):
            raise ValueError("The table and its weights must be square and of one size.")
        if any(cell < 0 for row in square for cell in row):
            raise ValueError("Counts and disagreement weights are not below nought.")
    if any(distances[n][n] for n in range(size)):
        raise ValueError("Where the raters agree, the disagreement weight is nought.")
