"""Who may act on an assessment: appointed, in date, at this site, and not for oneself."""

import uuid
from datetime import date
from zoneinfo import ZoneInfo

from assessments.models import Assessment
from assessments.queries.practical import appointment_on
from competence.actions.errors import ActionRefused
from competence.models import Account, Category, Machine, Operator
from competence.permissions import NotAllowed, Right, require, sites_with
from competence.rules.reasons import long_date

Status = Assessment.Status


def require_assessor(
    by: Account, operator: Operator, machine: Machine, on: date, *, category: Category | None = None
) -> None:
    """Appointed and in date for the category, at this site and for this person's record, and not oneself.

    ``category``: where it is not the machine's of today.
    """
    require(by, Right.ASSESS, site=machine.site)
    require(by, Right.RECORD_ASSESSMENT, site=operator.site)
    if by.operator_id is not None and by.operator_id == operator.pk:
        raise ActionRefused("Nobody assesses themself; ask another assessor.", field="operator")
    category = category or machine.state.category
    if appointment_on(by, category, on) is None:
        raise ActionRefused(
            f"{by.name} holds no appointment in date to assess {category.name} on {long_date(on)}. "
            "A site admin renews it. Nothing was changed.",
            field="machine",
        )


def zone_of(machine: Machine) -> ZoneInfo:
    return ZoneInfo(machine.site.zone)


def locked(assessment_id: uuid.UUID) -> Assessment:
    return (
        Assessment.objects.select_for_update(of=("self",))
        .select_related(
            "site",
            "operator__state__site",
            "machine__state__site",
            "machine__state__category",
            "category",
            "assessor",
            "checklist",
            "standard_version",
            "evidence",
        )
        .get(pk=assessment_id)
    )


def own(by: Account, assessment_id: uuid.UUID) -> Assessment:
    """The assessment, where ``by`` is its assessor and may still assess at its site."""
    return _as_assessor(by, locked(assessment_id))


def own_open(by: Account, assessment_id: uuid.UUID) -> Assessment:
    """The same while it is being marked. Asked at every tap, so it reads only what the answer needs: other
    columns are read when they are asked for, and the row is not to be saved."""
    rows = Assessment.objects.select_for_update(of=("self",)).only("assessor_id", "site_id", "status")
    assessment = _as_assessor(by, rows.get(pk=assessment_id))
    refuse_unless_marking(assessment)
    return assessment


def refuse_unless_marking(assessment: Assessment) -> None:
    if assessment.status != Status.MARKING:
        raise ActionRefused("This assessment is no longer being marked; its marks stand as they were.")


def own_finished(by: Account, assessment_id: uuid.UUID) -> Assessment:
    assessment = own(by, assessment_id)
    if assessment.status != Status.FINISHED:
        raise ActionRefused("That is done after finishing, and before both have confirmed.")
    return assessment


def _as_assessor(by: Account, assessment: Assessment) -> Assessment:
    if assessment.assessor_id != by.pk:
        raise NotAllowed("Only the assessor who started an assessment marks and finishes it.")
    sites = sites_with(by, Right.ASSESS)
    if sites is not None and assessment.site_id not in sites:
        # Read the site only to say which one it is.
        require(by, Right.ASSESS, site=assessment.site)
    require(by, Right.ASSESS)
    return assessment
