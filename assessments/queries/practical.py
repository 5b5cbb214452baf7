"""An assessment as it stands: the marks that count, the order in which things were seen, the sheet."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any, Protocol

from django.db.models import QuerySet

from assessments.models import AssessedPoint, Assessment, PointNote, Tap
from competence.models import Account, Appointment, Category, ListedPoint, Precedence
from competence.queries.checks import applicable_points

# A phone's clock is set by the network now and then; a jump back of less than this is nothing to speak of.
CLOCK_SLACK = timedelta(seconds=5)
DONE = frozenset({Tap.Mark.UNPROMPTED, Tap.Mark.PROMPTED, Tap.Mark.UNSAFE})


@dataclass(frozen=True)
class Standing:
    """What counts at one point: the last mark, and when in the walk-around it was seen done, if it was."""

    mark: str
    order: int | None


class OneTap(Protocol):
    """What counting asks of a tap; a whole row has it, and so has one read with fewer columns."""

    listed_id: int
    mark: str


def marks_that_count(taps: Iterable[OneTap]) -> dict[int, Standing]:
    """By listed point, from the taps in the order of their keys.

    A mark that is changed keeps the place at which the point was first seen done. A mark that is taken back,
    or becomes missed, gives its place up, unless the very next tap puts that right.
    """
    marks: dict[int, Standing] = {}
    given_up: tuple[int, int] | None = None
    for order, tap in enumerate(taps):
        before = marks.get(tap.listed_id)
        held = before.order if before else None
        if held is None and given_up and given_up[0] == tap.listed_id:
            held = given_up[1]
        given_up = None
        if tap.mark in DONE:
            marks[tap.listed_id] = Standing(tap.mark, order if held is None else held)
            continue
        if held is not None:
            given_up = (tap.listed_id, held)
        if tap.mark:
            marks[tap.listed_id] = Standing(tap.mark, None)
        else:
            marks.pop(tap.listed_id, None)
    return marks


def marked_so_far(assessment: Assessment) -> dict[int, tuple[Standing | None, str]]:
    """What stands at each point that was ever tapped, and the device of its last tap: without the sheet
    around it and without the moments, because it is asked at every tap. One statement."""
    taps = Tap.objects.filter(assessment=assessment).order_by("pk")
    read = list(taps.values_list("listed_id", "mark", "device", named=True))
    standing = marks_that_count(read)
    devices = {tap.listed_id: tap.device for tap in read}
    return {pk: (standing.get(pk), device) for pk, device in devices.items()}


@dataclass(frozen=True)
class SheetPoint:
    """One point: what counts there, its place among those seen done (1 is the first), and from which device
    the last tap came."""

    listed: ListedPoint
    standing: Standing | None
    notes: tuple[PointNote, ...]
    place: int | None = None
    device: str = ""


@dataclass(frozen=True)
class SheetZone:
    number: int
    code: str
    name: str
    points: tuple[SheetPoint, ...]

    @property
    def marked(self) -> int:
        return sum(point.standing is not None for point in self.points)


@dataclass(frozen=True)
class Sheet:
    """A whole assessment as the screen shows it."""

    assessment: Assessment
    zones: tuple[SheetZone, ...]
    precedences: tuple[Precedence, ...]
    taps: tuple[Tap, ...]

    @property
    def points(self) -> tuple[SheetPoint, ...]:
        return tuple(point for zone in self.zones for point in zone.points)

    @property
    def marked(self) -> int:
        return sum(zone.marked for zone in self.zones)

    @property
    def has_clock_gone_back(self) -> bool:
        """Whether a device's clock said an earlier moment for a later tap. Order is by arrival, so nothing
        is mixed up by it."""
        last: dict[str, datetime] = {}
        for tap in self.taps:
            if tap.device in last and tap.tapped_at < last[tap.device] - CLOCK_SLACK:
                return True
            last[tap.device] = tap.tapped_at
        return False

    @property
    def unmarked(self) -> tuple[ListedPoint, ...]:
        return tuple(point.listed for point in self.points if point.standing is None)


def sheet_of(assessment: Assessment) -> Sheet:
    """The assessment's zones, points, marks and notes, and the order rules between them. Four statements."""
    return sheets_of([assessment])[0]


