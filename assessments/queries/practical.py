"""An assessment as it stands: the marks that count, the order in which things were seen, the sheet."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from assessments.models import Assessment, PointNote, Tap
from competence.models import Account, Appointment, Category, ListedPoint, Precedence

DONE = frozenset({Tap.Mark.UNPROMPTED, Tap.Mark.PROMPTED, Tap.Mark.UNSAFE})


@dataclass(frozen=True)
class Standing:
    """What counts at one point: the last mark, and when in the walk-round it was seen done, if it was."""

    mark: str
    order: int | None


def marks_that_count(taps: Iterable[Tap]) -> dict[int, Standing]:
    """By listed point, from the taps in the order of their keys.

    A mark that is changed keeps the place at which the point was first seen done; a mark that is taken back,
    or becomes missed, gives its place up.
    """
    marks: dict[int, Standing] = {}
    for order, tap in enumerate(taps):
        before = marks.get(tap.listed_id)
        if not tap.mark:
            marks.pop(tap.listed_id, None)
        elif tap.mark in DONE:
            place = before.order if before and before.order is not None else order
            marks[tap.listed_id] = Standing(tap.mark, place)
        else:
            marks[tap.listed_id] = Standing(tap.mark, None)
    return marks


@dataclass(frozen=True)
class SheetPoint:
    listed: ListedPoint
    standing: Standing | None
    notes: tuple[PointNote, ...]


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
    taps: int

    @property
    def points(self) -> tuple[SheetPoint, ...]:
        return tuple(point for zone in self.zones for point in zone.points)

    @property
    def unmarked(self) -> tuple[ListedPoint, ...]:
        return tuple(point.listed for point in self.points if point.standing is None)


def sheet_of(assessment: Assessment) -> Sheet:
    """The assessment's zones, points, marks and notes, and the order rules between them. Four statements."""
    taps = list(assessment.taps.order_by("pk"))
    marks = marks_that_count(taps)
    notes: dict[int, list[PointNote]] = {}
    for note in assessment.notes.order_by("pk"):
        notes.setdefault(note.listed_id, []).append(note)
    zones: dict[tuple[str, str], list[SheetPoint]] = {}
    applicable = set()
    for assessed in assessment.points.select_related("listed__point").order_by("listed__position"):
        listed = assessed.listed
        applicable.add(listed.pk)
        zones.setdefault((listed.zone_code, listed.zone_name), []).append(
            SheetPoint(listed, marks.get(listed.pk), tuple(notes.get(listed.pk, ())))
        )
    precedences = tuple(
        pair
        for pair in assessment.checklist.precedences.order_by("pk")
        if pair.earlier_id in applicable and pair.later_id in applicable
    )
    numbered = enumerate(zones.items(), start=1)
    return Sheet(
        assessment,
        tuple(SheetZone(number, code, name, tuple(points)) for number, ((code, name), points) in numbered),
        precedences,
        len(taps),
    )


def appointment_on(account: Account, category: Category, on: date) -> Appointment | None:
    """The account's appointment for a category that is in date; the newest one recorded decides.
    One statement."""
    newest = (
        Appointment.objects.filter(account=account, category=category).order_by("-recorded_at", "-pk").first()
    )
    return newest if newest and newest.first_day <= on <= newest.last_day else None
