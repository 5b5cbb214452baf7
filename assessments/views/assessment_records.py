"""Assessments as records: the list for staff, one record on screen and on paper, a photograph."""

import uuid
from zoneinfo import ZoneInfo

from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from assessments.models import Assessment, PointNote
from assessments.outputs.assessment_record import assessment_pdf
from assessments.queries.assessment_lists import (
    AssessmentFilter,
    assessments_listed,
    is_marked_twice,
    marks_alongside,
    own_assessments,
)
from assessments.queries.assessment_records import holds_ticket, record_of
from assessments.queries.practical import assessments_to_show
from competence.actions.clock import now
from competence.models import Category
from competence.permissions import NotAllowed, Right, may, require, sites_with
from competence.rules.dates import day_at
from competence.views.doing import asks
from competence.views.files import PDF, file_to_show, photograph_file
from competence.views.front import Part
from competence.views.lists import category_choice, choice, narrowing, paged, typed
from competence.views.pages import clock_of

Status = Assessment.Status
FOUND = (("competent", "Competent"), ("not_yet", "Not yet competent"))


def _require_sight(request: HttpRequest, assessment: Assessment) -> bool:
    """The assessor, the operator, or staff at its site; whether it is the operator's own.

    Who still marks the same walk-around alongside is not shown what the colleague found.
    """
    account = request.user
    is_own = account.operator_id is not None and assessment.operator_id == account.operator_id
    if not is_own and assessment.assessor_id != account.pk:
        require(account, Right.SEE_ASSESSMENTS, site=assessment.site)
        if marks_alongside(account, assessment):
            raise NotAllowed(
                "You are marking this walk-around alongside. What your colleague found is shown once you "
                "have finished your own."
            )
    return is_own


def _in_sight(request: HttpRequest, assessment_id: uuid.UUID) -> tuple[Assessment, bool]:
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    is_own = _require_sight(request, assessment)
    if is_own and assessment.status == Status.MARKING:
        raise Http404("This assessment is not finished yet.")
    return assessment, is_own


@never_cache
@require_GET
def record(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """The whole record. While it is being marked, only that it is."""
    assessment, is_own = _in_sight(request, assessment_id)
    is_assessor = assessment.assessor_id == request.user.pk
    shown = record_of(assessment)
    first_day = shown.first_day_without_operator
    may_issue = (
        assessment.status == Status.CONFIRMED
        and shown.is_competent
        and assessment.alongside_id is None
        and not is_own
        and may(request.user, Right.DECIDE_TICKET, site=assessment.operator.site)
    )
    if is_own and assessment.status == Status.FINISHED and assessment.operator_confirmed_at is None:
        return redirect("assessment-confirm", assessment.pk)
    return render(
        request,
        "assessments/practical/record.html",
        {
            "assessment": assessment,
            "record": shown,
            "may_do_without_operator": first_day is not None
            and first_day <= day_at(now(), ZoneInfo(assessment.site.zone))
            and not is_own
            and may(request.user, Right.ASSESS, site=assessment.site),
            "is_marked_twice": not is_own and is_marked_twice(assessment),
            "is_own": is_own,
            "is_assessor": is_assessor,
            "may_correct": assessment.status == Status.CONFIRMED
            and assessment.evidence_id is not None
            and not is_own
            and may(request.user, Right.ASSESS, site=assessment.site),
            "may_take_credential": assessment.status == Status.CONFIRMED
            and assessment.evidence_id is not None
            and (
                is_own
                or may(request.user, Right.PRINT_CARD, site=assessment.operator.site)
                or may(request.user, Right.TAKE_OUT, site=assessment.operator.site)
            ),
            "may_issue": may_issue,
            # Who holds one has it renewed or varied, which the progress shows; another is not issued.
            "holds_ticket": may_issue and holds_ticket(assessment.operator, assessment.category),
            "may_see_operator": may(request.user, Right.SEE_RECORDS, site=assessment.operator.site),
        },
    )


@never_cache
@require_GET
def record_pdf(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """The record on paper, once it is finished."""
    assessment, _ = _in_sight(request, assessment_id)
    if assessment.status == Status.MARKING:
        raise Http404("This assessment is not finished yet.")
    with clock_of(assessment.site):
        made = assessment_pdf(record_of(assessment), printed_at=now())
    return file_to_show(made, f"assessment-{assessment.number}.pdf", PDF)


@require_GET
def photograph(request: HttpRequest, pk: int) -> FileResponse:
    """A photograph of one point, for whoever may see the assessment that it belongs to."""
    note = get_object_or_404(
        PointNote.objects.select_related("assessment__site", "assessment__operator"), pk=pk
    )
    is_own = _require_sight(request, note.assessment)
    if is_own and note.assessment.status == Status.MARKING:
        raise Http404("There is no photograph.")
    return photograph_file(note.photograph)


@require_GET
@asks(Right.SEE_ASSESSMENTS)
def listing(request: HttpRequest) -> HttpResponse:
    """Assessments at the sites of this account."""
    narrowed = narrowing(request, Right.SEE_ASSESSMENTS)
    category, status, found = typed(request, "category"), typed(request, "status"), typed(request, "found")
    category = category if Category.objects.filter(code=category).exists() else ""
    status = status if status in Status.values else ""
    found = found if found in dict(FOUND) else ""
    asked = AssessmentFilter(**narrowed.asked, category=category, status=status, found=found)
    site_ids = sites_with(request.user, Right.SEE_ASSESSMENTS)
    page, query = paged(request, assessments_listed(request.user, site_ids, asked))
    return render(
        request,
        "assessments/practical/list.html",
        {
            "page": page,
            "query": query,
            "narrowed": narrowed,
            "selects": [
                *narrowed.selects,
                category_choice("Category", category),
                choice("status", "State", Status.choices, status, "Every state"),
                choice("found", "Outcome", FOUND, found, "Every outcome"),
            ],
            "is_filtered": narrowed.is_filtered or bool(category or status or found),
            "may_assess": may(request.user, Right.ASSESS),
        },
    )


def own_parts(request: HttpRequest) -> list[Part]:
    """The start page of an operator: what waits for their confirmation, and what was confirmed last."""
    if request.user.operator is None:
        return []
    mine = own_assessments(request.user.operator)
    return [Part("assessments/practical/home_operator.html", mine, is_for_phone=True)] if mine else []


urlpatterns: list[URLPattern] = [
    path("assessments/", listing, name="assessment-list"),
    path("assessments/<uuid:assessment_id>/record/", record, name="assessment-record"),
    path("assessments/<uuid:assessment_id>/record.pdf", record_pdf, name="assessment-pdf"),
    path("assessments/photographs/<int:pk>/", photograph, name="assessment-photograph"),
]
