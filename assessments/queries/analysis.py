"""What sat papers say of their questions: rows to the rule's table of answers."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from django.db.models import Count, Max, QuerySet

from assessments.models import Answer, DrawnQuestion, PaperVersion, QuestionVersion, Sitting
from assessments.queries.sittings import content_of
from assessments.rules.analysis import Analysis, analyse, decided
from assessments.rules.analysis_decisions import Consistency
from assessments.rules.analysis_difficulty import Difficulty
from assessments.rules.analysis_questions import NOT_ASKED, Picked, QuestionFigures, Responses
from assessments.rules.analysis_reliability import Reliability, reliability
from assessments.rules.pictures import KINDS
from assessments.rules.questions import Kind, content_from
from competence.models import Category

ROWS_AT_A_TIME = 5_000


def sat_papers() -> QuerySet[Sitting]:
    """Finished sittings of papers; an open one is not read, as its answers may still change. No statement."""
    return Sitting.objects.filter(kind=Sitting.Kind.PAPER, status=Sitting.Status.FINISHED)


@dataclass(frozen=True)
class CategoryRow:
    """A category with a paper, and what was sat of it."""

    category: Category
    sittings: int
    people: int
    last_at: datetime | None


def category_rows() -> list[CategoryRow]:
    """Categories with a paper, by name. Two statements, however many sittings."""
    counted = {
        row["category"]: row
        for row in sat_papers()
        .order_by()
        .values("category")
        .annotate(sittings=Count("pk"), people=Count("operator", distinct=True), last_at=Max("finished_at"))
    }
    none: dict[str, Any] = {"sittings": 0, "people": 0, "last_at": None}
    rows = []
    for category in Category.objects.filter(paper_versions__isnull=False).distinct().order_by("name"):
        row = counted.get(category.pk, none)
        rows.append(CategoryRow(category, row["sittings"], row["people"], row["last_at"]))
    return rows


@dataclass(frozen=True)
class AnalysedQuestion:
    """One version of a question with its figures: other words are another question."""

    version: QuestionVersion
    figures: QuestionFigures
    difficulty: Difficulty

    @property
    def has_no_fixed_choice(self) -> bool:
        """A picture that differs from sitting to sitting has no one right choice to count."""
        return self.version.kind == Kind.PICTURE and not self.figures.choices


@dataclass(frozen=True)
class CategoryAnalysis:
    """``reliability`` and ``consistency`` are of ``paper``, the newest version that was sat, by its own
    ``paper_sittings``; the questions are over every version."""

    category: Category
    sittings: int
    people: int
    paper: PaperVersion | None
    paper_sittings: int
    questions: tuple[AnalysedQuestion, ...]
    reliability: Reliability | None
    consistency: Consistency | None

    @property
    def sat_again(self) -> bool:
        """Whether somebody sat more than once: intervals take every sitting for another person's."""
        return self.people < self.sittings


def category_analysis(category: Category) -> CategoryAnalysis:
    """Everything that was sat for a category, unanswered as wrong and the last answer in time as the one that
    counts. Four statements, however many sittings, questions and answers."""
    sittings = list(sat_papers().filter(category=category).select_related("paper").order_by("pk"))
    if not sittings:
        return CategoryAnalysis(category, 0, 0, None, 0, (), None, None)
    versions, responses = _responses(category, {sitting.pk: row for row, sitting in enumerate(sittings)})
    found = analyse(responses)
    paper = max((sitting.paper for sitting in sittings), key=lambda one: one.number)
    of_paper = np.array([sitting.paper_id == paper.pk for sitting in sittings])
    only = Responses(responses.questions, responses.marks[of_paper])
    trusted = reliability(only)
    return CategoryAnalysis(
        category=category,
        sittings=len(sittings),
        people=len({sitting.operator_id for sitting in sittings}),
        paper=paper,
        paper_sittings=int(of_paper.sum()),
        questions=_analysed(versions, found),
        reliability=trusted,
        consistency=decided(only, paper.cut, trusted),
    )


def _analysed(versions: list[QuestionVersion], found: Analysis) -> tuple[AnalysedQuestion, ...]:
    return tuple(
        AnalysedQuestion(*each) for each in zip(versions, found.questions, found.difficulties, strict=True)
    )


