"""What a training manager is told: which questions need a look and why, and how far to trust a result."""

from dataclasses import dataclass
from enum import StrEnum

from assessments.rules.analysis_decisions import Consistency
from assessments.rules.analysis_questions import ChoiceFigures, QuestionFigures
from assessments.rules.analysis_reliability import Method, Reliability

# Under this many answers nothing is said of a question (common practice).
FEW_ANSWERS = 30

# Under this many sittings nothing is said in words of a whole paper (common practice).
FEW_SITTINGS = 30

# A question that nearly all, or hardly any, get right tells few people apart (common practice).
EASY, HARD = 0.95, 0.30

# Under this a question tells people apart poorly: Ebel, "Measuring educational achievement", 1965, from
# memory.
POOR_DISCRIMINATION = 0.20

# None in 59 says, at 95 %, that fewer than 5 in 100 take a choice (exact binomial: 0.95^59 < 0.05); a choice
# that fewer than 5 in 100 take does no work: Haladyna & Downing, Educ Psychol Meas 53:999 (1993), from
# memory.
UNTAKEN_ANSWERS = 59

# Fewer strong people than this are no crowd (our choice).
FEW_STRONG = 8

# Reliability for decisions about one person: Nunnally, "Psychometric theory", 2nd ed. 1978, from memory. An
# interval wider than this says too little (our choice).
GOOD_RELIABILITY, FAIR_RELIABILITY, WIDE_RELIABILITY = 0.80, 0.70, 0.30


class Reason(StrEnum):
    """Why a question needs a look; the gravest first, which may be a wrong key."""

    NEGATIVE = "negative"
    STRONG_MISLED = "strong people misled"
    HARD = "hard"
    POOR = "poor"
    UNTAKEN = "untaken"
    EASY = "easy"


GRAVE = frozenset({Reason.NEGATIVE, Reason.STRONG_MISLED})


@dataclass(frozen=True, slots=True)
class Look:
    """One reason to look at a question, in a word or two and in a sentence that says what to do."""

    reason: Reason
    title: str
    sentence: str

    @property
    def is_grave(self) -> bool:
        return self.reason in GRAVE


def looks(figures: QuestionFigures) -> tuple[Look, ...]:
    """Why a question needs a look, the gravest first; none where its answers are too few to say."""
    if says_little(figures) or figures.facility_interval is None:
        return ()
    found = [*_by_discrimination(figures), *_by_choices(figures), *_by_facility(figures)]
    order = list(Reason)
    return tuple(sorted(found, key=lambda look: order.index(look.reason)))


def says_little(figures: QuestionFigures) -> bool:
    return figures.answers < FEW_ANSWERS


def few_answers(figures: QuestionFigures) -> str:
    """What is said where answers are few; empty where they are enough."""
    if not says_little(figures):
        return ""
    return f"Few answers say little: {figures.answers} so far, at least {FEW_ANSWERS} are needed."


def _by_discrimination(figures: QuestionFigures) -> list[Look]:
    found = figures.discrimination
    if found.value is None:
        return []
    # In one line there is no interval, and no doubt either.
    best = found.value if found.interval is None else found.interval[1]
    if best < 0:
        return [
            Look(
                Reason.NEGATIVE,
                "Strong people get it wrong",
                "Those who do well elsewhere get it wrong more often than the others. Look at the key first, "
                "then for words that can be read two ways.",
            )
        ]
    # Even its best end is poor: not a matter of few answers.
    if best < POOR_DISCRIMINATION:
        return [
            Look(
                Reason.POOR,
                "Strong and weak do alike",
                "Whether somebody gets it right has little to do with how they do elsewhere. Ask whether it "
                "belongs to the job, and whether it can be guessed.",
            )
        ]
    return []