def sheets_of(assessments: Sequence[Assessment]) -> list[Sheet]:
    """The sheet of each. Four statements, however many."""
    keys = [assessment.pk for assessment in assessments]
    taps, notes, points = (
        _by_assessment(rows)
        for rows in (
            Tap.objects.filter(assessment__in=keys).order_by("pk"),
            PointNote.objects.filter(assessment__in=keys).order_by("pk"),
            AssessedPoint.objects.filter(assessment__in=keys)
            .select_related("listed__point")
            .order_by("listed__position"),
        )
    )
    pairs: dict[int, list[Precedence]] = defaultdict(list)
    lists = {assessment.checklist_id for assessment in assessments}
    for pair in Precedence.objects.filter(version__in=lists).order_by("pk"):
        pairs[pair.version_id].append(pair)
    return [
        _sheet(one, tuple(taps[one.pk]), points[one.pk], notes[one.pk], pairs[one.checklist_id])
        for one in assessments
    ]


def _by_assessment(rows: Iterable[Any]) -> dict[Any, list[Any]]:
    parted: dict[Any, list[Any]] = defaultdict(list)
    for row in rows:
        parted[row.assessment_id].append(row)
    return parted


def _sheet(
    assessment: Assessment,
    taps: tuple[Tap, ...],
    points: Iterable[AssessedPoint],
    written: Iterable[PointNote],
    pairs: Iterable[Precedence],
) -> Sheet:
    marks = marks_that_count(taps)
    devices = {tap.listed_id: tap.device for tap in taps}
    seen = sorted((standing.order, pk) for pk, standing in marks.items() if standing.order is not None)
    places = {pk: place for place, (_, pk) in enumerate(seen, start=1)}
    notes: dict[int, list[PointNote]] = {}
    for note in written:
        notes.setdefault(note.listed_id, []).append(note)
    zones: dict[tuple[str, str], list[SheetPoint]] = {}
    applicable = set()
    for assessed in points:
        listed = assessed.listed
        applicable.add(listed.pk)
        zones.setdefault((listed.zone_code, listed.zone_name), []).append(
            SheetPoint(
                listed,
                marks.get(listed.pk),
                tuple(notes.get(listed.pk, ())),
                places.get(listed.pk),
                devices.get(listed.pk, ""),
            )
        )
    numbered = enumerate(zones.items(), start=1)
    return Sheet(
        assessment,
        tuple(SheetZone(number, code, name, tuple(points)) for number, ((code, name), points) in numbered),
        tuple(pair for pair in pairs if pair.earlier_id in applicable and pair.later_id in applicable),
        taps,
    )


def appointment_on(account: Account, category: Category, on: date) -> Appointment | None:
    """The account's appointment for a category that is in date; the newest one recorded decides.
    One statement."""
    newest = (
        Appointment.objects.filter(account=account, category=category).order_by("-recorded_at", "-pk").first()
    )
    return newest if newest and newest.first_day <= on <= newest.last_day else None


def assessments_to_show() -> QuerySet[Assessment]:
    """Assessments with what their pages name of them."""
    return Assessment.objects.select_related(
        "operator__state__site",
        "machine__state__site",
        "machine__state__category",
        "site",
        "category",
        "checklist",
        "standard_version",
        "assessor",
        "raised_by",
        "unconfirmed_by",
        "alongside__assessor",
        "evidence",
    )


def points_changed_since(assessment: Assessment) -> bool:
    """Whether other points would apply to the machine as it is fitted today. Two statements."""
    fixed = set(assessment.points.values_list("listed", flat=True))
    return {listed.pk for listed in applicable_points(assessment.checklist, assessment.machine)} != fixed
