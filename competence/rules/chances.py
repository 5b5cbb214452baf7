"""Chances: how likely a renewal is to be passed, and how likely a site is to have too few people."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# How many assessments the whole register's rate weighs against a category's own (the register's own rule).
PRIOR_WEIGHT = 20.0
# Before anybody was assessed at all: three of four pass, and it weighs little (the register's own rule).
FIRST_GUESS, GUESS_WEIGHT = 0.75, 4.0


@dataclass(frozen=True, slots=True)
class History:
    """Assessments of one category so far."""

    passed: int
    failed: int

    @property
    def seen(self) -> int:
        return self.passed + self.failed


def pass_rates(history: Mapping[str, History]) -> dict[str, float]:
    """The chance that the next assessment of each category is passed.

    A Beta prior around the rate over all categories, so that one failure of one does not read as never: the
    more of a category was seen, the more its own rate counts.
    """
    passed = sum(one.passed for one in history.values())
    seen = sum(one.seen for one in history.values())
    overall = (passed + FIRST_GUESS * GUESS_WEIGHT) / (seen + GUESS_WEIGHT)
    return {
        category: (one.passed + PRIOR_WEIGHT * overall) / (one.seen + PRIOR_WEIGHT)
        for category, one in history.items()
    }


def distribution(chances: Sequence[float]) -> NDArray[np.float64]:
    """How likely it is that 0, 1, … of independent tosses succeed, where each has a chance of its own.

    Poisson-binomial, exact, one toss at a time (Wang 1993). Raises ``ValueError`` for what is no chance.
    """
    of = np.ones(1)
    for chance in chances:
        if not 0 <= chance <= 1:
            raise ValueError(f"{chance} is no chance: it lies between 0 and 1")
        of = np.append(of * (1 - chance), 0.0) + np.append(0.0, of * chance)
    return of


def chance_of_fewer(minimum: int, *, certain: int, chances: Sequence[float]) -> float:
    """How likely it is that fewer than ``minimum`` are there: ``certain`` people, and those with chances."""
    needed = minimum - certain
    if needed <= 0:
        return 0.0
    if needed > len(chances):
        return 1.0
    return float(min(1.0, distribution(chances)[:needed].sum()))
