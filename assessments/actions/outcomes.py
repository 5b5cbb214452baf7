"""What becomes of a finished assessment: lowered, raised, confirmed by both, and corrected afterwards."""

import uuid
from zoneinfo import ZoneInfo

from django.db import transaction

from assessments.actions.asking import locked, own_finished, require_assessor, zone_of
from assessments.actions.refreshers import renew_recall
from assessments.models import Assessment, AssessmentCorrection
from assessments.rules.confirming import DAYS_TO_CONFIRM, first_day_without_operator
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.evidence import correctable, keep_evidence
from competence.actions.journal import record
from competence.models import Account, Evidence
from competence.permissions import NotAllowed, Right, require
from competence.rules.dates import day_at
from competence.rules.reasons import long_date

Status = Assessment.Status
# As the columns keep them.
REASON_LENGTH = 300


@transaction.atomic
def lower_outcome(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Find an operator not yet competent although the marks say competent; takes a reason."""
    assessment = own_finished(by, assessment_id)
    if not reason.strip():
        raise ActionRefused("Say why the outcome is lowered.", field="reason")
    if not assessment.is_competent:
        raise ActionRefused("The outcome is not yet competent already.")
    assessment.raised_by = None
    return _decide(by, assessment, is_competent=False, reason=reason)


@transaction.atomic
def raise_outcome(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Find an operator competent although the marks say not: by a second appointed assessor only."""
    assessment = locked(assessment_id)
    if assessment.status != Status.FINISHED:
        raise ActionRefused("An outcome is raised after it is finished and before both have confirmed.")
    if assessment.assessor_id == by.pk:
        raise ActionRefused(
            "Raising an outcome takes a second appointed assessor, with their own sign-in.", field="name"
        )
    _require_as_of_today(by, assessment)
    if not reason.strip():
        raise ActionRefused("Say why the outcome is raised.", field="reason")
    if assessment.is_competent:
        raise ActionRefused("The outcome is competent already.")
    assessment.raised_by = by
    return _decide(by, assessment, is_competent=True, reason=reason)


def _require_as_of_today(by: Account, assessment: Assessment) -> None:
    today = day_at(now(), zone_of(assessment.machine))
    require_assessor(by, assessment.operator, assessment.machine, today, category=assessment.category)


def _decide(by: Account, assessment: Assessment, *, is_competent: bool, reason: str) -> Assessment:
    assessment.is_competent = is_competent
    assessment.decided_why = reason.strip()[:REASON_LENGTH]
    # Whoever confirmed before confirmed something else.
    assessment.assessor_confirmed_at = assessment.operator_confirmed_at = None
    assessment.save()
    action = "assessment.raised" if is_competent else "assessment.lowered"
    record(by=by, action=action, rows=[assessment], reason=assessment.decided_why)
    return assessment


@transaction.atomic
def confirm_assessment(*, by: Account, assessment_id: uuid.UUID, is_competent: bool) -> Assessment:
    """Confirm as the assessor or as the operator, each with their own sign-in; with both, it is final and
    the evidence is written.

    ``is_competent``: the outcome that the page showed, so that nobody confirms one that was changed
    meanwhile. Confirmed again, the assessment comes back unchanged.
    """
    assessment = locked(assessment_id)
    is_assessor = assessment.assessor_id == by.pk
    is_operator = by.operator_id is not None and assessment.operator_id == by.operator_id
    if not (is_assessor or is_operator) or not by.is_active:
        raise NotAllowed("Only the assessor and the operator of an assessment confirm it, each for themself.")
    confirmed_as = "assessor_confirmed_at" if is_assessor else "operator_confirmed_at"
    if getattr(assessment, confirmed_as) is not None:
        return assessment
    if assessment.status != Status.FINISHED:
        raise ActionRefused("There is nothing to confirm: it is still being marked, or is final already.")
    if assessment.is_competent != is_competent:
        raise ActionRefused("The outcome was changed meanwhile. Read it again, then confirm.")
    if is_assessor:
        require(by, Right.ASSESS, site=assessment.site)
    setattr(assessment, confirmed_as, now())
    is_final = assessment.assessor_confirmed_at and assessment.operator_confirmed_at
    rows: list[Evidence] = []
    if is_final:
        rows = _made_final(assessment)
    else:
        assessment.save()
    record(by=by, action="assessment.confirmed", rows=[assessment, *rows])
    return assessment


@transaction.atomic
def record_unconfirmed(*, by: Account, assessment_id: uuid.UUID, reason: str) -> Assessment:
    """Make an assessment final that its operator has not confirmed in ``DAYS_TO_CONFIRM`` whole days.

    By the assessor or another trainer of the site, who says why. A result that nobody signs would else never
    reach the record, and that of a failed assessment least of all. Recorded again, it comes back unchanged.
    """
    assessment = locked(assessment_id)
    require(by, Right.ASSESS, site=assessment.site)
    if by.operator_id is not None and by.operator_id == assessment.operator_id:
        raise NotAllowed("Nobody records this about themself; ask a trainer, or confirm the outcome.")
    if assessment.unconfirmed_at is not None:
        return assessment
    if assessment.status != Status.FINISHED or assessment.operator_confirmed_at is not None:
        raise ActionRefused("There is nothing to record: this assessment does not wait for its operator.")
    if assessment.assessor_confirmed_at is None:
        raise ActionRefused(
            f"{assessment.assessor.name} confirms first, as the assessor; then days are counted."
        )
    zone = ZoneInfo(assessment.site.zone)
    first_day = first_day_without_operator(day_at(assessment.assessor_confirmed_at, zone))
    if day_at(now(), zone) < first_day:
        raise ActionRefused(
            f"{assessment.operator.name} has {DAYS_TO_CONFIRM} whole days to confirm. This may be recorded "
            f"from {long_date(first_day)}; nothing was changed."
        )
    if not reason.strip():
        raise ActionRefused("Say why the operator did not confirm.", field="reason")
    assessment.unconfirmed_at, assessment.unconfirmed_by = now(), by
    assessment.unconfirmed_why = reason.strip()[:REASON_LENGTH]
    rows = _made_final(assessment)
    record(
        by=by, action="assessment.unconfirmed", rows=[assessment, *rows], reason=assessment.unconfirmed_why
    )
    return assessment


def _made_final(assessment: Assessment) -> list[Evidence]:
    """Nothing is changed after this; the evidence that it writes, which is none for a second marking."""
    assessment.status = Status.CONFIRMED
    if assessment.alongside_id is None:
        assessment.evidence = _keep_evidence(assessment)
    assessment.save()
    if assessment.evidence is None:
        return []
    # Points missed at the machine may bring a refresher forward.
    return [assessment.evidence, *renew_recall(assessment.operator, _came_from(assessment))]


def _keep_evidence(assessment: Assessment) -> Evidence:
    """A finished assessment is evidence, passed or not; it is no ticket.

    Whoever found the operator competent stands behind it, so who raised an outcome does not issue the ticket
    as if they were another person. The day is that of the operator's home site, where their record is kept.
    """
    return keep_evidence(
        by=assessment.raised_by or assessment.assessor,
        operator=assessment.operator,
        kind="practical",
        category=assessment.category,
        occurred_on=day_at(assessment.finished_at, ZoneInfo(assessment.operator.site.zone)),
        is_met=assessment.is_competent,
        came_from=_came_from(assessment),
    )


def _came_from(assessment: Assessment) -> str:
    return f"Practical assessment {assessment.number} on {assessment.machine.fleet_number}"


@transaction.atomic
def correct_assessment(
    *, by: Account, assessment_id: uuid.UUID, is_competent: bool, reason: str
) -> AssessmentCorrection:
    """Say what a confirmed assessment should have found; the assessment stays, its evidence is corrected."""
    assessment = locked(assessment_id)
    _require_as_of_today(by, assessment)
    if assessment.status != Status.CONFIRMED or assessment.evidence is None:
        raise ActionRefused("Only a confirmed assessment that wrote evidence is corrected.")
    if not reason.strip():
        raise ActionRefused("Say what was wrong.", field="reason")
    newest = assessment.corrections.select_related("evidence").order_by("-pk").first()
    held = newest.is_competent if newest else assessment.is_competent
    if is_competent == held:
        raise ActionRefused("That is what it says already.", field="is_competent")
    if is_competent and by.pk == assessment.assessor_id:
        raise ActionRefused("Raising an outcome takes a second appointed assessor.", field="is_competent")
    reason = reason.strip()[:REASON_LENGTH]
    old = correctable(by, newest.evidence if newest else assessment.evidence)
    kept = ("category", "site", "machine_model", "occurred_on", "counts_to", "hours", "came_from")
    evidence = keep_evidence(
        by=by,
        operator=old.operator,
        kind=old.kind,
        corrects=old,
        reason=reason,
        is_met=is_competent,
        **{name: getattr(old, name) for name in kept},
    )
    correction = AssessmentCorrection.objects.create(
        assessment=assessment,
        is_competent=is_competent,
        reason=reason,
        evidence=evidence,
        recorded_at=now(),
        recorded_by=by,
    )
    record(by=by, action="assessment.corrected", rows=[correction, evidence], reason=reason)
    return correction
