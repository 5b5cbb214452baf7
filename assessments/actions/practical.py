"""A practical assessment: started, marked tap by tap, finished, confirmed by both."""

import hashlib
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction

from django.core.files.base import ContentFile
from django.db import transaction

from assessments.actions.asking import own, own_open, refuse_unless_marking, require_assessor, zone_of
from assessments.models import AssessedPoint, Assessment, Booking, PointNote, Tap
from assessments.queries.practical import Sheet, sheet_of
from assessments.rules.scoring import Mark, Outcome, Pair, SeenPoint, outcome
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import (
    Account,
    ChecklistVersion,
    ListedPoint,
    Machine,
    Operator,
    StandardVersion,
)
from competence.queries.checks import applicable_points, checklist_on
from competence.queries.tickets import standard_on
from competence.rules.dates import day_at

Status = Assessment.Status


class Unmarked(ActionRefused):
    """Points have no mark yet; ``points`` are they."""

    def __init__(self, points: tuple[ListedPoint, ...]) -> None:
        named = ", ".join(listed.point.title for listed in points[:5])
        more = f" and {len(points) - 5} more" if len(points) > 5 else ""
        super().__init__(f"Not marked yet: {named}{more}. Every mark given so far is kept.")
        self.points = points


@transaction.atomic
def start_assessment(
    *,
    by: Account,
    assessment_id: uuid.UUID,
    operator: Operator,
    machine: Machine,
    booking: Booking | None = None,
    alongside: Assessment | None = None,
) -> Assessment:
    """Open an assessment of an operator on a machine; the same ``assessment_id`` again gives the same one.

    The standard, the checklist and the points that apply are fixed now. ``alongside``: a colleague's
    assessment of the same walk-around, which this one marks a second time.
    """
    operator = Operator.objects.select_for_update(of=("self",)).get(pk=operator.pk)
    if earlier := Assessment.objects.filter(pk=assessment_id).first():
        if earlier.assessor_id != by.pk:
            raise ActionRefused("This page belongs to another assessment. Start again.")
        return earlier
    standard, checklist = start_rules(by=by, operator=operator, machine=machine)
    if open_one := Assessment.objects.filter(
        assessor=by, operator=operator, machine=machine, status=Status.MARKING
    ).first():
        return open_one
    if booking is not None and (booking.operator_id, booking.machine_id) != (operator.pk, machine.pk):
        raise ActionRefused("That booking is of another operator, or on another machine.")
    if alongside is not None:
        # Locked and read anew: it may be finished in this very moment.
        alongside = Assessment.objects.select_for_update(of=("self",)).get(pk=alongside.pk)
        _refuse_as_second(by, operator, machine, alongside)
        checklist, standard = alongside.checklist, alongside.standard_version
    assessment = Assessment.objects.create(
        id=assessment_id,
        operator=operator,
        machine=machine,
        site=machine.site,
        category=checklist.category,
        checklist=checklist,
        standard_version=standard,
        assessor=by,
        booking=booking,
        alongside=alongside,
        started_at=now(),
    )
    if alongside is not None:
        listed = [assessed.listed for assessed in alongside.points.select_related("listed")]
    else:
        listed = applicable_points(checklist, machine)
    if not listed:
        raise ActionRefused("No point of the checklist applies to this machine.", field="machine")
    points = AssessedPoint.objects.bulk_create(
        AssessedPoint(assessment=assessment, listed=point) for point in listed
    )
    record(by=by, action="assessment.started", rows=[assessment, *points])
    return assessment


def start_rules(
    *, by: Account, operator: Operator, machine: Machine
) -> tuple[StandardVersion, ChecklistVersion]:
    """The standard and the checklist by which ``by`` would assess this operator on this machine today.

    Raises what starting would raise, so that a page can say it before anybody walks to the machine.
    """
    refuse_erased(operator)
    _refuse_out_of_use(operator, machine)
    today = day_at(now(), zone_of(machine))
    require_assessor(by, operator, machine, today)
    category = machine.state.category
    standard, checklist = standard_on(category, today), checklist_on(category, today)
    if standard is None or checklist is None:
        missing = "standard" if standard is None else "checklist"
        raise ActionRefused(
            f"No {missing} is in force for {category.name}; a trainer publishes one first.", field="machine"
        )
    return standard, checklist


def _refuse_out_of_use(operator: Operator, machine: Machine) -> None:
    if not operator.state.is_active:
        raise ActionRefused(f"{operator.name} is not active on the register.", field="operator")
    if not machine.state.is_in_service:
        raise ActionRefused(f"{machine.fleet_number} is not in service.", field="machine")


def _refuse_as_second(by: Account, operator: Operator, machine: Machine, first: Assessment) -> None:
    if first.alongside_id is not None:
        raise ActionRefused("That is itself a second marking; name the first one.", field="alongside")
    if first.assessor_id == by.pk:
        raise ActionRefused("A second marking is by another assessor.", field="alongside")
    if (first.operator_id, first.machine_id) != (operator.pk, machine.pk):
        raise ActionRefused("That is of another operator, or on another machine.", field="alongside")
    if first.status != Status.MARKING:
        # Its marks may have been read since it was finished; a second marking is blind or worth nothing.
        raise ActionRefused("That walk-around is over; start an assessment of its own.", field="alongside")
    if first.second_markings.filter(assessor=by).exists():
        raise ActionRefused("You have marked that walk-around alongside already.", field="alongside")


