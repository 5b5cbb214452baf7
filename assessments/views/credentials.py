"""The credential of a passed practical assessment, for its holder to take along."""

import uuid

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.views.decorators.cache import never_cache

from assessments.models import Assessment
from assessments.queries.assessment_records import Record, record_of
from assessments.queries.practical import assessments_to_show
from competence.actions.cards import issue_evidence_credential
from competence.actions.errors import ActionRefused
from competence.models import Credential, Evidence
from competence.permissions import NotAllowed, Right, may
from competence.queries.achievements import PRACTICAL, achievement_of
from competence.views.credentials import credential_lines, require_taker


@never_cache
def assessment_credential(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """The credentials of an assessment that both have confirmed; a POST issues one where it was passed."""
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    operator = assessment.operator
    is_own = require_taker(request, operator)
    if assessment.status != Assessment.Status.CONFIRMED or assessment.evidence_id is None:
        raise Http404("This assessment is not confirmed, so there is no credential of it.")
    record = record_of(assessment)
    may_issue = is_own or may(request.user, Right.PRINT_CARD, site=operator.site)
    if request.method == "POST":
        if not may_issue:
            raise NotAllowed("Issuing a credential takes the right to print cards at the operator's site.")
        try:
            issue_evidence_credential(
                by=request.user,
                evidence=_evidence_of(assessment),
                achievement=achievement_of(assessment.standard_version, PRACTICAL),
                shown=_shown(record),
            )
            messages.success(request, "The credential is issued. Save it below.")
        except ActionRefused as refused:
            messages.error(request, refused.sentence)
        return redirect("assessment-credential", assessment.pk)
    evidence = [assessment.evidence_id, *assessment.corrections.values_list("evidence", flat=True)]
    context = {
        "assessment": assessment,
        "may_issue": may_issue and record.is_competent,
        "lines": credential_lines(Credential.objects.filter(evidence__in=evidence)),
    }
    return render(request, "assessments/practical/credential.html", context)


def _evidence_of(assessment: Assessment) -> Evidence:
    """What the assessment wrote, or its newest correction."""
    newest = assessment.corrections.select_related("evidence").order_by("-recorded_at", "-pk").first()
    return newest.evidence if newest else assessment.evidence


def _shown(record: Record) -> str:
    one = record.assessment
    said = f"Walk-around of {one.machine.state.make_and_model} watched at {one.site.name}"
    return f"{said}; {record.score} scored, pass mark {record.pass_mark}." if record.score else f"{said}."


urlpatterns: list[URLPattern] = [
    path("assessments/<uuid:assessment_id>/credential/", assessment_credential, name="assessment-credential"),
]
