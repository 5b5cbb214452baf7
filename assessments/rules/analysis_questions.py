"""One question at a time: how many get it right, whether it tells strong people from weak, who picks what.

Every figure works where people were asked different questions: what a person knows otherwise is the share
that they got right of the other questions that they were asked.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import atanh, sqrt, tanh

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Floats = NDArray[np.float64]
Marks = NDArray[np.int8]
Counts = NDArray[np.int64]
Told = NDArray[np.bool_]
Interval = tuple[float, float]

NOT_ASKED = -1
Z_95 = float(ndtri(0.975))

# The strong and the weak are this share of people at either end: Kelley, J Educ Psychol 30:17 (1939), from
# memory. Equals at the edge are all counted in.
ENDS = 0.27


@dataclass(frozen=True, slots=True, eq=False)
class Picked:
    """What people picked at one question: a row for each person, a column for each choice on offer."""

    labels: tuple[str, ...]
    is_right: tuple[bool, ...]
    by_person: Told


@dataclass(frozen=True, eq=False)
class Responses:
    """People by questions: 1 right, 0 wrong or not answered, ``NOT_ASKED`` where the question was not drawn.

    ``picked``: by the question's place, where choices are known. ``seconds``: of the same shape as ``marks``,
    not a number where none was told. Raises ``ValueError`` where the shapes differ or a mark is another one.
    """

    questions: tuple[str, ...]
    marks: Marks
    picked: Mapping[int, Picked] = field(default_factory=dict)
    seconds: Floats | None = None

    def __post_init__(self) -> None:
        if self.marks.ndim != 2 or self.marks.shape[1] != len(self.questions):
            raise ValueError("Each question has one column of marks.")
        if self.marks.size and not np.isin(self.marks, (NOT_ASKED, 0, 1)).all():
            raise ValueError("A mark is 1, 0, or that the question was not asked.")
        if self.seconds is not None and self.seconds.shape != self.marks.shape:
            raise ValueError("Times have the shape of the marks.")

    @property
    def people(self) -> int:
        return int(self.marks.shape[0])

    @cached_property
    def is_full(self) -> bool:
        """Whether everybody was asked everything."""
        return bool((self.marks != NOT_ASKED).all())

    @cached_property
    def asked(self) -> Counts:
        """How many questions each person was asked."""
        return np.asarray((self.marks != NOT_ASKED).sum(axis=1), np.int64)

    @cached_property
    def right(self) -> Counts:
        """How many each person got right."""
        return np.asarray((self.marks == 1).sum(axis=1), np.int64)


@dataclass(frozen=True, slots=True)
class Correlation:
    """A correlation with its 95 % interval by Fisher's z, or why there is none."""

    value: float | None
    interval: Interval | None = None
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class ChoiceFigures:
    """One choice. ``mean_rest``: the share of other questions that those who picked it got right.
    ``discrimination``: of picking it with that share. ``by_group``: how many of the weak, the middle and the
    strong picked it."""

    label: str
    is_right: bool
    count: int
    mean_rest: float | None
    discrimination: Correlation
    by_group: tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class Times:
    """Seconds that a question was on the screen: the middle one, and the quartiles about it."""

    count: int
    lower: float
    median: float
    upper: float


@dataclass(frozen=True, slots=True)
class QuestionFigures:
    """What the answers say of one question. ``groups``: how many people are the weak, the middle and the
    strong, by their other questions; with ``unanswered`` it is ``None`` where choices are not known."""

    question: str
    answers: int
    right: int
    facility: float | None
    facility_interval: Interval | None
    discrimination: Correlation
    choices: tuple[ChoiceFigures, ...] = ()
    groups: tuple[int, int, int] | None = None
    unanswered: int | None = None
    times: Times | None = None


def question_figures(responses: Responses) -> tuple[QuestionFigures, ...]:
    """Every question's figures, in the order of its columns."""
    marks = np.asfortranarray(responses.marks)
    right, others = responses.right.astype(np.float64), (responses.asked - 1).astype(np.float64)
    # Somebody who was asked nothing else says nothing of what they know otherwise.
    others[others < 1] = np.nan
    is_full = responses.is_full and not np.isnan(others).any()
    return tuple(
        _figures(responses, place, marks[:, place], right, others, is_full)
        for place in range(len(responses.questions))
    )


