"""Double markings: who marked the same walk-around, whether marks may be seen yet, and how they agree."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Any
from uuid import UUID

from django.db.models import Exists, Max, OuterRef, Prefetch, Q, QuerySet

from assessments.models import Assessment, Tap
from assessments.rules.agreement import Agreement, DoubleMark, agreement, agreement_by_zone
from assessments.rules.scoring import LEAST_FIRST
from competence.models import Account

Status = Assessment.Status


@dataclass(frozen=True)
class DoubleMarking:
    """Every marking of one walk-around that was not abandoned: the first one's, and those alongside it.

    ``first`` names the walk-around, even where its own marking was abandoned.
    """

    first: Assessment
    markings: tuple[Assessment, ...]

    @property
    def is_double(self) -> bool:
        return len(self.markings) > 1

    @property
    def still_marking(self) -> tuple[Assessment, ...]:
        return tuple(each for each in self.markings if each.status == Status.MARKING)

    @property
    def is_open(self) -> bool:
        """Whether marks may be shown: nobody is still marking blind."""
        return self.is_double and not self.still_marking

    @property
    def assessors(self) -> tuple[Account, ...]:
        return tuple(each.assessor for each in self.markings)


@dataclass(frozen=True)
class Place:
    """A point of one walk-around."""

    walk_around: UUID
    position: int
    code: str
    is_critical: bool


@dataclass(frozen=True)
class Comparison:
    """Two assessors' marks of the walk-arounds that both marked."""

    first: Account
    second: Account
    marks: tuple[DoubleMark, ...]
    whole: Agreement
    zones: dict[str, Agreement]
    walk_arounds: int

    @property
    def pair(self) -> str:
        """The same word whoever comes first."""
        return "-".join(map(str, sorted((self.first.pk, self.second.pk))))


@dataclass(frozen=True)
class PointDiffered:
    """A point over all walk-arounds at which two assessors marked it: how often they differed, and by how
    many steps in all."""

    title: str
    is_critical: bool
    compared: int
    differed: int
    steps: int


def settled_assessments() -> QuerySet[Assessment]:
    """Finished and confirmed assessments, less those of a walk-around that somebody is still marking.

    Until the last assessor of a walk-around has finished, no figure may give away what the others gave.
    """
    blind = Assessment.objects.filter(status=Status.MARKING)
    same = Q(alongside=OuterRef("pk")) | Q(pk=OuterRef("alongside")) | Q(alongside=OuterRef("alongside"))
    return Assessment.objects.filter(status__in=(Status.FINISHED, Status.CONFIRMED)).filter(
        ~Exists(blind.filter(same))
    )


def last_taps(of: QuerySet[Assessment]) -> QuerySet[Tap]:
    """The taps that count: the last at each point of each assessment, unless it took the mark back."""
    newest = Tap.objects.filter(assessment__in=of.values("pk")).values("assessment", "listed")
    return Tap.objects.filter(pk__in=newest.annotate(last=Max("pk")).values("last")).exclude(mark="")


def double_markings(firsts: QuerySet[Assessment]) -> list[DoubleMarking]:
    """The walk-arounds of these first markings, in their order. Two statements."""
    beside = Assessment.objects.select_related("assessor").order_by("started_at", "pk")
    rows = firsts.select_related("operator", "machine", "site", "category", "assessor").prefetch_related(
        Prefetch("second_markings", queryset=beside, to_attr="beside")
    )
    return [
        DoubleMarking(
            first, tuple(each for each in (first, *first.beside) if each.status != Status.ABANDONED)
        )
        for first in rows
    ]


def double_markings_at(
    site_ids: frozenset[int] | None, *, site: str = "", category: str = ""
) -> list[DoubleMarking]:
    """Every walk-around at these sites that was marked beside somebody, the newest first. Two statements."""
    return double_markings(_firsts_at(site_ids, site, category).order_by("-started_at", "pk"))


