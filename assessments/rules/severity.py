"""How harsh or lenient each assessor is, allowing for the operators and the points that they saw.

Model: a mark is 0 (missed or unsafe), 1 (prompted) or 2 (unprompted) out of 2, as two tries with
logit p = base + ability[operator] - difficulty[point] - severity[assessor]: the many-facet form of Rasch's
model (J. M. Linacre, "Many-facet Rasch measurement", 1989), in binomial trials (from memory). Fitted by
penalised maximum likelihood. Severities are in logits: above nought is harsh.

A mark is not truly two independent tries. The severities need only its average to be right; the intervals
are widened by the scatter that is seen (McCullagh and Nelder, "Generalized linear models", 1989, 4.5, from
memory). With free abilities severities come out somewhat too far from nought, on the same side (a known bias
of joint estimation: B. D. Wright and G. A. Douglas, 1977, from memory): in simulations by 4 in 100 where
operators had 40 marks each, by 6 in 100 where they had 20.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components
from scipy.special import expit

Floats = NDArray[np.float64]
Codes = NDArray[np.intp]

BEST_MARK = 2

# Under this many marks (about three walk-arounds of a checklist) nothing is said: common practice.
FEW_MARKS = 100

# An interval wider than this, in logits, that holds nought says nothing: about a score of 80 it runs from
# 71 to 87. Our choice.
WIDE_LOGITS = 1.0

# Of the normal distribution: 95 in 100 lie within this many standard errors.
NORMAL_95 = 1.959964

# Newton's method stops when a step promises less likelihood than this; ten steps are usual.
SETTLED = 1e-12
LONGEST_CLIMB = 200

# The score out of 100 at which a severity is put in words.
SPOKEN_SCORE = 80


@dataclass(frozen=True, slots=True)
class Priors:
    """Standard deviations, in logits, of the normal priors (ridge penalties) about nought.

    Ability and difficulty are all but free: a tighter prior would say that operators were shared out by
    chance, and so blame an assessor who is always sent the weak ones. Ten logits only keeps an operator
    who was never, or always, marked down from running off to infinity. Severity is held lightly: two
    logits turn a score of 80 into 35, and few assessors are so far from the rest.
    """

    base: float = 10.0
    ability: float = 10.0
    difficulty: float = 10.0
    severity: float = 2.0


DEFAULT_PRIORS = Priors()


@dataclass(frozen=True, slots=True)
class AssessorSeverity:
    """One assessor against the others who can be compared with them.

    ``logits`` and its 95 % interval, ``low`` to ``high``, are centred: over ``compared_with`` others and this
    one, the mean weighted by marks is nought, so that an assessor with ten marks does not move everybody.
    ``share`` is this assessor's part of those marks. All three figures are ``None`` where nobody can be
    compared. One interval in twenty misses by chance: among many assessors, some will be named wrongly.
    """

    assessor: str
    logits: float | None
    low: float | None
    high: float | None
    marks: int
    operators: int
    points: int
    compared_with: int
    share: float
    shares_work: bool

    @property
    def cannot_tell(self) -> bool:
        """Fails closed: nobody to compare, few marks, or a wide interval that holds nought."""
        if self.logits is None or self.low is None or self.high is None or self.marks < FEW_MARKS:
            return True
        return self.low <= 0 <= self.high and self.high - self.low > WIDE_LOGITS

    @property
    def is_harsh(self) -> bool:
        return not self.cannot_tell and self.low is not None and self.low > 0

    @property
    def is_lenient(self) -> bool:
        return not self.cannot_tell and self.high is not None and self.high < 0

    @property
    def sentence(self) -> str:
        """What a training manager is told."""
        if self.cannot_tell:
            return f"Cannot tell yet. {self.caution}"
        verdict = (
            "Marks harder than the others"
            if self.is_harsh
            else "Marks easier than the others"
            if self.is_lenient
            else "Marks much as the others do"
        )
        score, worst, best = self.scores or (SPOKEN_SCORE,) * 3
        return (
            f"{verdict}: where the others would give a score of {SPOKEN_SCORE} in 100, "
            f"this assessor gives {score} (between {worst} and {best})."
        )

    @property
    def caution(self) -> str:
        """Why the figures say little; empty when they can be used."""
        if self.marks == 0:
            return "There are no marks."
        if self.logits is None or self.low is None or self.high is None:
            if self.shares_work:
                return (
                    "Too little is shared with other assessors: a hard assessor cannot be told from weak "
                    "operators or hard points. Double mark with another assessor."
                )
            return (
                "No operator and no point is shared with another assessor. Double mark with another assessor."
            )
        if self.marks < FEW_MARKS:
            return f"Few marks say little: {self.marks} so far, at least {FEW_MARKS} are needed."
        if self.high - self.low > WIDE_LOGITS:
            return "The interval is wide. More marks are needed, on operators whom others also assessed."
        return ""

    @property
    def scores(self) -> tuple[int, int, int] | None:
        """What this assessor gives in 100 where the others would give ``SPOKEN_SCORE``, with the lowest and
        the highest of the interval; ``None`` where nobody can be compared."""
        if self.logits is None or self.low is None or self.high is None:
            return None
        return self._spoken(self.logits), self._spoken(self.high), self._spoken(self.low)

    def _spoken(self, logits: float | None) -> int:
        # The centre counts this assessor too: dividing takes them out, and leaves the others.
        apart = (logits or 0.0) / (1 - self.share)
        return round(100 / (1 + exp(apart - log(SPOKEN_SCORE / (100 - SPOKEN_SCORE)))))


def assessor_severities(
    assessors: ArrayLike,
    operators: ArrayLike,
    points: ArrayLike,
    marks: ArrayLike,
    *,
    labels: Sequence[str],
    priors: Priors = DEFAULT_PRIORS,
) -> tuple[AssessorSeverity, ...]:
    """How severe each assessor of ``labels`` is, in that order; the columns hold one row a mark.

    ``assessors`` holds places in ``labels``; ``operators`` and ``points`` any whole numbers that tell them
    apart; ``marks`` 0, 1 or 2. Raises ``ValueError`` on columns of unequal length, another mark, or an
    assessor without a label.
    """
    tally = _tally(assessors, operators, points, marks, len(labels))
    groups, shares_work = _comparable(tally), _shares_work(tally)
    severity, covariance = _fit(tally, priors)
    found: list[AssessorSeverity] = []
    for number, label in enumerate(labels):
        contrast = _against_the_others(number, groups, tally.marks)
        logits = low = high = None
        if contrast.any():
            logits = float(contrast @ severity)
            reach = NORMAL_95 * float(np.sqrt(contrast @ covariance @ contrast))
            low, high = logits - reach, logits + reach
        mine = tally.assessor == number
        found.append(
            AssessorSeverity(
                assessor=label,
                logits=logits,
                low=low,
                high=high,
                marks=int(tally.marks[number]),
                operators=len(np.unique(tally.operator[mine])),
                points=len(np.unique(tally.point[mine])),
                compared_with=max(int(np.count_nonzero(contrast)) - 1, 0),
                share=1 - float(contrast[number]) if contrast.any() else 0.0,
                shares_work=bool(shares_work[number]),
            )
        )
    return tuple(found)


def _against_the_others(number: int, groups: Codes, marks: Codes) -> Floats:
    """One assessor less the centre of those they can be compared with; all nought where there is nobody.

    Centring is part of the contrast, so that the covariance goes with it.
    """
    contrast = np.zeros(len(marks))
    group = (groups == groups[number]) & (marks > 0)
    if marks[number] > 0 and np.count_nonzero(group) > 1:
        contrast[group] = -marks[group] / marks[group].sum()
        contrast[number] += 1
    return contrast


@dataclass(frozen=True, slots=True)
class _Tally:
    """The marks with one row for each operator, point and assessor that met."""

    operator: Codes
    point: Codes
    assessor: Codes
    count: Floats
    got: Floats
    squares: Floats
    marks: Codes
    operators: int
    points: int

    @property
    def assessors(self) -> int:
        return len(self.marks)

    @property
    def fields(self) -> Any:
        """Which of the base, the points and the assessors each row takes: three ones a row."""
        rows = len(self.count)
        columns = np.column_stack(
            (np.zeros(rows, np.intp), 1 + self.point, 1 + self.points + self.assessor)
        ).ravel()
        width = 1 + self.points + self.assessors
        return csr_array((np.ones(3 * rows), columns, np.arange(0, 3 * rows + 1, 3)), shape=(rows, width))

    @property
    def who(self) -> Any:
        """Which operator each row takes."""
        rows = len(self.count)
        return csr_array(
            (np.ones(rows), self.operator, np.arange(rows + 1)), shape=(rows, max(self.operators, 1))
        )


def _tally(
    assessors: ArrayLike, operators: ArrayLike, points: ArrayLike, marks: ArrayLike, known: int
) -> _Tally:
    columns = [np.asarray(column) for column in (assessors, operators, points, marks)]
    if len({column.shape for column in columns}) != 1 or columns[0].ndim != 1:
        raise ValueError("Assessors, operators, points and marks must be columns of one length.")
    if columns[0].size == 0:
        nobody, nothing = np.zeros(0, np.intp), np.zeros(0)
        return _Tally(
            nobody, nobody, nobody, nothing, nothing, nothing, np.zeros(known, np.intp), operators=0, points=0
        )
    assessor, mark = columns[0], columns[3]
    if not np.isin(mark, range(BEST_MARK + 1)).all():
        raise ValueError("A mark is 0, 1 or 2.")
    if not np.isin(assessor, range(known)).all():
        raise ValueError("An assessor has no label.")
    assessor = assessor.astype(np.intp)
    operator_names, operator = np.unique(columns[1], return_inverse=True)
    point_names, point = np.unique(columns[2], return_inverse=True)
    key, row = np.unique((operator * len(point_names) + point) * known + assessor, return_inverse=True)
    return _Tally(
        operator=key // known // len(point_names),
        point=key // known % len(point_names),
        assessor=key % known,
        count=np.bincount(row).astype(np.float64),
        got=_sums(row, mark),
        squares=_sums(row, mark**2),
        marks=np.bincount(assessor, minlength=known),
        operators=len(operator_names),
        points=len(point_names),
    )


def _sums(row: Codes, of: NDArray[Any]) -> Floats:
    return np.bincount(row, of).astype(np.float64)


def _fit(tally: _Tally, priors: Priors) -> tuple[Floats, Floats]:
    """Severities, not yet centred, and their covariance, by Newton's method."""
    fields, who = tally.fields, tally.who
    tries = BEST_MARK * tally.count
    of_who = np.full(who.shape[1], priors.ability**-2)
    of_fields = np.concatenate(
        (
            [priors.base**-2],
            np.full(tally.points, priors.difficulty**-2),
            np.full(tally.assessors, priors.severity**-2),
        )
    )

    def likelihood(ability: Floats, rest: Floats) -> float:
        logits = who @ ability + fields @ rest
        fit = tally.got @ logits - tries @ np.logaddexp(0, logits)
        return float(fit - (of_who @ ability**2 + of_fields @ rest**2) / 2)

    ability, rest = np.zeros(len(of_who)), np.zeros(len(of_fields))
    reached = likelihood(ability, rest)
    for _ in range(LONGEST_CLIMB):
        chance = expit(who @ ability + fields @ rest)
        left = tally.got - tries * chance
        system = _System.of(who, fields, tries * chance * (1 - chance), of_who, of_fields)
        step_who, step, gain = system.solve(
            who.T @ left - of_who * ability, fields.T @ left - of_fields * rest
        )
        stride = 1.0
        # The likelihood is concave: a step that is too long is halved until it climbs.
        while (
            after := likelihood(ability + stride * step_who, rest + stride * step)
        ) < reached - 1e-10 * abs(reached):
            stride /= 2
        ability, rest, reached = ability + stride * step_who, rest + stride * step, after
        if gain < SETTLED:
            break
    else:
        raise ArithmeticError("The severities did not settle.")
    first = 1 + tally.points
    scatter = _dispersion(tally, expit(who @ ability + fields @ rest))
    return -rest[first:], system.inverse(first) * scatter


