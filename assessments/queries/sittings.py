"""Sittings as they stand: their questions with what was answered, and what somebody may sit next."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Max, Q, QuerySet

from assessments.models import (
    Answer,
    Booking,
    DrawnQuestion,
    MoreAttempts,
    PaperVersion,
    QuestionVersion,
    Sitting,
    Topic,
)
from assessments.rules.papers import NextAttempt, PaperResult, next_attempt
from assessments.rules.pictures import KINDS
from assessments.rules.questions import Content, Kind, content_from
from competence.models import Category, Operator
from competence.queries.words import holding
from competence.rules.dates import day_at
from competence.rules.reasons import long_date

Status = Sitting.Status


def content_of(version: QuestionVersion, shown: Mapping[str, Any]) -> Content:
    """What a question holds as it is shown in one place of a sitting, a drawn picture's truth with it."""
    if version.kind != Kind.PICTURE:
        return content_from(Kind(version.kind), version.content)
    picture = KINDS[version.picture]
    keys = tuple(choice.key for choice in picture.choices)
    return Content(Kind.PICTURE, keys=keys, truth=picture.truth(picture.from_plain(shown["parameters"])))


@dataclass(frozen=True)
class SheetQuestion:
    """One question in its place, what was answered in time (the last of these counts), and what came late."""

    drawn: DrawnQuestion
    answers: tuple[Answer, ...]

    @property
    def position(self) -> int:
        return self.drawn.position

    @property
    def version(self) -> QuestionVersion:
        return self.drawn.version

    @property
    def topic(self) -> Topic:
        return self.drawn.version.question.topic

    @cached_property
    def content(self) -> Content:
        return content_of(self.drawn.version, self.drawn.shown)

    @property
    def counted(self) -> Answer | None:
        return next((answer for answer in reversed(self.answers) if not answer.is_late), None)

    @property
    def late(self) -> tuple[Answer, ...]:
        return tuple(answer for answer in self.answers if answer.is_late)

    @property
    def is_right(self) -> bool:
        return self.counted is not None and self.counted.is_right


@dataclass(frozen=True)
class SittingSheet:
    """A sitting with everything drawn for it."""

    sitting: Sitting
    questions: tuple[SheetQuestion, ...]

    @property
    def unanswered(self) -> tuple[SheetQuestion, ...]:
        return tuple(question for question in self.questions if question.counted is None)

    @property
    def answered(self) -> int:
        return len(self.questions) - len(self.unanswered)

    @property
    def marks(self) -> list[tuple[str, bool]]:
        """Topic and whether right, question by question: unanswered is wrong."""
        return [(question.topic.code, question.is_right) for question in self.questions]


def sittings_to_show() -> QuerySet[Sitting]:
    """Sittings with whose they are and which paper. No statement yet."""
    return Sitting.objects.select_related("operator__state__site", "category", "paper")


def sheet_of(sitting: Sitting) -> SittingSheet:
    """Two statements, however many questions and answers."""
    return sheets_of([sitting])[0]


def sheets_of(sittings: Sequence[Sitting]) -> list[SittingSheet]:
    """The sheet of each. Two statements, however many."""
    drawn: dict[Any, list[DrawnQuestion]] = defaultdict(list)
    for one in (
        DrawnQuestion.objects.filter(sitting__in=sittings)
        .select_related("version__question__topic")
        .order_by("position")
    ):
        drawn[one.sitting_id].append(one)
    answers: dict[int, list[Answer]] = defaultdict(list)
    for answer in Answer.objects.filter(drawn__sitting__in=sittings).order_by("pk"):
        answers[answer.drawn_id].append(answer)
    return [
        SittingSheet(sitting, tuple(SheetQuestion(one, tuple(answers[one.pk])) for one in drawn[sitting.pk]))
        for sitting in sittings
    ]


def last_seen(operator: Operator) -> dict[str, float]:
    """When this person was last asked each question, by the question's code. One statement."""
    rows = (
        DrawnQuestion.objects.filter(sitting__operator=operator)
        .order_by()
        .values_list("version__question__code")
        .annotate(at=Max("sitting__started_at"))
    )
    return {code: at.timestamp() for code, at in rows}


def today_of(operator: Operator, moment: datetime) -> date:
    """The day at the operator's home site, where their record is kept."""
    return day_at(moment, ZoneInfo(operator.site.zone))


def attempts_of(
    operator: Operator, paper: PaperVersion, today: date, past: Iterable[Sitting], allowed_at: datetime | None
) -> NextAttempt:
    """When this person may sit the paper next, by its finished sittings, oldest first. No statement."""
    zone = ZoneInfo(operator.site.zone)
    counted = [
        (day_at(one.finished_at, zone), one.is_passed)
        for one in past
        if allowed_at is None or one.finished_at > allowed_at
    ]
    return next_attempt(counted, attempts=paper.attempts, wait_days=paper.wait_days, today=today)


def next_attempt_of(operator: Operator, paper: PaperVersion, today: date) -> NextAttempt:
    """The same, read for one paper. Two statements."""
    past = Sitting.objects.filter(
        operator=operator, category=paper.category_id, kind=Sitting.Kind.PAPER, status=Status.FINISHED
    ).order_by("finished_at")
    allowed = MoreAttempts.objects.filter(operator=operator, category=paper.category_id)
    allowed_at = allowed.aggregate(at=Max("recorded_at"))["at"]
    return attempts_of(operator, paper, today, list(past), allowed_at)