def _figures(
    responses: Responses, place: int, column: Marks, right: Floats, others: Floats, is_full: bool
) -> QuestionFigures:
    who: slice | NDArray[np.intp] = slice(None) if is_full else np.flatnonzero(column != NOT_ASKED)
    own = column[who].astype(np.float64)
    rest = (right[who] - own) / others[who]
    answers, good = len(own), int(own.sum())
    picked = responses.picked.get(place)
    choices: tuple[ChoiceFigures, ...] = ()
    groups = None
    if picked is not None:
        known = ~np.isnan(rest)
        in_group = _groups(rest[known])
        groups = _counted(in_group)
        choices = _choices(picked, who, rest, known, in_group)
    return QuestionFigures(
        question=responses.questions[place],
        answers=answers,
        right=good,
        facility=good / answers if answers else None,
        facility_interval=wilson(good, answers) if answers else None,
        discrimination=_with_rest(own, rest, is_full),
        choices=choices,
        groups=groups,
        unanswered=None if picked is None else int((~picked.by_person[who].any(axis=1)).sum()),
        times=None if responses.seconds is None else _times(responses.seconds[who, place]),
    )


def _with_rest(own: Floats, rest: Floats, is_full: bool) -> Correlation:
    if is_full:
        return point_biserial(own, rest)
    known = ~np.isnan(rest)
    return point_biserial(own[known], rest[known])


def wilson(successes: int, tries: int) -> Interval:
    """The 95 % interval of a share by Wilson's score, which holds its rate for small numbers and near 0 or 1.

    Sources: Wilson, J Am Stat Assoc 22:209 (1927); its merit Brown, Cai & DasGupta, Stat Sci 16:101 (2001),
    from memory.
    """
    share, z2 = successes / tries, Z_95**2
    middle = (share + z2 / (2 * tries)) / (1 + z2 / tries)
    reach = Z_95 / (1 + z2 / tries) * sqrt(share * (1 - share) / tries + z2 / (4 * tries**2))
    low = 0.0 if successes == 0 else max(0.0, middle - reach)
    high = 1.0 if successes == tries else min(1.0, middle + reach)
    return low, high


def point_biserial(own: Floats, rest: Floats) -> Correlation:
    """The correlation of ``own``, each 0 or 1, with the score on the rest: the corrected point-biserial.

    Sources: Henrysson, Psychometrika 28:211 (1963), the question with the rest; the interval Fisher, Metron
    1:3 (1921), as for normal scores (both from memory).
    """
    count = len(own)
    if count < 2:
        return Correlation(None, why_not="Too few answers with other questions beside them.")
    ones = float(own.sum())
    if ones in (0, count):
        return Correlation(None, why_not="Everybody gave the same here: nothing tells people apart.")
    apart = rest - rest.mean()
    squares = float(apart @ apart)
    # The same fraction is the same number, so "no spread" is decided exactly.
    if squares < 1e-6 and rest.min() == rest.max():
        return Correlation(None, why_not="All did alike elsewhere: nothing tells people apart.")
    value = float(own @ apart) / sqrt(ones * (1 - ones / count) * squares)
    value = max(-1.0, min(1.0, value))
    if count < 4:
        return Correlation(value, why_not="An interval takes at least four answers.")
    if abs(value) > 1 - 1e-12:
        return Correlation(value, why_not="All in one line, which leaves no interval.")
    z, reach = atanh(value), Z_95 / sqrt(count - 3)
    return Correlation(value, (tanh(z - reach), tanh(z + reach)))


def _groups(rest: Floats) -> Counts:
    """0 the weak, 1 the middle, 2 the strong. Where all did alike there is only a middle."""
    groups = np.ones(len(rest), np.int64)
    if len(rest) == 0 or rest.min() == rest.max():
        return groups
    low, high = np.quantile(rest, (ENDS, 1 - ENDS), method="inverted_cdf")
    groups[rest <= low] = 0
    groups[rest >= high] = 2
    if low == high:
        groups[rest == low] = 1
    return groups


def _counted(groups: Counts) -> tuple[int, int, int]:
    weak, middle, strong = np.bincount(groups, minlength=3).tolist()
    return weak, middle, strong


def _choices(
    picked: Picked, who: slice | NDArray[np.intp], rest: Floats, known: Told, groups: Counts
) -> tuple[ChoiceFigures, ...]:
    found = []
    for column, (label, is_right) in enumerate(zip(picked.labels, picked.is_right, strict=True)):
        took = picked.by_person[who, column]
        with_rest = took[known]
        found.append(
            ChoiceFigures(
                label=label,
                is_right=is_right,
                count=int(took.sum()),
                mean_rest=float(rest[known][with_rest].mean()) if with_rest.any() else None,
                discrimination=point_biserial(with_rest.astype(np.float64), rest[known]),
                by_group=_counted(groups[with_rest]),
            )
        )
    return tuple(found)


def _times(seconds: Floats) -> Times | None:
    told = seconds[~np.isnan(seconds)]
    if len(told) == 0:
        return None
    lower, median, upper = np.quantile(told, (0.25, 0.5, 0.75)).tolist()
    return Times(len(told), lower, median, upper)


def marks_of(rows: Sequence[Sequence[int | None]]) -> Marks:
    """Rows of 1, 0 or ``None`` (not asked) as a table of marks."""
    return np.array([[NOT_ASKED if mark is None else mark for mark in row] for row in rows], np.int8)
