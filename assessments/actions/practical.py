"""A practical assessment: started, marked tap by tap, finished, confirmed by both."""

import hashlib
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from zoneinfo import ZoneInfo

from django.core.files.base import ContentFile
from django.db import transaction

from assessments.models import AssessedPoint, Assessment, AssessmentCorrection, Booking, PointNote, Tap
from assessments.queries.practical import Sheet, appointment_on, sheet_of
from assessments.rules.scoring import Mark, Outcome, Pair, SeenPoint, outcome
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.evidence import correct_evidence, record_evidence
from competence.actions.journal import record
from competence.models import Account, ListedPoint, Machine, Operator
from competence.permissions import NotAllowed, Right, require
from competence.queries.checks import applicable_points, checklist_on
from competence.queries.tickets import standard_on
from competence.rules.dates import day_at
from competence.rules.plain import as_plain
from competence.rules.reasons import long_date

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
    assessment of the same walk-round, which this one marks a second time.
    """
    operator = Operator.objects.select_for_update(of=("self",)).get(pk=operator.pk)
    if earlier := Assessment.objects.filter(pk=assessment_id).first():
        if earlier.assessor_id != by.pk:
            raise ActionRefused("This page belongs to another assessment. Start again.")
        return earlier
    _require_assessor(by, operator, machine, day_at(now(), _zone(machine)))
    if open_one := Assessment.objects.filter(
        assessor=by, operator=operator, machine=machine, status=Status.MARKING
    ).first():
        return open_one
    today = day_at(now(), _zone(machine))
    category = machine.state.category
    standard, checklist = standard_on(category, today), checklist_on(category, today)
    if standard is None or checklist is None:
        missing = "standard" if standard is None else "checklist"
        raise ActionRefused(f"No {missing} is in force for {category.name}; a trainer publishes one first.")
    if alongside is not None:
        _refuse_as_second(by, operator, machine, alongside)
        checklist, standard = alongside.checklist, alongside.standard_version
    assessment = Assessment.objects.create(
        id=assessment_id,
        operator=operator,
        machine=machine,
        site=machine.site,
        category=category,
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
    points = AssessedPoint.objects.bulk_create(
        AssessedPoint(assessment=assessment, listed=point) for point in listed
    )
    record(by=by, action="assessment.started", rows=[assessment, *points])
    return assessment


def _refuse_as_second(by: Account, operator: Operator, machine: Machine, first: Assessment) -> None:
    if first.alongside_id is not None:
        raise ActionRefused("That assessment is itself a second marking; name the first one.")
    if first.assessor_id == by.pk:
        raise ActionRefused("A second marking is by another assessor.")
    if (first.operator_id, first.machine_id) != (operator.pk, machine.pk):
        raise ActionRefused("A second marking is of the same operator on the same machine.")
    if first.status not in (Status.MARKING, Status.FINISHED):
        raise ActionRefused("That walk-round is over; start an assessment of its own.")


@dataclass(frozen=True)
class GivenMark:
    """A mark as a page sends it: an empty ``mark`` takes back what was there."""

    listed_id: int
    mark: str
    sent_as: uuid.UUID
    tapped_at: datetime
    device: str = ""


@transaction.atomic
def give_marks(*, by: Account, assessment_id: uuid.UUID, marks: Iterable[GivenMark]) -> int:
    """Keep marks in the order in which they come; a mark sent twice is kept once. How many were sent.

    Marks are a draft until the assessment is finished, so this writes no journal entry: finishing journals
    every tap.
    """
    assessment = _own_open(by, assessment_id)
    moment = now()
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
    wanted = {tap.listed_id for tap in taps}
    if assessment.points.filter(listed__in=wanted).count() != len(wanted):
        raise ActionRefused("A mark is for a point that is not on this assessment. The others were not kept.")
    if any(tap.mark and tap.mark not in Tap.Mark.values for tap in taps):
        raise ActionRefused("A mark is none of the four.")
    Tap.objects.bulk_create(taps, ignore_conflicts=True)
    return len(taps)


@transaction.atomic
def note_point(
    *,
    by: Account,
    assessment_id: uuid.UUID,
    listed: ListedPoint,
    sent_as: uuid.UUID,
    text: str = "",
    photograph: bytes | None = None,
) -> PointNote:
    """Keep a remark or a photograph (a re-encoded JPEG) on one point; sent twice, it is kept once."""
    assessment = _own_open(by, assessment_id)
    if earlier := PointNote.objects.filter(sent_as=sent_as).first():
        return earlier
    if not assessment.points.filter(listed=listed).exists():
        raise ActionRefused("That point is not on this assessment.")
    if not text and photograph is None:
        raise ActionRefused("Write a remark or take a photograph.", field="text")
    note = PointNote(assessment=assessment, listed=listed, text=text, sent_as=sent_as, recorded_at=now())
    if photograph is not None:
        note.photograph.save("photograph.jpg", ContentFile(photograph), save=False)
        note.photograph_sha256 = hashlib.sha256(photograph).hexdigest()
    note.full_clean()
    note.save()
    return note


@transaction.atomic
def finish_assessment(*, by: Account, assessment_id: uuid.UUID) -> Assessment:
    """Compute what the marks amount to, and wait for both to confirm. Raises ``Unmarked``.

    Sent again, the finished assessment comes back unchanged.
    """
    assessment = _own(by, assessment_id)
    if assessment.status == Status.FINISHED:
        return assessment
    assessment = _own_open(by, assessment_id)
    sheet = sheet_of(assessment)
    if sheet.unmarked:
        raise Unmarked(sheet.unmarked)
    found = outcome_of(sheet)
    assessment.status = Status.FINISHED
    assessment.finished_at = now()
    assessment.outcome = as_plain(found)
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
def lower_outcome(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Find an operator not yet competent although the marks say competent; takes a reason."""
    assessment = _own_finished(by, assessment_id)
    if not reason.strip():
        raise ActionRefused("Say why the outcome is lowered.", field="reason")
    if not assessment.is_competent:
        raise ActionRefused("The outcome is not yet competent already.")
    return _decide(by, assessment, is_competent=False, reason=reason)