@dataclass(frozen=True)
class GivenMark:
    """A mark as a page sends it: an empty ``mark`` takes back what was there."""

    listed_id: int
    mark: str
    sent_as: uuid.UUID
    tapped_at: datetime
    device: str = ""


@dataclass(frozen=True)
class GivenNote:
    """A remark or a photograph (a re-encoded JPEG) on one point, as a page sends it."""

    listed_id: int
    sent_as: uuid.UUID
    text: str = ""
    photograph: bytes | None = None


@transaction.atomic
def give_marks(
    *, by: Account, assessment_id: uuid.UUID, marks: Iterable[GivenMark], notes: Iterable[GivenNote] = ()
) -> Assessment:
    """Keep marks in the order in which they come, and notes; what is sent twice is kept once.

    Marks and notes are a draft until the assessment is finished, so this writes no journal entry: finishing
    journals every one.
    """
    assessment, moment = own_open(by, assessment_id), now()
    taps = [
        Tap(
            assessment=assessment,
            listed_id=given.listed_id,
            mark=given.mark,
            sent_as=given.sent_as,
            device=given.device,
            tapped_at=given.tapped_at,
            recorded_at=moment,
        )
        for given in marks
    ]
    if any(tap.mark and tap.mark not in Tap.Mark.values for tap in taps):
        raise ActionRefused("A mark is none of the four. None of these was kept.")
    _require_points(assessment, {tap.listed_id for tap in taps})
    Tap.objects.bulk_create(taps, ignore_conflicts=True)
    for note in notes:
        _keep_note(assessment, note)
    return assessment


@transaction.atomic
def note_point(*, by: Account, assessment_id: uuid.UUID, note: GivenNote) -> PointNote:
    """Keep a remark or a photograph on one point; sent twice, it is kept once."""
    assessment = own_open(by, assessment_id)
    if earlier := PointNote.objects.filter(sent_as=note.sent_as, assessment=assessment).first():
        return earlier
    _require_points(assessment, {note.listed_id})
    if not note.text and note.photograph is None:
        raise ActionRefused("Write a remark or take a photograph.", field="text")
    return _keep_note(assessment, note)


def _require_points(assessment: Assessment, wanted: set[int]) -> None:
    if not wanted <= set(assessment.points.values_list("listed_id", flat=True)):
        raise ActionRefused("That is for a point that is not on this assessment. Nothing of it was kept.")


def _keep_note(assessment: Assessment, given: GivenNote) -> PointNote:
    if earlier := PointNote.objects.filter(sent_as=given.sent_as).first():
        return earlier
    note = PointNote(
        assessment=assessment,
        listed_id=given.listed_id,
        text=given.text,
        sent_as=given.sent_as,
        recorded_at=now(),
    )
    if given.photograph is not None:
        note.photograph.save("photograph.jpg", ContentFile(given.photograph), save=False)
        note.photograph_sha256 = hashlib.sha256(given.photograph).hexdigest()
    note.full_clean()
    note.save()
    return note


@transaction.atomic
def finish_assessment(*, by: Account, assessment_id: uuid.UUID) -> Assessment:
    """Compute what the marks amount to, and wait for both to confirm. Raises ``Unmarked``.

    Sent again, the finished assessment comes back unchanged.
    """
    assessment = own(by, assessment_id)
    if assessment.status == Status.FINISHED:
        return assessment
    refuse_unless_marking(assessment)
    sheet = sheet_of(assessment)
    if sheet.unmarked:
        raise Unmarked(sheet.unmarked)
    found = outcome_of(sheet)
    assessment.status = Status.FINISHED
    assessment.finished_at = now()
    assessment.outcome = found.as_plain()
    assessment.is_competent = found.is_competent
    assessment.save()
    rows = [assessment, *assessment.taps.order_by("pk"), *assessment.notes.order_by("pk")]
    record(by=by, action="assessment.finished", rows=rows)
    return assessment


def outcome_of(sheet: Sheet) -> Outcome:
    """What the marks of a sheet amount to, by the scoring rule and the standard fixed at the start."""
    points = [
        SeenPoint(
            key=point.listed.pk,
            title=point.listed.point.title,
            weight=point.listed.point.weight,
            is_critical=point.listed.point.is_critical,
            mark=Mark(point.standing.mark) if point.standing else None,
            order=point.standing.order if point.standing else None,
        )
        for point in sheet.points
    ]
    pairs = [Pair(pair.earlier_id, pair.later_id, pair.is_safety, pair.why) for pair in sheet.precedences]
    return outcome(points, pairs, Fraction(sheet.assessment.standard_version.pass_mark))


@transaction.atomic
def abandon_assessment(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Stop an assessment: kept as it stands, and no evidence of anything."""
    assessment = own(by, assessment_id)
    if assessment.status not in (Status.MARKING, Status.FINISHED):
        raise ActionRefused("This assessment is over; what it says stands.")
    if not reason.strip():
        raise ActionRefused("Say why it is abandoned.", field="reason")
    assessment.status, assessment.abandoned_why = Status.ABANDONED, reason.strip()[:300]
    assessment.save()
    rows = [assessment, *assessment.taps.order_by("pk"), *assessment.notes.order_by("pk")]
    record(by=by, action="assessment.abandoned", rows=rows, reason=reason[:300])
    return assessment