@dataclass
class _Drawn:
    """One question in one sitting: where it stands in the table, and the answer that counts."""

    row: int
    version: int
    shown: dict[str, Any]
    given: dict[str, Any] | None = None
    is_right: bool = False
    seconds: int | None = None


def _responses(category: Category, rows: dict[Any, int]) -> tuple[list[QuestionVersion], Responses]:
    of_category = {
        "sitting__category": category,
        "sitting__kind": Sitting.Kind.PAPER,
        "sitting__status": Sitting.Status.FINISHED,
    }
    drawn = {
        key: _Drawn(rows[sitting], version, shown)
        for key, sitting, version, shown in DrawnQuestion.objects.filter(**of_category)
        .order_by()
        .values_list("pk", "sitting_id", "version_id", "shown")
        .iterator(chunk_size=ROWS_AT_A_TIME)
        # Finished while this page was being read: the next page shows it.
        if sitting in rows
    }
    answers = (
        Answer.objects.filter(
            is_late=False, **{f"drawn__{name}": value for name, value in of_category.items()}
        )
        .order_by("pk")
        .values_list("drawn_id", "given", "is_right", "seconds")
    )
    # The last one stays.
    for key, given, is_right, seconds in answers.iterator(chunk_size=ROWS_AT_A_TIME):
        if one := drawn.get(key):
            one.given, one.is_right, one.seconds = given, is_right, seconds
    versions = list(
        QuestionVersion.objects.filter(pk__in={one.version for one in drawn.values()})
        .select_related("question__topic")
        .order_by("question__code", "number")
    )
    return versions, _table(versions, drawn.values(), len(rows))


def _table(versions: list[QuestionVersion], drawn: Iterable[_Drawn], people: int) -> Responses:
    places = {version.pk: place for place, version in enumerate(versions)}
    marks = np.full((people, len(versions)), NOT_ASKED, np.int8)
    seconds = np.full(marks.shape, np.nan)
    by_version: dict[int, list[_Drawn]] = defaultdict(list)
    for one in drawn:
        place = places[one.version]
        marks[one.row, place] = one.is_right
        if one.seconds is not None:
            seconds[one.row, place] = one.seconds
        by_version[one.version].append(one)
    picked = {}
    for version in versions:
        if found := _picked(version, by_version[version.pk], people):
            picked[places[version.pk]] = found
    names = tuple(f"{version.question.code}, version {version.number}" for version in versions)
    return Responses(names, marks, picked, seconds)


def _picked(version: QuestionVersion, drawn: list[_Drawn], people: int) -> Picked | None:
    """Who picked what; for an order and for a number, every answer that somebody gave is a choice."""
    kind = Kind(version.kind)
    if kind is Kind.PICTURE:
        truths = {content_of(version, one.shown).truth for one in drawn}
        if len(truths) > 1:
            return None
        words = {choice.key: choice.words for choice in KINDS[version.picture].choices}
        offered = {label: key in truths for key, label in words.items()}
        labels = [(one.row, [words[one.given["choice"]]]) for one in drawn if one.given]
    else:
        content = content_from(kind, version.content)
        if kind in (Kind.ONE, Kind.SEVERAL):
            offered = {choice.text: choice.is_right for choice in content.choices}
            texts = [choice.text for choice in content.choices]
            labels = [(one.row, [texts[n] for n in _places(one.given)]) for one in drawn if one.given]
        else:
            right = " → ".join(content.steps) or f"{content.answer.normalize():f} {content.unit}".strip()
            offered = {right: True}
            labels = [
                (one.row, [right if one.is_right else _told(one.given, content.steps)])
                for one in drawn
                if one.given
            ]
            offered |= {label: False for _, (label,) in labels if label != right}
    columns = {label: n for n, label in enumerate(offered)}
    by_person = np.zeros((people, len(columns)), np.bool_)
    for row, those in labels:
        for label in those:
            by_person[row, columns[label]] = True
    return Picked(tuple(offered), tuple(offered.values()), by_person)


def _places(given: dict[str, Any]) -> list[int]:
    return given["choices"] if "choices" in given else [given["choice"]]


def _told(given: dict[str, Any], steps: tuple[str, ...]) -> str:
    return " → ".join(steps[n] for n in given["order"]) if steps else str(given["number"])
