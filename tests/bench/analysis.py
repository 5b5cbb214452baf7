"""Question analysis of 5,000 sittings by 200 questions: ours against pingouin for the same figures.

Pingouin is asked for alpha with its interval and for each question's correlation with the rest; ours finds
the same, and besides the interval of every share, decision consistency and Rasch difficulties, and all of
that is in its time. Both keep to one thread, as in the severities.
"""

from dataclasses import dataclass
from time import perf_counter

import numpy as np
import pandas as pd
import pingouin
from threadpoolctl import threadpool_limits

from assessments.rules.analysis import Analysis, analyse
from assessments.rules.analysis_questions import Responses


@dataclass(frozen=True)
class AnalysisSpeed:
    sittings: int
    questions: int
    ours: float
    theirs: float
    difference: float

    @property
    def ratio(self) -> float:
        return self.ours / self.theirs

    def line(self) -> str:
        return (
            f"analysis of {self.sittings:,} sittings x {self.questions} questions: "
            f"{self.ours * 1e3:.0f} ms with difficulties and decisions; pingouin, alpha and correlations "
            f"alone: {self.theirs * 1e3:.0f} ms = {1 / self.ratio:.1f} times as long, figures at most "
            f"{self.difference:.0e} apart"
        )


def draw(sittings: int, questions: int) -> np.ndarray:
    rng = np.random.default_rng(200)
    logits = rng.normal(1, 1, (sittings, 1)) - rng.normal(0, 1, questions)
    return (rng.random(logits.shape) < 1 / (1 + np.exp(-logits))).astype(np.int8)


def our_analysis(marks: np.ndarray) -> tuple[float, Analysis]:
    questions = tuple(f"q{n}" for n in range(marks.shape[1]))
    spent = []
    for _ in range(3):
        # Anew each time: what it counts once, it remembers.
        responses = Responses(questions, marks)
        started = perf_counter()
        found = analyse(responses, cut=marks.shape[1] * 3 // 5)
        spent.append(perf_counter() - started)
    return min(spent), found


def pingouin_analysis(marks: np.ndarray) -> tuple[float, float, list[float]]:
    table = pd.DataFrame(marks.astype(float))
    spent = []
    for _ in range(3):
        started = perf_counter()
        alpha, _ = pingouin.cronbach_alpha(table, ci=0.95)
        total = table.sum(axis=1)
        with_rest = [pingouin.corr(table[n], total - table[n])["r"].iloc[0] for n in table]
        spent.append(perf_counter() - started)
    return min(spent), alpha, with_rest


def measure(sittings: int, questions: int) -> AnalysisSpeed:
    """The best of three of either. ``difference``: the furthest that any figure of both is apart."""
    with threadpool_limits(1):
        marks = draw(sittings, questions)
        ours, found = our_analysis(marks)
        theirs, alpha, with_rest = pingouin_analysis(marks)
    assert found.reliability.value is not None
    apart = [abs(found.reliability.value - alpha)]
    for one, value in zip(found.questions, with_rest, strict=True):
        assert one.discrimination.value is not None
        apart.append(abs(one.discrimination.value - value))
    return AnalysisSpeed(sittings, questions, ours, theirs, float(max(apart)))
