"""What becomes of a finished assessment: lowered, raised, confirmed by both, and corrected afterwards."""

import uuid
from zoneinfo import ZoneInfo

from django.db import transaction

from assessments.actions.asking import locked, own_finished, require_assessor, zone_of
from assessments.actions.refreshers import renew_recall
from assessments.models import Assessment, AssessmentCorrection
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.evidence import correctable, keep_evidence
from competence.actions.journal import record
from competence.models import Account, Evidence
from competence.permissions import NotAllowed, Right, require
from competence.rules.dates import day_at

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
        raise ActionRefused("There is nothing to confirm: the assessment is not finished.")
    if assessment.is_competent != is_competent:
        raise ActionRefused("The outcome was changed meanwhile. Read it again, then confirm.")
    if is_assessor:
        require(by, Right.ASSESS, site=assessment.site)
    setattr(assessment, confirmed_as, now())
    rows: list[Assessment | Evidence] = [assessment]
    is_final = assessment.assessor_confirmed_at and assessment.operator_confirmed_at
    if is_final:
        assessment.status = Status.CONFIRMED
        if assessment.alongside_id is None:
            assessment.evidence = _keep_evidence(assessment)
            rows.append(assessment.evidence)
    assessment.save()
    if is_final and assessment.alongside_id is None:
        # Points missed at the machine may bring a refresher forward.
        rows += renew_recall(assessment.operator, _came_from(assessment))
    record(by=by, action="assessment.confirmed", rows=rows)
    return assessment


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
