"""What a sitting came to, in sentences for whoever sat it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from assessments.rules.papers import NextAttempt, PaperResult


@dataclass(frozen=True, slots=True)
class ResultWords:
    """The word in large letters, one sentence, and every reason against passing."""

    word: str
    sentence: str
    reasons: tuple[str, ...] = ()


def paper_words(result: PaperResult, topics: Mapping[str, str]) -> ResultWords:
    """Whether a paper is passed, and if not, why: the cut, and each critical topic by name.

    ``topics``: names by code. Unanswered questions are wrong ones, so they need no sentence of their own.
    """
    score = f"{result.right} of {result.asked} right; {result.cut} are needed."
    if result.is_passed:
        return ResultWords("Passed", score)
    reasons = []
    if result.right < result.cut:
        reasons.append(f"{result.cut - result.right} more had to be right in all.")
    for topic in result.unmet:
        needed = "all" if topic.must_be_right == topic.asked else f"{topic.must_be_right}"
        reasons.append(
            f"{topics.get(topic.topic, topic.topic)}: {topic.right} of {topic.asked} right, {needed} needed. "
            "The topic is critical: without it the paper is not passed, whatever the total."
        )
    if result.right >= result.cut:
        score = f"{result.right} of {result.asked} right in all, which is enough; a critical topic is not."
    return ResultWords("Not passed", score, tuple(reasons))


def refresher_words(result: PaperResult) -> ResultWords:
    """A refresher is neither passed nor failed: it says what is still known."""
    if result.right == result.asked:
        return ResultWords("All right", f"All {result.asked} right. You still know this well.")
    wrong = result.asked - result.right
    these = "One was" if wrong == 1 else f"{wrong} were"
    return ResultWords(
        f"{result.right} of {result.asked} right",
        f"{these} not, and is explained below." if wrong == 1 else f"{these} not, and are explained below.",
    )


def attempt_words(coming: NextAttempt, today: date, day: str, *, is_own: bool = True) -> str:
    """When the paper may be sat next. ``day``: the first day, as screens write it; ``is_own``: said to
    whoever sat it."""
    if coming.on is None and is_own:
        return (
            "Every attempt is used. Go through the explanations with a trainer, who can then allow more; "
            "until then the paper cannot be sat."
        )
    if coming.on is None:
        return "Every attempt is used. Go through the explanations together; then more can be allowed."
    who = "You" if is_own else "They"
    left = "one attempt is left" if coming.left == 1 else f"{coming.left} attempts are left"
    if coming.on > today:
        return f"{who} can sit it again from {day} on; {left} before a trainer is asked."
    return f"{who} can sit it now; {left} before a trainer is asked."