def _firsts_at(site_ids: frozenset[int] | None, site: str, category: str) -> QuerySet[Assessment]:
    beside = Assessment.objects.filter(alongside=OuterRef("pk")).exclude(status=Status.ABANDONED)
    firsts = Assessment.objects.filter(Exists(beside), alongside__isnull=True)
    if site_ids is not None:
        firsts = firsts.filter(site__in=site_ids)
    if site:
        firsts = firsts.filter(site__code=site)
    if category:
        firsts = firsts.filter(category__code=category)
    return firsts


def comparisons(found: Iterable[DoubleMarking]) -> list[Comparison]:
    """Each two assessors' marks compared, pooled over these walk-arounds. One statement.

    Walk-arounds that somebody is still marking are passed over. Of a pair, whoever comes first in the first
    walk-around does in all, so that they add up; the pairs come in the order of their names.
    """
    open_ones = {each.first.pk: each for each in found if each.is_open}
    people: dict[tuple[int, int], tuple[Account, Account]] = {}
    pooled: dict[tuple[int, int], list[DoubleMark]] = {}
    walked: Counter[tuple[int, int]] = Counter()
    given = _marks_given(open_ones)
    for walk_around, double in open_ones.items():
        for one, other in combinations(double.markings, 2):
            first, second = (other, one) if (other.assessor_id, one.assessor_id) in pooled else (one, other)
            key = (first.assessor_id, second.assessor_id)
            people[key] = (first.assessor, second.assessor)
            walked[key] += 1
            pooled.setdefault(key, []).extend(_paired(walk_around, given, first, second))
    return sorted(
        (_compared(*people[key], tuple(marks), walked[key]) for key, marks in pooled.items()),
        key=lambda each: (each.first.name, each.second.name, each.pair),
    )


Given = dict[UUID, dict[int, tuple[str, str, str, bool, str]]]


def _marks_given(open_ones: dict[UUID, DoubleMarking]) -> Given:
    """By assessment and place on the list: the mark, with the point's title, code, weightiness and zone."""
    settled = settled_assessments().filter(Q(pk__in=list(open_ones)) | Q(alongside__in=list(open_ones)))
    rows = last_taps(settled).values_list(
        "assessment_id",
        "listed__position",
        "mark",
        "listed__point__title",
        "listed__point__code",
        "listed__point__is_critical",
        "listed__zone_name",
    )
    given: Given = {}
    for assessment, position, *rest in rows.order_by("assessment_id", "listed__position").iterator():
        given.setdefault(assessment, {})[position] = tuple(rest)
    return given


def _paired(walk_around: UUID, given: Given, one: Assessment, other: Assessment) -> list[DoubleMark]:
    first, second = given.get(one.pk, {}), given.get(other.pk, {})
    marks = []
    for position in sorted(first.keys() | second.keys()):
        _, title, code, is_critical, zone = first.get(position) or second[position]
        marks.append(
            DoubleMark(
                Place(walk_around, position, code, is_critical),
                title,
                first[position][0] if position in first else None,
                second[position][0] if position in second else None,
                zone,
            )
        )
    return marks


def _compared(
    first: Account, second: Account, marks: tuple[DoubleMark, ...], walk_arounds: int
) -> Comparison:
    return Comparison(
        first,
        second,
        marks,
        agreement(marks, LEAST_FIRST),
        agreement_by_zone(marks, LEAST_FIRST),
        walk_arounds,
    )


def points_differed(found: Iterable[Comparison]) -> list[PointDiffered]:
    """The points that assessors marked differently: the most often first, then the furthest apart."""
    titles: dict[str, tuple[str, bool]] = {}
    seen: Counter[str] = Counter()
    differed: Counter[str] = Counter()
    steps: Counter[str] = Counter()
    for each in found:
        for mark in each.marks:
            place: Any = mark.key
            titles[place.code] = (mark.title, place.is_critical)
            seen[place.code] += mark.first is not None and mark.second is not None
        for one in each.whole.disagreements:
            code = one.mark.key.code  # type: ignore[attr-defined]
            differed[code] += 1
            steps[code] += one.steps or 0
    points = [
        PointDiffered(*titles[code], compared=seen[code], differed=count, steps=steps[code])
        for code, count in differed.items()
    ]
    return sorted(points, key=lambda point: (-point.differed, -point.steps, point.title))
