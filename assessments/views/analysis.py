"""Question analysis: how far a paper's result can be trusted, and which questions need a look."""

from dataclasses import dataclass

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from assessments.queries.analysis import (
    AnalysedQuestion,
    CategoryAnalysis,
    category_analysis,
    category_rows,
)
from assessments.rules.analysis_questions import ChoiceFigures, Interval
from assessments.rules.analysis_words import (
    FEW_ANSWERS,
    FEW_SITTINGS,
    Look,
    Reason,
    consistency_words,
    error_words,
    few_answers,
    looks,
    method_words,
    reliability_words,
)
from competence.models import Category
from competence.permissions import Right, require_everywhere
from competence.views.doing import asks
from competence.views.reading import reads_from_replica
from competence.views.standards import version_asked

# So many of the answers that people gave to an order or a number are listed.
ANSWERS_LISTED = 12


@dataclass(frozen=True)
class Bar:
    """A share between nought and one with its interval: places in percents of the drawing's width."""

    at: str
    start: str
    width: str

    @classmethod
    def of(cls, share: float | None, interval: Interval | None) -> "Bar | None":
        if share is None or interval is None:
            return None
        return cls(f"{share:.2%}", f"{interval[0]:.2%}", f"{interval[1] - interval[0]:.2%}")


@dataclass(frozen=True)
class QuestionRow:
    """One question as the pages tell it."""

    question: AnalysedQuestion
    looks: tuple[Look, ...]
    few: str
    bar: Bar | None

    @classmethod
    def of(cls, question: AnalysedQuestion) -> "QuestionRow":
        figures = question.figures
        return cls(
            question,
            looks(figures),
            few_answers(figures),
            Bar.of(figures.facility, figures.facility_interval),
        )

    @property
    def is_grave(self) -> bool:
        return any(look.is_grave for look in self.looks)

    @property
    def gravity(self) -> int:
        """Least first; the gravest reason stands first in ``looks``."""
        return list(Reason).index(self.looks[0].reason) if self.looks else len(Reason)

    @property
    def can_wait(self) -> bool:
        """Whether it does its work, and could only do it better."""
        return all(look.reason in (Reason.UNTAKEN, Reason.EASY) for look in self.looks)

    @property
    def right_in_100(self) -> int:
        return round(100 * (self.question.figures.facility or 0))

    @property
    def between(self) -> str:
        low, high = self.question.figures.facility_interval or (0, 1)
        return f"{round(100 * low)} to {round(100 * high)}"

    @property
    def with_rest(self) -> str:
        value = self.question.figures.discrimination.value
        return "" if value is None else _signed(value)

    @property
    def with_rest_between(self) -> str:
        interval = self.question.figures.discrimination.interval
        return "" if interval is None else f"{_signed(interval[0])} to {_signed(interval[1])}"

    @property
    def logits(self) -> str:
        placed = self.question.difficulty
        return "" if placed.logits is None else _signed(placed.logits, 1)

    @property
    def logits_between(self) -> str:
        placed = self.question.difficulty
        if placed.logits is None or placed.error is None:
            return ""
        reach = 1.96 * placed.error
        return f"{_signed(placed.logits - reach, 1)} to {_signed(placed.logits + reach, 1)}"


@dataclass(frozen=True)
class ChoiceBar:
    """One group's share of those who picked a choice, as a bar."""

    group: str
    picked: int
    of: int
    width: str


@dataclass(frozen=True)
class ChoiceRow:
    choice: ChoiceFigures
    share: int
    bars: tuple[ChoiceBar, ...]

    @property
    def mean_rest(self) -> str:
        rest = self.choice.mean_rest
        return "" if rest is None else f"{round(100 * rest)}"

    @property
    def with_rest(self) -> str:
        value = self.choice.discrimination.value
        return "" if value is None else _signed(value)


