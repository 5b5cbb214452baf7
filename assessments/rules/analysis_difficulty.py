"""Rasch difficulties: how hard each question is on one scale, whoever was asked it.

Only the share right depends on who was asked; a difficulty is compared within people. For two questions that
one person was asked, of which exactly one was right, the chance that it was the one rather than the other
depends on their difficulties alone: the person's ability cancels (Rasch, "Probabilistic models", 1960). All
such pairs together are fitted by maximum pairwise conditional likelihood (Zwinderman, Appl Psychol Meas
19:369 (1995)), which needs no full table and no assumption about people. A person's pairs are not
independent: standard errors are the sandwich over people (Varin, Reid & Firth, Stat Sinica 21:5 (2011)). All
from memory.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.csgraph import connected_components
from scipy.special import expit

from assessments.rules.analysis_questions import NOT_ASKED, Floats, Marks, Responses

# 30 answers place a difficulty within about one logit: Linacre, Rasch Measurement Transactions 7:328 (1994),
# from memory. With fewer, nothing is said.
FEWEST_FOR_DIFFICULTY = 30

PEOPLE_AT_A_TIME = 500

SETTLED = 1e-5
LONGEST_CLIMB = 100


@dataclass(frozen=True, slots=True)
class Difficulty:
    """One question in logits: above nought is harder than the mean of those placed. ``logits`` and ``error``
    are ``None`` where ``why_not`` says why."""

    question: str
    logits: float | None
    error: float | None = None
    why_not: str = ""


def difficulties(responses: Responses) -> tuple[Difficulty, ...]:
    """Every question's difficulty, in the order of its columns.

    Placed are the questions with ``FEWEST_FOR_DIFFICULTY`` answers in the largest set that can be compared:
    of any two parts of it, somebody got one right in each and wrong in the other (Fischer, Psychometrika
    46:59 (1981), from memory). Their mean is nought. Raises ``ArithmeticError`` should the fit not settle.
    """
    marks = responses.marks
    enough = np.count_nonzero(marks != NOT_ASKED, axis=0) >= FEWEST_FOR_DIFFICULTY
    wins = np.where(enough[:, None] & enough[None, :], _wins(marks), 0.0)
    placed = _comparable(wins, enough)
    logits = np.full(len(responses.questions), np.nan)
    errors = logits.copy()
    if len(placed) > 1:
        within = np.ix_(placed, placed)
        ease, inverse, chances = _fit(wins[within])
        logits[placed] = -ease
        errors[placed] = _errors(marks.take(placed, axis=1), chances, inverse)
    return tuple(
        Difficulty(question, float(logits[n]), float(errors[n]))
        if not np.isnan(logits[n])
        else Difficulty(question, None, why_not=_why_not(responses, n, bool(enough[n])))
        for n, question in enumerate(responses.questions)
    )


def _why_not(responses: Responses, place: int, is_enough: bool) -> str:
    column = responses.marks[:, place]
    answers = int((column != NOT_ASKED).sum())
    if not is_enough:
        return f"Few answers: {answers} so far, at least {FEWEST_FOR_DIFFICULTY} are needed."
    right = int((column == 1).sum())
    if right in (0, answers):
        return f"{'Nobody' if right == 0 else 'Everybody'} got it right, so the scale has no end for it."
    return "Too little is shared with the other questions to place it beside them."


def _comparable(wins: Floats, enough: NDArray[np.bool_]) -> NDArray[np.intp]:
    _, parts = connected_components(wins > 0, directed=True, connection="strong")
    parts = np.where(enough, parts, -1)
    known = parts[parts >= 0]
    if len(known) == 0:
        return np.empty(0, np.intp)
    return np.flatnonzero(parts == np.bincount(known).argmax())


def _fit(wins: Floats) -> tuple[Floats, Floats, Floats]:
    """Ease by Newton's method, the inverse of the curvature (with the mean held at nought), and the chance of
    row right rather than column."""
    size, met = len(wins), wins + wins.T
    got = wins.sum(axis=1)
    # Adding the same to all changes nothing; the constant matrix pins their mean without moving the rest.
    pin = np.full((size, size), met.sum() / size**2)
    # Near enough to begin with: the odds of each question against all others at once.
    ease = np.log(got / wins.sum(axis=0))
    chances = _chances(ease)
    for _ in range(LONGEST_CLIMB):
        slope = got - (met * chances).sum(axis=1)
        step = cho_solve(_curvature(met, chances, pin), slope)
        reached = _likelihood(wins, chances)
        share = 1.0
        chances = _chances(ease + step)
        while _likelihood(wins, chances) < reached - 1e-9 * abs(reached):
            share /= 2
            chances = _chances(ease + share * step)
        ease = ease + share * step
        if float(np.abs(step).max()) < SETTLED:
            break
    else:
        raise ArithmeticError("The difficulties did not settle.")
    ease = ease - ease.mean()
    inverse = cho_solve(_curvature(met, chances, pin), np.eye(size)) - 1 / (pin[0, 0] * size**2)
    return ease, inverse, chances


def _curvature(met: Floats, chances: Floats, pin: Floats) -> tuple[Floats, bool]:
    spread = met * chances * (1 - chances)
    curvature = pin - spread
    curvature[np.diag_indices_from(curvature)] += spread.sum(axis=1)
    factor, is_lower = cho_factor(curvature)
    return np.asarray(factor, np.float64), bool(is_lower)


def _chances(ease: Floats) -> Floats:
    return np.asarray(expit(ease[:, None] - ease[None, :]), np.float64)


def _likelihood(wins: Floats, chances: Floats) -> float:
    return float((wins * np.log(np.maximum(chances, 1e-300))).sum())


def _errors(marks: Marks, chances: Floats, inverse: Floats) -> Floats:
    """The sandwich: what each person alone would move the ease by, squared and added up."""
    odds = chances.astype(np.float32)
    over_all = odds.sum(axis=0)
    is_full = bool((marks != NOT_ASKED).all())
    gathered = np.zeros_like(chances)
    for right, wrong in _at_a_time(marks):
        # A chance and its opposite make one, so that the wrong follow from the right.
        by_right = right @ odds
        by_wrong = over_all - by_right if is_full else wrong @ odds
        pulls = right * by_wrong - wrong * (right.sum(axis=1, keepdims=True) - by_right)
        gathered += pulls.T @ pulls
    variance = ((inverse @ gathered) * inverse).sum(axis=1)
    return np.asarray(np.sqrt(variance), np.float64)


def _wins(marks: Marks) -> Floats:
    """How often the row was right where the column was wrong: whole numbers, exact in these bits."""
    wins = np.zeros((marks.shape[1], marks.shape[1]))
    for right, wrong in _at_a_time(marks):
        wins += right.T @ wrong
    return wins


def _at_a_time(marks: Marks) -> Iterator[tuple[NDArray[np.float32], NDArray[np.float32]]]:
    """Who was right and who was wrong, as many people as a processor's own memory holds."""
    for first in range(0, len(marks), PEOPLE_AT_A_TIME):
        some = marks[first : first + PEOPLE_AT_A_TIME]
        yield (some == 1).astype(np.float32), (some == 0).astype(np.float32)