@dataclass(frozen=True, slots=True)
class _System:
    """The penalised information, with the operators eliminated.

    Operators are many and never meet one another, so their block is a diagonal. Without it only the base,
    the points and the assessors are left to solve for: its Schur complement, whose inverse is their part of
    the whole inverse.
    """

    alone: Floats
    scaled: Any
    factor: Any

    @classmethod
    def of(cls, who: Any, fields: Any, weight: Floats, of_who: Floats, of_fields: Floats) -> "_System":
        weighted = csr_array((np.repeat(weight, 3), fields.indices, fields.indptr), shape=fields.shape)
        met = (who.T @ weighted).tocsr()
        alone = 1 / (who.T @ weight + of_who)
        scaled = csr_array(
            (met.data * np.repeat(alone, np.diff(met.indptr)), met.indices, met.indptr), shape=met.shape
        )
        complement = (fields.T @ weighted - met.T @ scaled).toarray()
        complement[np.diag_indices_from(complement)] += of_fields
        return cls(alone, scaled, cho_factor(complement))

    def solve(self, slope_who: Floats, slope: Floats) -> tuple[Floats, Floats, float]:
        """The step for the operators, the step for the rest, and twice what it promises to gain."""
        step = cho_solve(self.factor, slope - self.scaled.T @ slope_who)
        step_who = self.alone * slope_who - self.scaled @ step
        return step_who, step, float(slope @ step + slope_who @ step_who)

    def inverse(self, first: int) -> Floats:
        """The inverse from row and column ``first`` on."""
        size = self.factor[0].shape[0]
        return np.asarray(cho_solve(self.factor, np.eye(size)[:, first:])[first:], np.float64)


