"""What is still known: everything that was seen of a person's topics, and when they should be asked again."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from assessments.models import Answer, Assessment, BlueprintLine, PaperVersion, Sitting, Tap, Topic
from assessments.queries.questions import bank_for
from assessments.queries.sittings import ticket_categories, today_of
from assessments.rules.recall import How, Seen, TopicRecall, recall_of
from competence.models import Category, DailyCheck, Evidence, Finding, Operator, Requirement, StandardVersion

# From so many days before it falls due, a refresher is spoken of on the start page.
SPOKEN_OF_DAYS = 14
# Where no standard of a person's says how much must still be known: what the model of recall aims at.
SHOWN_LEVEL = Decimal("0.9")

AT_THE_MACHINE = {
    Tap.Mark.UNPROMPTED: How.SHOWN,
    Tap.Mark.PROMPTED: How.PROMPTED,
    Tap.Mark.MISSED: How.MISSED,
    Tap.Mark.UNSAFE: How.MISSED,
}
WORST_LAST = (How.SHOWN, How.PROMPTED, How.MISSED)


def recalls_of(operator: Operator) -> dict[str, TopicRecall]:
    """What is believed of each topic that this person was ever seen at. Three statements."""
    seen = [*_answered(operator), *_shown(operator), *_not_reached(operator)]
    return recall_of(seen, ZoneInfo(operator.site.zone))


def _answered(operator: Operator) -> Iterable[Seen]:
    """The answer that counts for each question of each finished sitting. One left unanswered says nothing of
    what is known."""
    rows = (
        Answer.objects.filter(
            drawn__sitting__operator=operator, drawn__sitting__status=Sitting.Status.FINISHED, is_late=False
        )
        .order_by("pk")
        .values_list("drawn", "drawn__version__question__topic__code", "answered_at", "is_right")
    )
    counted = {drawn: (topic, at, is_right) for drawn, topic, at, is_right in rows}
    for topic, at, is_right in counted.values():
        yield Seen(topic, at, How.RIGHT if is_right else How.WRONG)


def _shown(operator: Operator) -> Iterable[Seen]:
    """What confirmed practical assessments saw: of all the points of a topic, the worst."""
    rows = (
        Tap.objects.filter(
            assessment__operator=operator,
            assessment__status=Assessment.Status.CONFIRMED,
            assessment__alongside__isnull=True,
        )
        .order_by("pk")
        .values_list("assessment", "listed", "listed__point__topic", "assessment__finished_at", "mark")
    )
    marks = {(assessment, listed): told for assessment, listed, *told in rows}
    worst: dict[tuple[int, str], Seen] = {}
    for (assessment, _), (topic, at, mark) in marks.items():
        if not mark:
            continue
        how = AT_THE_MACHINE[mark]
        before = worst.get((assessment, topic))
        if before is None or WORST_LAST.index(how) > WORST_LAST.index(before.how):
            worst[assessment, topic] = Seen(topic, at, how)
    return worst.values()


def _not_reached(operator: Operator) -> Iterable[Seen]:
    """Topics of which a daily check left out a point, each once a week: what cannot be reached this week is
    often the same mud, and says no more on Friday than it did on Monday."""
    rows = (
        Finding.objects.filter(
            daily_check__operator=operator,
            daily_check__status=DailyCheck.Status.SUBMITTED,
            answer=Finding.Answer.NOT_REACHED,
        )
        .order_by("-daily_check__submitted_at")
        .values_list("daily_check__submitted_at", "listed__point__topic")
    )
    zone = ZoneInfo(operator.site.zone)
    weeks = {
        (topic, at.astimezone(zone).isocalendar()[:2]): Seen(topic, at, How.NOT_REACHED) for at, topic in rows
    }
    return weeks.values()


def critical_topics(category: Category, on: date) -> frozenset[str]:
    """The topics that must not be forgotten: critical in the paper in force, or, where there is none, those
    with a question in use that can kill. Two statements at most."""
    paper = PaperVersion.objects.filter(category=category, in_force_from__lte=on).order_by("-in_force_from")
    lines = BlueprintLine.objects.filter(version=paper.values("pk")[:1])
    rows = list(lines.values_list("topic__code", "must_be_right"))
    if rows:
        return frozenset(topic for topic, must_be_right in rows if must_be_right)
    return frozenset(one.question.topic.code for one in bank_for(category) if one.is_critical)


def recall_requirements(categories: Collection[Category], on: date) -> dict[int, Requirement]:
    """By category, the line of the standard in force that asks for recall, where one does. Two statements."""
    versions = StandardVersion.objects.filter(category__in=categories, in_force_from__lte=on)
    in_force = dict(versions.order_by("in_force_from").values_list("category", "pk"))
    lines = Requirement.objects.filter(version__in=in_force.values(), kind=Requirement.Kind.RECALL)
    by_version = {line.version_id: line for line in lines}
    return {category: by_version[pk] for category, pk in in_force.items() if pk in by_version}


def recall_held(operator: Operator) -> dict[int, Evidence]:
    """By category, the newest row of evidence of recall that stands. One statement."""
    rows = Evidence.objects.filter(
        operator=operator,
        kind=Requirement.Kind.RECALL,
        corrected_by__isnull=True,
        strikes_out=False,
    )
    return {row.category_id: row for row in rows.order_by("occurred_on", "pk")}


@dataclass(frozen=True)
class RefresherDue:
    """When the next refresher falls due for the categories whose standards ask for it: ``on`` is the last day
    before it does, ``None`` where nothing good is held yet. ``categories``: those that come first."""

    on: date | None
    today: date
    categories: tuple[Category, ...]

    @property
    def is_over(self) -> bool:
        return self.on is None or self.on < self.today

    @property
    def is_near(self) -> bool:
        return self.on is None or self.on <= self.today + timedelta(days=SPOKEN_OF_DAYS)


def refresher_due(operator: Operator, moment: datetime) -> RefresherDue | None:
    """``None`` where no standard of this person's tickets asks for refreshers. Four statements at most."""
    today = today_of(operator, moment)
    categories = ticket_categories(operator)
    asked = recall_requirements(categories, today) if categories else {}
    if not asked:
        return None
    held = recall_held(operator)
    ends = {
        category: held[category.pk].counts_to if category.pk in held and held[category.pk].is_met else None
        for category in categories
        if category.pk in asked
    }
    none_held = [category for category, end in ends.items() if end is None]
    if none_held:
        return RefresherDue(None, today, tuple(none_held))
    soonest = min(end for end in ends.values() if end is not None)
    return RefresherDue(soonest, today, tuple(category for category, end in ends.items() if end == soonest))


