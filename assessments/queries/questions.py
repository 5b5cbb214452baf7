"""The bank: what may be drawn, what is to be found in it, and one question with all that happened to it."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import Exists, OuterRef, Q, QuerySet, Subquery, TextField
from django.db.models.functions import Cast

from assessments.models import (
    BlueprintLine,
    DrawnQuestion,
    Panel,
    PaperVersion,
    Question,
    QuestionReview,
    QuestionVersion,
)
from assessments.rules.papers import BankItem
from competence.models import Category
from competence.queries.words import holding


def versions_in_use() -> QuerySet[QuestionVersion]:
    """Of every question that is not retired, the newest version that somebody reviewed. No statement yet."""
    newest = (
        QuestionVersion.objects.filter(question=OuterRef("question"), review__isnull=False)
        .order_by("-number")
        .values("pk")[:1]
    )
    return QuestionVersion.objects.filter(
        question__retired_at__isnull=True, pk=Subquery(newest)
    ).select_related("question__topic")


def bank_for(category: Category | None) -> list[QuestionVersion]:
    """What may be drawn for a category, by the questions' codes; for ``None``, what is asked whatever the
    category. One statement."""
    # Which categories a question is of is JSON, which not every database searches: it is read here.
    code = category.code if category else None
    return [
        version
        for version in versions_in_use().order_by("question__code")
        if not version.categories or code in version.categories
    ]


def bank_items(bank: Iterable[QuestionVersion], seen: Mapping[str, float] | None = None) -> list[BankItem]:
    """The bank as the drawing rule takes it; ``seen``: when somebody last saw each question."""
    at = seen or {}
    return [BankItem(one.question.code, one.question.topic.code, at.get(one.question.code)) for one in bank]


# What a question may be looked for by: where it stands.
STATES = (("waiting", "Waiting for review"), ("in-use", "In use"), ("retired", "Retired"))


def questions_found(
    *, words: str = "", topic: str = "", kind: str = "", category: str = "", state: str = ""
) -> QuerySet[QuestionVersion]:
    """The newest version of each question, by topic and code, with ``used``: the number of the version in
    use. Retired ones only where they are asked for. No statement yet."""
    of_question = QuestionVersion.objects.filter(question=OuterRef("question")).order_by("-number")
    found = (
        QuestionVersion.objects.filter(pk=Subquery(of_question.values("pk")[:1]))
        .annotate(used=Subquery(of_question.filter(review__isnull=False).values("number")[:1]))
        .select_related("question__topic", "author", "review__reviewed_by")
        .order_by("question__topic__name", "question__code")
    )
    found = found.filter(question__retired_at__isnull=state != "retired")
    if state == "waiting":
        found = found.filter(review__isnull=True)
    elif state == "in-use":
        found = found.filter(used__isnull=False)
    if topic:
        found = found.filter(question__topic__code=topic)
    if kind:
        found = found.filter(kind=kind)
    if category:
        # Searched as text, which every database can; codes stand there in quotes, so none is part of another.
        found = found.annotate(categories_text=Cast("categories", TextField())).filter(
            Q(categories=[]) | Q(categories_text__contains=f'"{category}"')
        )
    return holding(found, words, "question__code", "scenario", "ask", "explanation")


def waiting_count() -> int:
    """How many questions have a newest version that nobody reviewed. One statement."""
    return questions_found(state="waiting").count()


@dataclass(frozen=True)
class QuestionSheet:
    """One question: its versions, the latest first, the one shown, and where the question is used."""

    question: Question
    versions: list[QuestionVersion]
    shown: QuestionVersion
    in_use: QuestionVersion | None
    categories: list[Category]
    times_drawn: int
    papers: list[PaperVersion]
    panels: list[Panel]

    @property
    def latest(self) -> QuestionVersion:
        return self.versions[0]

    @property
    def is_latest_waiting(self) -> bool:
        return self.question.retired_at is None and review_of(self.latest) is None


def review_of(version: QuestionVersion) -> QuestionReview | None:
    return getattr(version, "review", None)


def question_sheet(question: Question, on: date, number: int | None = None) -> QuestionSheet | None:
    """A question with version ``number`` shown, or else the newest; ``None`` where it never had that one.

    Five statements, however many versions.
    """
    versions = list(
        question.versions.select_related("author", "review__reviewed_by", "question__topic").order_by(
            "-number"
        )
    )
    shown = next((one for one in versions if number in (None, one.number)), None)
    if shown is None:
        return None
    in_use = next((one for one in versions if review_of(one) is not None), None)
    papers: dict[int, PaperVersion] = {}
    for paper in (
        PaperVersion.objects.filter(in_force_from__lte=on)
        .select_related("category")
        .annotate(asks=Exists(BlueprintLine.objects.filter(version=OuterRef("pk"), topic=question.topic_id)))
        .order_by("in_force_from")
    ):
        papers[paper.category_id] = paper
    return QuestionSheet(
        question=question,
        versions=versions,
        shown=shown,
        in_use=in_use if question.retired_at is None else None,
        categories=list(Category.objects.filter(code__in=shown.categories).order_by("name")),
        times_drawn=DrawnQuestion.objects.filter(version__question=question).count(),
        papers=sorted(
            (
                paper
                for paper in papers.values()
                if paper.asks and (not shown.categories or paper.category.code in shown.categories)
            ),
            key=lambda paper: paper.category.name,
        ),
        panels=list(
            Panel.objects.filter(questions__version__question=question)
            .select_related("category")
            .distinct()
            .order_by("-opened_at")
        ),
    )