def _dispersion(tally: _Tally, chance: Floats) -> float:
    """How much more the marks scatter than two tries would; never under one, which would narrow intervals."""
    mean = BEST_MARK * chance
    scatter = float((tally.squares - 2 * mean * tally.got + tally.count * mean**2).sum())
    expected = float((tally.count * mean * (1 - chance)).sum())
    rows = float(tally.count.sum())
    spare = rows - (tally.operators + tally.points + np.count_nonzero(tally.marks) - 2)
    return max(1.0, scatter / expected * rows / spare) if spare > 0 and expected > 0 else 1.0


def _shares_work(tally: _Tally) -> NDArray[np.bool_]:
    """Whether each assessor is joined to another through operators or points, near or far."""
    first, size = tally.assessors, tally.assessors + tally.operators + tally.points
    seen = np.concatenate((first + tally.operator, first + tally.operators + tally.point))
    by = np.concatenate((tally.assessor, tally.assessor))
    _, parts = connected_components(coo_array((np.ones(len(by)), (by, seen)), shape=(size, size)), False)
    mine = parts[: tally.assessors]
    return np.asarray(np.bincount(mine, minlength=1)[mine] > 1)


def _comparable(tally: _Tally) -> Codes:
    """A number for each assessor; two with the same one can be compared without leaning on the priors.

    Sharing points alone is not enough: if nobody else saw the same operators, a hard assessor and weak
    operators look the same. Exactly: a difference of severities is estimable when it is the same in every
    solution of the design's homogeneous equations (Searle, "Linear models", 1971, 5.4, from memory).
    """
    who, seen = tally.who, tally.fields[:, 1:]
    met = (who.T @ seen).tocsr()
    meetings = np.maximum(np.bincount(tally.operator, minlength=who.shape[1]), 1)
    design = (seen.T @ seen - met.T @ (met / meetings[:, None])).toarray()
    points = tally.points
    # Points always have a shift of their own free, against the operators: the small figure pins it.
    pinned = design[:points, :points] + 1e-8 * np.eye(points)
    across = design[:points, points:]
    of_assessors = design[points:, points:]
    if points:
        of_assessors = of_assessors - across.T @ cho_solve(cho_factor(pinned), across)
    sizes, shapes = np.linalg.eigh(of_assessors)
    free = shapes[:, sizes < 1e-5]
    apart = np.abs(free[:, None, :] - free[None, :, :]).max(axis=2, initial=0.0)
    _, groups = connected_components(csr_array(apart < 1e-4), False)
    return np.asarray(groups, np.intp)
