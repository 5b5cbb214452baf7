"""Rasch difficulties: how hard each question is on one scale, whoever was asked it.

Only the share right depends on who was asked; a difficulty is compared within people. For two questions that
one person was asked, of which exactly one was right, the chance that it was the one rather than the other
depends on their difficulties alone: the person's ability cancels (Rasch, "Probabilistic models", 1960). All
such pairs together are fitted by maximum pairwise conditional likelihood (Zwinderman, Appl Psychol Meas
19:369 (1995)), which needs no full table and no assumption about people. A person's pairs are not
independent: standard errors are the sandwich over people (Varin, Reid & Firth, Stat Sinica 21:5 (2011)). All
from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.csgraph import connected_components
from scipy.special import expit

from assessments.rules.analysis_questions import NOT_ASKED, Floats, Responses

# 30 answers place a difficulty within about one logit: Linacre, Rasch Measurement Transactions 7:328 (1994),
# from memory. With fewer, nothing is said.
FEWEST_FOR_DIFFICULTY = 30

SETTLED = 1e-10
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
    46:59 (1981), from memory). Their mean is nought.
    """
    asked = responses.marks != NOT_ASKED
    enough = asked.sum(axis=0) >= FEWEST_FOR_DIFFICULTY
    right = (responses.marks == 1).astype(np.float32)
    wrong = (responses.marks == 0).astype(np.float32)
    # How often the one was right where the other was wrong: whole numbers, exact in this many bits.
    wins = np.where(enough[:, None] & enough[None, :], (right.T @ wrong).astype(np.float64), 0.0)
    placed = _comparable(wins, enough)
    logits = np.full(len(responses.questions), np.nan)
    errors = logits.copy()
    if len(placed) > 1:
        within = np.ix_(placed, placed)
        ease, inverse, chances = _fit(wins[within])
        logits[placed] = -ease
        errors[placed] = _errors(right[:, placed], wrong[:, placed], chances, inverse)
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
    ease = np.zeros(size)
    reached = _likelihood(wins, ease)
    for _ in range(LONGEST_CLIMB):
        chances = expit(ease[:, None] - ease[None, :])
        slope = got - (met * chances).sum(axis=1)
        factor = _curvature(met, chances, pin)
        step = cho_solve(factor, slope)
        if float(np.abs(step).max()) < SETTLED:
            break
        share = 1.0
        while (then := _likelihood(wins, ease + share * step)) < reached - 1e-9 * abs(reached):
            share /= 2
        ease, reached = ease + share * step, then
    ease = ease - ease.mean()
    chances = expit(ease[:, None] - ease[None, :])
    inverse = cho_solve(_curvature(met, chances, pin), np.eye(size)) - 1 / (pin[0, 0] * size**2)
    return ease, inverse, chances


def _curvature(met: Floats, chances: Floats, pin: Floats) -> tuple[Floats, bool]:
    spread = met * chances * (1 - chances)
    curvature = pin - spread
    curvature[np.diag_indices_from(curvature)] += spread.sum(axis=1)
    factor, is_lower = cho_factor(curvature)
    return np.asarray(factor, np.float64), bool(is_lower)


def _likelihood(wins: Floats, ease: Floats) -> float:
    return -float((wins * np.logaddexp(0, ease[None, :] - ease[:, None])).sum())


def _errors(
    right: NDArray[np.float32], wrong: NDArray[np.float32], chances: Floats, inverse: Floats
) -> Floats:
    """The sandwich: what each person alone would move the ease by, squared and added up."""
    odds = chances.astype(np.float32)
    pulls = right * (wrong @ (1 - odds).T) - wrong * (right @ odds.T)
    gathered = (pulls.T @ pulls).astype(np.float64)
    return np.asarray(
        np.sqrt(np.einsum("ij,jk,ik->i", inverse, gathered, inverse, optimize=True)), np.float64
    )
