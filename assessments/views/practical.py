"""A practical assessment at the machine: start it, mark the walk-around, finish it."""

import uuid
from typing import Any

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.utils.timezone import get_current_timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods, require_POST

from assessments.actions.practical import (
    abandon_assessment,
    finish_assessment,
    give_marks,
    note_point,
    start_assessment,
    start_rules,
)
from assessments.forms.practical import NoteForm, ReasonForm, StartForm, given_marks, posted_marks
from assessments.models import Assessment, Booking, Tap
from assessments.queries.assessment_lists import (
    open_of_colleagues,
    own_bookings,
    own_open_assessments,
    prior_requirements,
)
from assessments.queries.practical import (
    Sheet,
    SheetZone,
    assessments_to_show,
    marked_so_far,
    points_changed_since,
    sheet_of,
)
from assessments.views import assessment_records, offline, outcomes
from assessments.views.marking_cards import marking_zones
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.models import Grade
from competence.permissions import NotAllowed, Right, may
from competence.queries.checks import open_defects
from competence.rules.dates import day_at
from competence.views.doing import asks, attempt
from competence.views.lists import whole_number
from competence.views.pages import clock_of, form_page

Status = Assessment.Status


def own_assessment(request: HttpRequest, assessment_id: uuid.UUID) -> Assessment:
    """The assessment, for the assessor who started it."""
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    if assessment.assessor_id != request.user.pk:
        raise NotAllowed("Only the assessor who started an assessment marks and finishes it.")
    return assessment


@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def start(request: HttpRequest) -> HttpResponse:
    """Who, on which machine; then what the operator has shown already, and the button that starts."""
    is_asked = request.method == "POST" or {"operator", "machine"} & set(request.GET)
    form = StartForm((request.POST or request.GET) if is_asked else None)
    chosen = None
    if is_asked and form.is_valid():
        if request.method == "POST" and (made := _start(request, form)) is not None:
            return redirect("assessment", made.pk)
        if not form.errors:
            chosen = _chosen(request, form)
    return render(
        request,
        "assessments/practical/start.html",
        {
            "form": form,
            "chosen": chosen,
            "new_id": form.data.get("assessment_id") or uuid.uuid4(),
            "open_ones": [] if is_asked else own_open_assessments(request.user),
            "bookings": [] if is_asked else own_bookings(request.user, day_at(now(), get_current_timezone())),
        },
    )


def _attempt_here(form: forms.Form, field: str, action: Any, **arguments: Any) -> Any:
    """As ``attempt``; that a person may not do it at that site is said beside ``field``."""
    try:
        return attempt(form, action, **arguments)
    except NotAllowed as not_allowed:
        form.add_error(field, str(not_allowed))
        return None


def _start(request: HttpRequest, form: StartForm) -> Assessment | None:
    asked = form.cleaned_data
    alongside = None
    if asked["alongside"]:
        alongside = Assessment.objects.filter(pk=asked["alongside"]).first()
        if alongside is None:
            form.add_error("alongside", "That assessment is not there any more.")
            return None
    return _attempt_here(
        form,
        "machine",
        start_assessment,
        by=request.user,
        assessment_id=asked["assessment_id"] or uuid.uuid4(),
        operator=asked["operator"],
        machine=asked["machine"],
        booking=Booking.objects.filter(pk=asked["booking"] or 0, called_off_at__isnull=True).first(),
        alongside=alongside,
    )


def _chosen(request: HttpRequest, form: StartForm) -> dict[str, Any] | None:
    """What is known before the start; ``None``, with the form's errors, where it would be refused."""
    operator, machine = form.cleaned_data["operator"], form.cleaned_data["machine"]
    rules = _attempt_here(form, "machine", start_rules, by=request.user, operator=operator, machine=machine)
    if rules is None:
        return None
    standard, checklist = rules
    with clock_of(machine.site) as zone:
        prior = prior_requirements(operator, machine, standard, day_at(now(), zone))
    defects = open_defects(machine)
    return {
        "operator": operator,
        "machine": machine,
        "standard": standard,
        "checklist": checklist,
        "prior": prior,
        "missing": [line for line in prior if not line.is_met],
        "colleagues": open_of_colleagues(request.user, operator, machine),
        "defects": defects,
        "has_stop_use": any(defect.grade == Grade.STOP_USE for defect in defects),
        "booking": form.cleaned_data["booking"] or "",
    }


