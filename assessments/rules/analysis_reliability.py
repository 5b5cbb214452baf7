"""Reliability: how much of the differences between people's scores another paper would show again."""

from dataclasses import dataclass
from enum import StrEnum
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.stats import f as f_distribution

from assessments.rules.analysis_questions import NOT_ASKED, Counts, Interval, Responses


class Method(StrEnum):
    """How reliability was worked out: from one set of questions asked of all, or from a draw for each."""

    ALPHA = "alpha"
    DRAWN = "drawn"


@dataclass(frozen=True, slots=True)
class Reliability:
    """``error``: the standard error of measurement, in questions. ``value`` is ``None`` where ``why_not``
    says why. ``length``: questions a sitting, the mean where they differ. ``variance`` is that of the scores
    over the people who sat (divisor n), in questions squared."""

    value: float | None
    interval: Interval | None = None
    error: float | None = None
    method: Method | None = None
    people: int = 0
    length: float = 0.0
    mean: float = 0.0
    variance: float = 0.0
    why_not: str = ""


def reliability(responses: Responses) -> Reliability:
    """Cronbach's alpha, which is KR-20 for marks of 0 and 1, where everybody was asked the same; else the
    reliability of scores on drawn questions (see ``drawn_reliability``). Who was asked nothing is left out.
    """
    if responses.is_full and responses.marks.size:
        return alpha(responses.marks == 1, responses.right)
    asked = responses.marks != NOT_ASKED
    sat = asked.any(axis=1)
    full = asked[sat].all(axis=0)
    if sat.any() and bool((full | ~asked[sat].any(axis=0)).all()):
        return alpha(responses.marks[sat][:, full] == 1, responses.right[sat])
    return drawn_reliability(responses.asked[sat], responses.right[sat])


def alpha(right: NDArray[np.bool_], scores: Counts) -> Reliability:
    """Cronbach's alpha of a full table and its row sums, with Feldt's 95 % interval; whole numbers up to the
    last division.

    One divisor for the variances of questions and of scores alike. The standard error of measurement takes
    the variance with n - 1, as an estimate for people like these.
    Sources: Kuder & Richardson, Psychometrika 2:151 (1937); Cronbach, Psychometrika 16:297 (1951); Feldt,
    Psychometrika 30:357 (1965): 1 - (1 - alpha)F with n - 1 and (n - 1)(k - 1) degrees of freedom.
    """
    people, questions = right.shape
    if refused := _refused(people, questions, scores):
        return refused
    total = int(scores.sum())
    # n^2 times each variance.
    of_scores = people * int((scores.astype(np.int64) ** 2).sum()) - total**2
    by_question = [int(count) for count in right.sum(axis=0)]
    of_questions = sum(count * (people - count) for count in by_question)
    # One division: rounded twice, it can come out a little above one.
    value = questions * (of_scores - of_questions) / ((questions - 1) * of_scores)
    between, within = people - 1, (people - 1) * (questions - 1)
    estimated = of_scores / (people * (people - 1))
    return Reliability(
        value,
        (
            1 - (1 - value) * float(f_distribution.isf(0.025, between, within)),
            1 - (1 - value) * float(f_distribution.isf(0.975, between, within)),
        ),
        sqrt(estimated * (1 - value)),
        Method.ALPHA,
        people,
        float(questions),
        total / people,
        of_scores / people**2,
    )


def drawn_reliability(asked: Counts, right: Counts) -> Reliability:
    """The reliability of scores where each person was asked a draw of their own from a bank.

    A draw can be harder or easier, and that is error too: people are compared by a one-way analysis of
    variance of right answers within people, which is ICC(1,k) of Shrout & Fleiss, Psychol Bull 86:420 (1979);
    of one length it is KR-21 up to divisors, which Lord, Educ Psychol Meas 15:325 (1955), shows to be the
    reliability of drawn papers (from memory). Questions drawn topic by topic differ less than a free draw
    supposes: the true figure is somewhat higher. The interval is theirs, and near enough where the lengths
    differ. ``error`` is binomial: what drawing and answering again would move a score by.
    """
    people, answers = len(asked), int(asked.sum())
    length = answers / people if people else 0.0
    shares = right / np.maximum(asked, 1)
    if refused := _refused(people, length, shares):
        return refused
    mean = int(right.sum()) / answers
    between = float((asked * (shares - mean) ** 2).sum()) / (people - 1)
    free = answers - people
    within = float((right * (1 - shares)).sum()) / free
    if within == 0:
        return Reliability(
            None, people=people, length=length, why_not="Not computed: everybody had all right or all wrong."
        )
    length = (answers - float((asked.astype(np.float64) ** 2).sum()) / answers) / (people - 1)
    ratio = between / within
    return Reliability(
        1 - 1 / ratio,
        (
            1 - float(f_distribution.isf(0.025, people - 1, free)) / ratio,
            1 - 1 / (ratio * float(f_distribution.isf(0.025, free, people - 1))),
        ),
        sqrt(length * within),
        Method.DRAWN,
        people,
        answers / people,
        float(right.mean()),
        float(right.var()),
    )


def _refused(people: int, length: float, scores: NDArray[np.generic]) -> Reliability | None:
    told = ""
    if people < 2:
        told = "at least two people must have sat"
    elif length <= 1:
        told = "it takes at least two questions a sitting"
    elif scores.min() == scores.max():
        told = "everybody has the same score, so nothing tells people apart"
    if told:
        return Reliability(None, people=people, length=float(length), why_not=f"Not computed: {told}.")
    return None