@transaction.atomic
def raise_outcome(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Find an operator competent although the marks say not: by a second appointed assessor only."""
    assessment = _locked(assessment_id)
    if assessment.status != Status.FINISHED:
        raise ActionRefused("An outcome is raised after it is finished and before both have confirmed.")
    if assessment.assessor_id == by.pk:
        raise ActionRefused("Raising an outcome takes a second appointed assessor, with their own sign-in.")
    _require_assessor(by, assessment.operator, assessment.machine, day_at(now(), _zone(assessment.machine)))
    if not reason.strip():
        raise ActionRefused("Say why the outcome is raised.", field="reason")
    if assessment.is_competent:
        raise ActionRefused("The outcome is competent already.")
    assessment.raised_by = by
    return _decide(by, assessment, is_competent=True, reason=reason)


def _decide(by: Account, assessment: Assessment, *, is_competent: bool, reason: str) -> Assessment:
    assessment.is_competent = is_competent
    assessment.decided_why = reason.strip()
    # Whoever confirmed before confirmed something else.
    assessment.assessor_confirmed_at = assessment.operator_confirmed_at = None
    assessment.save()
    action = "assessment.raised" if is_competent else "assessment.lowered"
    record(by=by, action=action, rows=[assessment], reason=reason[:300])
    return assessment


@transaction.atomic
def confirm_assessment(*, by: Account, assessment_id: uuid.UUID) -> Assessment:
    """Confirm as the assessor or as the operator, each with their own sign-in; with both, it is final and
    the evidence is written."""
    assessment = _locked(assessment_id)
    is_assessor = assessment.assessor_id == by.pk
    is_operator = by.operator_id is not None and assessment.operator_id == by.operator_id
    if not (is_assessor or is_operator) or not by.is_active:
        raise NotAllowed("Only the assessor and the operator of an assessment confirm it, each for themself.")
    if assessment.status == Status.CONFIRMED:
        return assessment
    if assessment.status != Status.FINISHED:
        raise ActionRefused("There is nothing to confirm: the assessment is not finished.")
    if is_assessor:
        assessment.assessor_confirmed_at = assessment.assessor_confirmed_at or now()
    else:
        assessment.operator_confirmed_at = assessment.operator_confirmed_at or now()
    if assessment.assessor_confirmed_at and assessment.operator_confirmed_at:
        assessment.status = Status.CONFIRMED
        if assessment.alongside_id is None:
            assessment.evidence = _write_evidence(assessment)
    assessment.save()
    record(by=by, action="assessment.confirmed", rows=[assessment])
    return assessment


def _write_evidence(assessment: Assessment):
    """A finished assessment is evidence, passed or not; it is no ticket."""
    finished_on = day_at(assessment.finished_at, _zone(assessment.machine))
    return record_evidence(
        by=assessment.assessor,
        operator=assessment.operator,
        kind="practical",
        category=assessment.category,
        occurred_on=finished_on,
        is_met=assessment.is_competent,
        came_from=f"Practical assessment {assessment.number} on {assessment.machine.fleet_number}",
    )


@transaction.atomic
def abandon_assessment(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Stop an assessment: kept as it stands, and no evidence of anything."""
    assessment = _own(by, assessment_id)
    if assessment.status not in (Status.MARKING, Status.FINISHED):
        raise ActionRefused("This assessment is over; what it says stands.")
    if not reason.strip():
        raise ActionRefused("Say why it is abandoned.", field="reason")
    assessment.status, assessment.abandoned_why = Status.ABANDONED, reason.strip()[:300]
    assessment.save()
    rows = [assessment, *assessment.taps.order_by("pk"), *assessment.notes.order_by("pk")]
    record(by=by, action="assessment.abandoned", rows=rows, reason=reason[:300])
    return assessment


@transaction.atomic
def correct_assessment(
    *, by: Account, assessment_id: uuid.UUID, is_competent: bool, reason: str
) -> AssessmentCorrection:
    """Say what a confirmed assessment should have found; the assessment stays, its evidence is corrected."""
    assessment = _locked(assessment_id)
    _require_assessor(by, assessment.operator, assessment.machine, day_at(now(), _zone(assessment.machine)))
    if assessment.status != Status.CONFIRMED or assessment.evidence is None:
        raise ActionRefused("Only a confirmed assessment is corrected; before that, change its marks.")
    if not reason.strip():
        raise ActionRefused("Say what was wrong.", field="reason")
    newest = assessment.corrections.order_by("-pk").first()
    held = newest.is_competent if newest else assessment.is_competent
    if is_competent == held:
        raise ActionRefused("That is what it says already.")
    if is_competent and by.pk == assessment.assessor_id:
        raise ActionRefused("Raising an outcome takes a second appointed assessor.")
    evidence = correct_evidence(
        by=by,
        evidence=newest.evidence if newest else assessment.evidence,
        reason=reason[:300],
        is_met=is_competent,
    )
    correction = AssessmentCorrection.objects.create(
        assessment=assessment,
        is_competent=is_competent,
        reason=reason.strip(),
        evidence=evidence,
        recorded_at=now(),
        recorded_by=by,
    )
    record(by=by, action="assessment.corrected", rows=[correction], reason=reason[:300])
    return correction


def _require_assessor(by: Account, operator: Operator, machine: Machine, on: date) -> None:
    """Appointed and in date for the category, at this site and for this person's record, and not oneself."""
    require(by, Right.ASSESS, site=machine.site)
    require(by, Right.RECORD_ASSESSMENT, site=operator.site)
    if by.operator_id is not None and by.operator_id == operator.pk:
        raise ActionRefused("Nobody assesses themself; ask another assessor.")
    category = machine.state.category
    if appointment_on(by, category, on) is None:
        raise ActionRefused(
            f"You hold no appointment in date to assess {category.name} on {long_date(on)}. "
            "A site admin renews it; nothing was started."
        )


def _zone(machine: Machine) -> ZoneInfo:
    return ZoneInfo(machine.site.zone)


def _locked(assessment_id: uuid.UUID) -> Assessment:
    return (
        Assessment.objects.select_for_update(of=("self",))
        .select_related(
            "operator__state__site",
            "machine__state__site",
            "machine__state__category",
            "category",
            "assessor",
            "checklist",
            "standard_version",
        )
        .get(pk=assessment_id)
    )


def _own(by: Account, assessment_id: uuid.UUID) -> Assessment:
    assessment = _locked(assessment_id)
    if assessment.assessor_id != by.pk:
        raise NotAllowed("Only the assessor who started an assessment marks and finishes it.")
    return assessment


def _own_open(by: Account, assessment_id: uuid.UUID) -> Assessment:
    """Light on purpose: this is asked at every tap."""
    assessment = Assessment.objects.select_for_update(of=("self",)).get(pk=assessment_id)
    if assessment.assessor_id != by.pk:
        raise NotAllowed("Only the assessor who started an assessment marks and finishes it.")
    if assessment.status != Status.MARKING:
        raise ActionRefused("This assessment is finished; its marks stand.")
    return assessment


def _own_finished(by: Account, assessment_id: uuid.UUID) -> Assessment:
    assessment = _own(by, assessment_id)
    if assessment.status != Status.FINISHED:
        raise ActionRefused("That is done after finishing, and before both have confirmed.")
    return assessment