@never_cache
@asks(Right.SEE_ASSESSMENTS)
@require_http_methods(["GET", "POST"])
def marking(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """The walk-around, zone by zone. Others than its assessor are shown its record instead."""
    assessment = get_object_or_404(assessments_to_show(), pk=assessment_id)
    if request.method == "GET" and (
        assessment.assessor_id != request.user.pk or assessment.status == Status.ABANDONED
    ):
        return assessment_records.record(request, assessment_id)
    assessment = own_assessment(request, assessment_id)
    if not may(request.user, Right.ASSESS, site=assessment.site):
        return assessment_records.record(request, assessment_id)
    if request.method == "GET" and assessment.status != Status.MARKING:
        return redirect("assessment-confirm", assessment.pk)
    wrong: dict[int, list[str]] = {}
    sheet = sheet_of(assessment)
    if request.method == "POST":
        here = _zone_or_404(sheet, request.POST.get("zone", ""))
        try:
            wrong = _keep_zone(request, assessment, here)
        except ActionRefused as refused:
            messages.error(request, refused.sentence)
            return redirect("assessment", assessment.pk)
        if not wrong:
            return redirect(f"{reverse('assessment', args=[assessment.pk])}#{_after(sheet, here)}")
        sheet = sheet_of(assessment)
    defects = open_defects(assessment.machine)
    page = render(
        request,
        "assessments/practical/marking.html",
        {
            "assessment": assessment,
            "sheet": sheet,
            "zones": marking_zones(sheet, wrong),
            "wrong": [(pk, sentences) for pk, sentences in wrong.items()],
            "now": now(),
            "batch": uuid.uuid4(),
            "has_changed": points_changed_since(assessment),
            "has_stop_use": any(defect.grade == Grade.STOP_USE for defect in defects),
            "next_point": sheet.unmarked[0] if sheet.unmarked else None,
        },
    )
    return offline.kept_on_phone(page)


def _zone_or_404(sheet: Sheet, number: str) -> SheetZone:
    zone = next((zone for zone in sheet.zones if str(zone.number) == number), None)
    if zone is None:
        raise Http404("This assessment has no such zone.")
    return zone


def _after(sheet: Sheet, here: SheetZone) -> str:
    return f"zone-{here.number + 1}" if here.number < len(sheet.zones) else "end"


def _keep_zone(request: HttpRequest, assessment: Assessment, here: SheetZone) -> dict[int, list[str]]:
    """Keep the marks and notes of a posted zone; what is wrong with a note comes back, by point."""
    standing = {p.listed.pk: p.standing.mark if p.standing else "" for p in here.points}
    forms_of = {pk: NoteForm.posted(request, pk) for pk in standing}
    wrong = {pk: form.sentences for pk, form in forms_of.items() if not form.is_valid()}
    notes = [form.as_note(pk) for pk, form in forms_of.items() if pk not in wrong and form.says_something]
    marks = posted_marks(request.POST, standing)
    if marks or notes:
        give_marks(by=request.user, assessment_id=assessment.pk, marks=marks, notes=notes)
    return wrong


@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def marks(request: HttpRequest, assessment_id: uuid.UUID) -> JsonResponse:
    """Marks as they are tapped, in the order of tapping; what stands afterwards comes back.

    200: kept. 400: not marks. 409: none of them kept, with why. Asked at every tap, so the assessment is
    read once, by the action.
    """
    if request.method == "GET":
        return JsonResponse(_standing(own_assessment(request, assessment_id)))
    try:
        given = given_marks(request.body)
        assessment = give_marks(by=request.user, assessment_id=assessment_id, marks=given)
    except Assessment.DoesNotExist as gone:
        raise Http404("There is no such assessment.") from gone
    except ActionRefused as refused:
        assessment = own_assessment(request, assessment_id)
        return JsonResponse({"sentence": refused.sentence, **_standing(assessment)}, status=409)
    except ValueError:
        own_assessment(request, assessment_id)
        return JsonResponse({"sentence": "This page sent no marks. Nothing was changed."}, status=400)
    return JsonResponse(_standing(assessment))


def _standing(assessment: Assessment) -> dict[str, Any]:
    """What stands at each point that was ever tapped; the page knows the others to be unmarked."""
    return {
        "status": assessment.status,
        "now": now().isoformat(),
        "marks": {
            str(pk): {
                "mark": standing.mark if standing else "",
                "order": standing.order if standing else None,
                "device": device,
            }
            for pk, (standing, device) in marked_so_far(assessment).items()
        },
    }


@never_cache
@asks(Right.ASSESS)
@require_POST
def note(request: HttpRequest, assessment_id: uuid.UUID) -> JsonResponse:
    """A remark or a photograph on one point. 200: kept. 422: what is wrong with it. 409: not kept."""
    assessment = own_assessment(request, assessment_id)
    form = NoteForm(request.POST, request.FILES)
    if not form.is_valid():
        return JsonResponse({"sentences": form.sentences}, status=422)
    listed = whole_number(request.POST.get("point"), 18) or 0
    try:
        kept = note_point(by=request.user, assessment_id=assessment.pk, note=form.as_note(listed))
    except ActionRefused as refused:
        return JsonResponse({"sentences": [refused.sentence]}, status=409)
    photograph = reverse("assessment-photograph", args=[kept.pk]) if kept.photograph else ""
    return JsonResponse({"text": kept.text, "photograph": photograph})


@never_cache
@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def finish(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    """What is not marked yet, what was given, and the press after which the marks stand."""
    assessment = own_assessment(request, assessment_id)
    if assessment.status != Status.MARKING:
        return redirect("assessment-confirm", assessment.pk)
    form = forms.Form(request.POST if request.method == "POST" else None)
    if request.method == "POST" and form.is_valid():
        made = attempt(form, finish_assessment, by=request.user, assessment_id=assessment.pk)
        if made is not None:
            return redirect("assessment-confirm", made.pk)
    sheet = sheet_of(assessment)
    given = [point.standing.mark for point in sheet.points if point.standing]
    return render(
        request,
        "assessments/practical/finish.html",
        {
            "assessment": assessment,
            "sheet": sheet,
            "form": form,
            "now": now(),
            "unmarked": [
                (zone, point.listed) for zone in sheet.zones for point in zone.points if not point.standing
            ],
            "counts": [(label, given.count(mark)) for mark, label in Tap.Mark.choices],
            "lost": [
                (point.listed, point.standing.mark, Tap.Mark(point.standing.mark).label)
                for point in sheet.points
                if point.standing and point.standing.mark != Tap.Mark.UNPROMPTED
            ],
        },
    )


@asks(Right.ASSESS)
@require_http_methods(["GET", "POST"])
def abandon(request: HttpRequest, assessment_id: uuid.UUID) -> HttpResponse:
    assessment = own_assessment(request, assessment_id)
    form = ReasonForm(request.POST or None)
    if form.is_valid():
        made = attempt(
            form,
            abandon_assessment,
            by=request.user,
            assessment_id=assessment.pk,
            reason=form.cleaned_data["reason"],
        )
        if made is not None:
            messages.success(request, "The assessment was abandoned. It is kept, and is no evidence.")
            return redirect("assessment-record", made.pk)
    return form_page(
        request,
        form,
        title="Abandon this assessment",
        overline=f"{assessment.operator.name} on {assessment.machine.fleet_number}",
        consequence="It is kept as it stands, with every mark. It writes no evidence, and cannot be taken up "
        "again.",
        is_stop=True,
        submit="Abandon it",
        back_url=reverse("assessment", args=[assessment.pk]),
        back_label="the assessment",
    )


urlpatterns: list[URLPattern] = [
    path("assessments/start/", start, name="assessment-start"),
    path("assessments/<uuid:assessment_id>/", marking, name="assessment"),
    path("assessments/<uuid:assessment_id>/marks/", marks, name="assessment-marks"),
    path("assessments/<uuid:assessment_id>/notes/", note, name="assessment-note"),
    path("assessments/<uuid:assessment_id>/finish/", finish, name="assessment-finish"),
    path("assessments/<uuid:assessment_id>/abandon/", abandon, name="assessment-abandon"),
    *outcomes.urlpatterns,
    *assessment_records.urlpatterns,
    *offline.urlpatterns,
]