@dataclass(frozen=True)
class Known:
    """One topic as its learner sees it. ``share``: how likely it is still known today, from 0 to 1."""

    topic: Topic
    is_critical: bool
    share: float | None
    fades_on: date | None
    is_fading: bool

    @property
    def tenths(self) -> int:
        return round((self.share or 0) * 10)

    @property
    def words(self) -> str:
        """Never ten in ten: nobody is certain of what somebody else knows."""
        return "better than 9 in 10" if self.tenths == 10 else f"about {self.tenths} in 10"


@dataclass(frozen=True)
class Knowledge:
    """What somebody knows of the topics that they may be asked, the least known first."""

    topics: tuple[Known, ...]
    due: RefresherDue | None
    today: date

    @property
    def fading(self) -> list[Known]:
        return [one for one in self.topics if one.share is not None and one.is_fading]

    @property
    def fresh(self) -> list[Known]:
        return [one for one in self.topics if one.share is not None and not one.is_fading]

    @property
    def not_asked(self) -> list[Known]:
        return [one for one in self.topics if one.share is None]


def knowledge_of(operator: Operator, moment: datetime) -> Knowledge:
    """At most three statements for each category of the person's tickets, and ten besides."""
    today = today_of(operator, moment)
    categories = ticket_categories(operator)
    asked = recall_requirements(categories, today) if categories else {}
    levels = [line.recall_level for line in asked.values()]
    level = max(levels, default=SHOWN_LEVEL)
    banks = [bank_for(category) for category in categories] or [bank_for(None)]
    topics = {one.question.topic.code: one.question.topic for bank in banks for one in bank}
    critical = {code for category in categories for code in critical_topics(category, today)}
    recalls = recalls_of(operator)
    known = [
        _known(topic, recalls.get(code), code in critical, today, level) for code, topic in topics.items()
    ]
    known.sort(key=lambda one: (one.share is None, one.share or 0, not one.is_critical, one.topic.name))
    return Knowledge(tuple(known), refresher_due(operator, moment), today)


def _known(topic: Topic, recall: TopicRecall | None, is_critical: bool, today: date, level: Decimal) -> Known:
    if recall is None or not recall.is_known:
        return Known(topic, is_critical, None, None, is_fading=False)
    fades_on = recall.due_on(level)
    # What must be asked again by tonight went wrong just now: it is not called fresh, whatever the hour says.
    return Known(topic, is_critical, recall.recall(today), fades_on, fades_on is None or fades_on <= today)
