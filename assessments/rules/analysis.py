"""Question analysis: what a table of answers says of each question and of the paper.

Nothing here is said of a person. The parts stand beside: ``analysis_questions`` one at a time,
``analysis_reliability``, ``analysis_decisions`` at the cut, ``analysis_difficulty`` on one scale, and
``analysis_words`` for what a training manager is told.
"""

from dataclasses import dataclass

from assessments.rules.analysis_decisions import Consistency, consistency
from assessments.rules.analysis_difficulty import Difficulty, difficulties
from assessments.rules.analysis_questions import QuestionFigures, Responses, question_figures
from assessments.rules.analysis_reliability import Reliability, reliability


@dataclass(frozen=True, slots=True)
class Analysis:
    """``questions`` and ``difficulties`` are in the order of the columns; ``consistency`` needs a cut."""

    people: int
    questions: tuple[QuestionFigures, ...]
    difficulties: tuple[Difficulty, ...]
    reliability: Reliability
    consistency: Consistency | None


def analyse(responses: Responses, cut: int | None = None) -> Analysis:
    """Everything at once. Raises ``ValueError`` for a cut below one."""
    found = reliability(responses)
    return Analysis(
        responses.people,
        question_figures(responses),
        difficulties(responses),
        found,
        None if cut is None else decided(responses, cut, found),
    )


def decided(responses: Responses, cut: int, found: Reliability) -> Consistency:
    """How consistent the decisions at a cut are, over who was asked anything."""
    sat = responses.asked > 0
    return consistency(responses.right[sat], responses.asked[sat], cut, found)
