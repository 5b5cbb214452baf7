"""How severe 50 assessors are, from 200,000 marks: ours against statsmodels' binomial regression.

Like with like: both get the same marks, and as statsmodels holds every cell of a dense design, only 60
operators and 50 points; ours adds up single marks within its time, theirs is given them added up. Our priors
are so wide that both have the same maximum. Both keep to one thread: on a busy machine the numeric library's
threads wait for one another. Then ours alone at the size of a register: 5,000 operators, 500 points.
"""

from dataclasses import dataclass
from time import perf_counter

import numpy as np
import statsmodels.api as sm
from threadpoolctl import threadpool_limits

from assessments.rules.severity import DEFAULT_PRIORS, Priors, assessor_severities

ASSESSORS = 50
LABELS = [f"Assessor {number}" for number in range(ASSESSORS)]
FREE = Priors(base=1e3, ability=1e3, difficulty=1e3, severity=1e3)

Columns = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class SeveritySpeed:
    marks: int
    ours: float
    theirs: float
    difference: float
    register: float

    @property
    def ratio(self) -> float:
        return self.ours / self.theirs

    def line(self) -> str:
        return (
            f"severity of {ASSESSORS} assessors, {self.marks:,} marks, 60 operators x 50 points: "
            f"{self.ours:.2f} s, statsmodels {self.theirs:.2f} s = {1 / self.ratio:.1f} times as long, "
            f"severities at most {self.difference:.0e} apart; ours at {self.marks // 40:,} operators x "
            f"500 points: {self.register:.2f} s"
        )


def draw(marks: int, operators: int, points: int) -> Columns:
    """Marks in walk-arounds of twenty points, assessors by lot."""
    rng = np.random.default_rng(50)
    rounds = marks // 20
    assessor = np.repeat(rng.integers(0, ASSESSORS, rounds), 20)
    operator = np.repeat(np.arange(rounds) % operators, 20)
    point = rng.integers(0, points, rounds * 20)
    severity, ability = rng.normal(0, 0.5, ASSESSORS), rng.normal(1, 1, operators)
    logits = ability[operator] - rng.normal(0, 1, points)[point] - severity[assessor]
    return assessor, operator, point, rng.binomial(2, 1 / (1 + np.exp(-logits)))


def our_severities(columns: Columns, priors: Priors) -> tuple[float, list[float]]:
    """Seconds to fit single marks, and what was found."""
    spent = []
    for _ in range(3):
        started = perf_counter()
        found = assessor_severities(*columns, labels=LABELS, priors=priors)
        spent.append(perf_counter() - started)
    return min(spent), [each.logits for each in found]


def statsmodels_severities(columns: Columns, operators: int, points: int) -> tuple[float, np.ndarray]:
    """Seconds to fit, without those to add up the marks and to lay out the design; and what was found."""
    assessor, operator, point, mark = columns
    key, row = np.unique((operator * points + point) * ASSESSORS + assessor, return_inverse=True)
    got, tries = np.bincount(row, mark), 2 * np.bincount(row)
    design = np.zeros((len(key), operators + points + ASSESSORS - 2))
    cells = np.arange(len(key))
    design[cells, key // ASSESSORS // points] = 1
    for first, codes in (
        (operators - 1, key // ASSESSORS % points),
        (operators + points - 2, key % ASSESSORS),
    ):
        design[cells[codes > 0], first + codes[codes > 0]] = -1
    started = perf_counter()
    # Of its ways to fit, the quickest here.
    fitted = sm.GLM(np.column_stack((got, tries - got)), design, family=sm.families.Binomial()).fit(
        method="newton"
    )
    spent = perf_counter() - started
    severity = np.concatenate(([0.0], fitted.params[-(ASSESSORS - 1) :]))
    return spent, severity - np.average(severity, weights=np.bincount(assessor, minlength=ASSESSORS))


def measure(marks: int) -> SeveritySpeed:
    """The best of three of ours, one of theirs."""
    with threadpool_limits(1):
        columns = draw(marks, 60, 50)
        ours, found = our_severities(columns, FREE)
        theirs, severity = statsmodels_severities(columns, 60, 50)
        register, _ = our_severities(draw(marks, marks // 40, 500), DEFAULT_PRIORS)
    return SeveritySpeed(marks, ours, theirs, float(np.abs(severity - found).max()), register)