def _by_choices(figures: QuestionFigures) -> list[Look]:
    wrong = [choice for choice in figures.choices if not choice.is_right]
    if len(wrong) == len(figures.choices):
        return []
    found = []
    right = [choice for choice in figures.choices if choice.is_right]
    strong = figures.groups[2] if figures.groups else 0
    # Where several are right, each is picked for itself: the right one that is picked least is compared.
    least = min(choice.by_group[2] for choice in right)
    misleading = [choice for choice in wrong if choice.by_group[2] > least]
    if misleading and strong >= FEW_STRONG:
        most = max(misleading, key=lambda choice: choice.by_group[2])
        found.append(
            Look(
                Reason.STRONG_MISLED,
                "Strong people misled",
                f"Of {strong} who do best elsewhere, {most.by_group[2]} picked “{most.label}”, which is "
                f"wrong, and {least} the right one. Look at the key, and whether that choice can be right "
                "somewhere.",
            )
        )
    untaken = [choice for choice in wrong if choice.count == 0]
    if untaken and figures.answers >= UNTAKEN_ANSWERS:
        found.append(
            Look(
                Reason.UNTAKEN,
                "A choice nobody takes",
                f"In {figures.answers} answers nobody picked {_listed(untaken)}: the others are easier to "
                "guess for it. Put in a mistake that people really make.",
            )
        )
    return found


def _by_facility(figures: QuestionFigures) -> list[Look]:
    if figures.facility_interval is None:
        return []
    low, high = figures.facility_interval
    if low > EASY:
        return [
            Look(
                Reason.EASY,
                "Nearly everybody gets it right",
                "It tells few people apart. Keep it where it must be known; else ask something harder.",
            )
        ]
    if high < HARD:
        return [
            Look(
                Reason.HARD,
                "Few get it right",
                "Look at the key and the words; if both stand, it is not taught well enough.",
            )
        ]
    return []


def _listed(choices: list[ChoiceFigures]) -> str:
    labels = [f"“{choice.label}”" for choice in choices]
    return labels[0] if len(labels) == 1 else f"{', '.join(labels[:-1])} or {labels[-1]}"


def reliability_words(found: Reliability) -> str:
    """How well scores tell people apart, in a sentence or two."""
    if found.value is None or found.interval is None:
        return f"How well scores tell people apart: {_lowered(found.why_not)}"
    if found.people < FEW_SITTINGS:
        return (
            f"Few sittings say little: {found.people} so far, at least {FEW_SITTINGS} are needed before "
            "anything is said of the paper."
        )
    low, high = found.interval
    if high - low > WIDE_RELIABILITY:
        told = "Too few sittings to say how well scores tell people apart."
    elif low >= GOOD_RELIABILITY:
        told = "Scores tell people apart well."
    elif found.value >= FAIR_RELIABILITY:
        told = "Scores tell people apart fairly well."
    else:
        told = (
            "Scores do not tell people apart well: more questions, or questions that part the strong from "
            "the weak, would help. Where nearly everybody knows nearly everything, this is to be expected."
        )
    return told


def method_words(found: Reliability) -> str:
    """How reliability was worked out; empty where it was not."""
    if found.method is Method.ALPHA:
        return "Cronbach's alpha (KR-20), with Feldt's interval."
    if found.method is Method.DRAWN:
        return (
            "Sittings drew different questions, so alpha is not computed: this is the reliability of scores "
            "on drawn questions (one-way analysis of variance). It errs low where each topic has its share."
        )
    return ""


def error_words(found: Reliability) -> str:
    """How far a score may be off, in right answers; empty where that is not known."""
    if found.error is None or found.people < FEW_SITTINGS:
        return ""
    return (
        f"On another day, two people in three would come within {found.error:.1f} right answers of what is "
        "truly theirs."
    )


def consistency_words(found: Consistency) -> str:
    """How often a second paper of the same kind would say the same."""
    if found.agreed is None:
        return f"Whether a second paper would say the same: {_lowered(found.why_not)}"
    if found.people < FEW_SITTINGS:
        return f"Few sittings say little: {found.people} so far, at least {FEW_SITTINGS} are needed."
    alike = min(99, round(100 * found.agreed)) if found.agreed < 1 else 100
    return (
        f"If everybody sat a second paper of the same kind, about {alike} in 100 would get the same answer, "
        f"pass or not, at a cut of {found.cut}. The estimate errs low by a few in 100."
    )


def _lowered(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
