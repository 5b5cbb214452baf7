"""Decision consistency: how often a second paper of the same kind would say the same of the same person."""

from dataclasses import dataclass

import numpy as np
from scipy.stats import binom

from assessments.rules.analysis_questions import Counts
from assessments.rules.analysis_reliability import Reliability


@dataclass(frozen=True, slots=True)
class Consistency:
    """At one cut. ``agreed``: the share of people of whom two papers would say the same; ``kappa``: that
    beyond chance; ``about_cut``: Livingston's k², the reliability of distances from the cut. ``why_not``
    says why there are none."""

    cut: int
    passed: int
    people: int
    agreed: float | None = None
    kappa: float | None = None
    about_cut: float | None = None
    why_not: str = ""


def consistency(right: Counts, asked: Counts, cut: int, found: Reliability) -> Consistency:
    """What two papers of one length would say at ``cut`` right answers or more.

    Subkoviak's coefficient from one sitting: each person's chance of a right answer is drawn towards the mean
    by the reliability, r x/k + (1 - r) mean/k, and a second paper is a run of k such chances. These lie
    closer together than people's true chances, so that the figure errs low: in a simulation it said 75 in 100
    where a second paper agreed on 80. A reliability below nought is taken as nought. The verdict here is the
    cut alone: topics that must be right besides make fewer people pass, and are not counted.
    Sources: Subkoviak, J Educ Meas 13:265 (1976); Livingston, J Educ Meas 9:13 (1972). Raises ``ValueError``
    for a cut below one.
    """
    if cut < 1:
        raise ValueError("The cut is at least one right answer.")
    passed, people = int((right >= cut).sum()), len(right)
    if people == 0:
        return Consistency(cut, passed, people, why_not=found.why_not)
    lengths = np.unique(asked)
    if len(lengths) != 1:
        return Consistency(cut, passed, people, why_not="Not computed: sittings are not all of one length.")
    length = int(lengths[0])
    if cut > length:
        why_not = f"Not computed: the cut is {cut}, and a sitting asks {length}."
        return Consistency(cut, passed, people, why_not=why_not)
    if found.value is None:
        return Consistency(cut, passed, people, why_not=found.why_not)
    trust = max(0.0, found.value)
    scores, counts = np.unique(right, return_counts=True)
    chance = (trust * scores + (1 - trust) * found.mean) / length
    passing = binom.sf(cut - 1, length, chance)
    agreed = float(counts @ (passing**2 + (1 - passing) ** 2)) / people
    overall = float(counts @ passing) / people
    by_chance = overall**2 + (1 - overall) ** 2
    apart = (found.mean - cut) ** 2
    return Consistency(
        cut,
        passed,
        people,
        agreed,
        (agreed - by_chance) / (1 - by_chance) if by_chance < 1 else None,
        (found.value * found.variance + apart) / (found.variance + apart),
    )