def choice_rows(question: AnalysedQuestion) -> list[ChoiceRow]:
    """Choices as they are offered; of an order or a number the right answer and the commonest others."""
    figures = question.figures
    groups = figures.groups or (0, 0, 0)
    choices = list(figures.choices)
    if question.version.kind in ("order", "number"):
        choices.sort(key=lambda choice: (not choice.is_right, -choice.count, choice.label))
    rows = []
    for choice in choices[:ANSWERS_LISTED]:
        bars = tuple(
            ChoiceBar(name, picked, of, f"{picked / of if of else 0:.2%}")
            for name, picked, of in zip(("Weak", "Middle", "Strong"), choice.by_group, groups, strict=True)
        )
        rows.append(ChoiceRow(choice, round(100 * choice.count / max(figures.answers, 1)), bars))
    return rows


@require_GET
@asks(Right.SEE_QUESTIONS)
def analysis_list(request: HttpRequest) -> HttpResponse:
    """Answers of every site are behind the figures, so it takes a role for all."""
    require_everywhere(request.user, Right.SEE_QUESTIONS)
    rows = category_rows()
    return render(request, "assessments/analysis/list.html", {"rows": rows, "few": FEW_SITTINGS})


@require_GET
@asks(Right.SEE_QUESTIONS)
@reads_from_replica
def analysis(request: HttpRequest, category: str) -> HttpResponse:
    require_everywhere(request.user, Right.SEE_QUESTIONS)
    found = category_analysis(get_object_or_404(Category, code=category))
    rows = [QuestionRow.of(question) for question in found.questions]
    to_look = sorted((row for row in rows if row.looks), key=lambda row: row.gravity)
    context = {
        "found": found,
        "rows": rows,
        "look_first": [row for row in to_look if not row.can_wait],
        "look_later": [row for row in to_look if row.can_wait],
        "few_answers": FEW_ANSWERS,
    }
    context |= _paper_words(found)
    return render(request, "assessments/analysis/analysis.html", context)


def _paper_words(found: CategoryAnalysis) -> dict[str, object]:
    """What is said of the paper; figures only once the sittings suffice for them to be read."""
    if found.reliability is None or found.consistency is None:
        return {}
    enough = found.paper_sittings >= FEW_SITTINGS
    trusted, decided = found.reliability, found.consistency
    return {
        "few_sittings": "" if enough else reliability_words(trusted),
        "told": reliability_words(trusted),
        "method": method_words(trusted),
        "off_by": error_words(trusted),
        "value": "" if trusted.value is None else _signed(trusted.value),
        "between": "" if trusted.interval is None else " to ".join(map(_signed, trusted.interval)),
        "decisions": consistency_words(decided),
        "alike": None if decided.agreed is None else min(99, round(100 * decided.agreed)),
        "kappa": "" if decided.kappa is None else _signed(decided.kappa),
        "about_cut": "" if decided.about_cut is None else _signed(decided.about_cut),
    }


@require_GET
@asks(Right.SEE_QUESTIONS)
@reads_from_replica
def analysis_question(request: HttpRequest, category: str, code: str) -> HttpResponse:
    """One question, in the version asked for or else the newest that was sat."""
    require_everywhere(request.user, Right.SEE_QUESTIONS)
    one = get_object_or_404(Category, code=category)
    found = category_analysis(one)
    versions = [each for each in found.questions if each.version.question.code == code]
    number = version_asked(request)
    question = next((each for each in reversed(versions) if number in (None, each.version.number)), None)
    if question is None:
        raise Http404("Nobody was asked that.")
    context = {
        "category": one,
        "row": QuestionRow.of(question),
        "others": [each.version.number for each in versions if each is not question],
        "choices": choice_rows(question),
        "more": max(0, len(question.figures.choices) - ANSWERS_LISTED),
    }
    return render(request, "assessments/analysis/question.html", context)


def _signed(value: float, places: int = 2) -> str:
    """With a true minus, and no minus before nought."""
    told = f"{value:.{places}f}"
    return (told.lstrip("-") if float(told) == 0 else told).replace("-", "−")


urlpatterns: list[URLPattern] = [
    path("analysis/", analysis_list, name="analysis-list"),
    path("analysis/<slug:category>/", analysis, name="analysis"),
    path("analysis/<slug:category>/<slug:code>/", analysis_question, name="analysis-question"),
]