@dataclass(frozen=True)
class PaperOffer:
    """One category's paper as its sitter sees it: what it is, whether it may be sat, and if not, why."""

    paper: PaperVersion
    next: NextAttempt
    today: date
    is_asked_for: bool
    latest: Sitting | None
    lines: tuple[Any, ...]

    @property
    def category(self) -> Category:
        return self.paper.category

    @property
    def questions(self) -> int:
        return sum(line.questions for line in self.lines)

    @property
    def critical(self) -> list[Any]:
        return [line for line in self.lines if line.is_critical]

    @property
    def may_be_sat(self) -> bool:
        return self.next.on is not None and self.next.on <= self.today

    @property
    def day_words(self) -> str:
        return long_date(self.next.on) if self.next.on else ""

    @property
    def is_passed(self) -> bool:
        return self.latest is not None and bool(self.latest.is_passed)


@dataclass(frozen=True)
class OwnSittings:
    """What an operator may do, is in the middle of, and did."""

    operator: Operator
    open_one: Sitting | None
    offers: tuple[PaperOffer, ...]
    finished: tuple[Sitting, ...]

    @property
    def asked_for(self) -> list[PaperOffer]:
        return [offer for offer in self.offers if offer.is_asked_for]

    @property
    def others(self) -> list[PaperOffer]:
        return [offer for offer in self.offers if not offer.is_asked_for]

    @property
    def to_sit(self) -> list[PaperOffer]:
        return [offer for offer in self.asked_for if not offer.is_passed]


def own_sittings(operator: Operator, moment: datetime) -> OwnSittings:
    """The papers in force with what stands between this person and each, and their sittings. Nine statements
    at most, however many papers and sittings."""
    today = today_of(operator, moment)
    papers: dict[int, PaperVersion] = {}
    for paper in PaperVersion.objects.filter(in_force_from__lte=today).order_by("in_force_from"):
        papers[paper.category_id] = paper
    in_force = PaperVersion.objects.filter(pk__in=[paper.pk for paper in papers.values()])
    sittings = list(sittings_to_show().filter(operator=operator).order_by("started_at"))
    past: dict[int, list[Sitting]] = defaultdict(list)
    for one in sittings:
        if one.kind == Sitting.Kind.PAPER and one.status == Status.FINISHED:
            past[one.category_id].append(one)
    for held in past.values():
        held.sort(key=lambda one: one.finished_at)
    allowed = dict(
        MoreAttempts.objects.filter(operator=operator)
        .order_by()
        .values_list("category")
        .annotate(at=Max("recorded_at"))
    )
    asked = categories_of(operator, today)
    offers = [
        PaperOffer(
            paper=paper,
            next=attempts_of(operator, paper, today, past[paper.category_id], allowed.get(paper.category_id)),
            today=today,
            is_asked_for=paper.category_id in asked,
            latest=past[paper.category_id][-1] if past[paper.category_id] else None,
            lines=tuple(sorted(paper.lines.all(), key=lambda line: line.topic.name)),
        )
        for paper in in_force.select_related("category").prefetch_related("lines__topic")
    ]
    offers.sort(key=lambda offer: offer.category.name)
    return OwnSittings(
        operator,
        next((one for one in sittings if one.status == Status.OPEN), None),
        tuple(offers),
        tuple(reversed([one for one in sittings if one.status == Status.FINISHED])),
    )


def categories_of(operator: Operator, today: date) -> set[int]:
    """The categories that this person's record is about: of their tickets, of evidence of training or
    assessment, and of what they are booked for. Three statements."""
    tickets = operator.tickets.filter(is_withdrawn=False).values_list("category", flat=True)
    shown = operator.evidence.filter(category__isnull=False, strikes_out=False, corrected_by__isnull=True)
    coming = Booking.objects.filter(
        operator=operator, called_off_at__isnull=True, on__gte=today - timedelta(days=1)
    )
    return (
        set(tickets)
        | set(shown.values_list("category", flat=True))
        | set(coming.values_list("machine__state__category", flat=True))
    )


def ticket_categories(operator: Operator) -> list[Category]:
    """The categories that this person holds a ticket for, whatever it amounts to today. One statement."""
    return list(Category.objects.filter(tickets__operator=operator, tickets__is_withdrawn=False))


def result_of(sitting: Sitting) -> PaperResult:
    """What a finished sitting amounts to, as it was kept. No statement."""
    return PaperResult.from_plain(sitting.outcome)


def over_and_open(moment: datetime) -> QuerySet[Sitting]:
    """Papers whose time is up and that nobody has finished yet. No statement yet."""
    return Sitting.objects.filter(status=Status.OPEN, ends_at__lt=moment)


def sittings_asked(
    site_ids: frozenset[int] | None,
    *,
    words: str = "",
    site: str = "",
    category: str = "",
    kind: str = "",
) -> QuerySet[Sitting]:
    """Sittings of people of these sites, newest first. No statement yet."""
    found = sittings_to_show().order_by("-started_at", "pk")
    if site_ids is not None:
        found = found.filter(operator__state__site__in=site_ids)
    found = holding(found, words, "operator__number", "operator__given_name", "operator__family_name")
    narrowed = {
        "operator__state__site__code": site,
        "category__code": category,
        "kind": kind,
    }
    return found.filter(Q(**{column: value for column, value in narrowed.items() if value}))
