"""The operator's daily check: pick a machine, walk round it, submit."""

import uuid
from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.utils.http import urlencode
from django.utils.timezone import now
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from competence.actions.checks import ListChanged, start_check, submit_check
from competence.actions.drafts import save_findings, set_aside_check, take_current_list
from competence.actions.errors import ActionRefused
from competence.forms.checks import (
    FinishForm,
    PointForm,
    SetAsideForm,
    StartForm,
    photograph_url,
    point_cards,
)
from competence.models import DailyCheck, Finding, Grade, Machine, Operator, Refusal
from competence.permissions import NotAllowed, Right
from competence.queries.checks import (
    CheckSheet,
    CheckZone,
    checks_to_show,
    defects_of,
    drafts_of,
    is_trainee_on,
    last_reading,
    machines_to_pick,
    open_defects,
    sheet_of,
)
from competence.views import check_records
from competence.views.doing import asks, attempt
from competence.views.lists import typed


def own_operator(request: HttpRequest) -> Operator:
    """The operator whose account this is."""
    operator = request.user.operator
    if operator is None:
        raise NotAllowed("This account is not an operator's, so it cannot do a daily check.")
    return operator


def _own_check(request: HttpRequest, check_id: uuid.UUID) -> DailyCheck:
    daily_check = get_object_or_404(checks_to_show(), pk=check_id)
    if daily_check.operator_id != own_operator(request).pk:
        raise NotAllowed("Only the operator who started a check answers and submits it.")
    return daily_check


def _left_draft(daily_check: DailyCheck) -> HttpResponse | None:
    """Where to go instead, once a check is no draft any more."""
    if daily_check.status == DailyCheck.Status.SUBMITTED:
        return redirect("check-result", daily_check.pk)
    if daily_check.status == DailyCheck.Status.SET_ASIDE:
        return redirect("check", daily_check.pk)
    return None


@asks(Right.CHECK_MACHINE)
@require_GET
def pick(request: HttpRequest) -> HttpResponse:
    """Which machine? One with exactly that fleet number is taken at once."""
    operator = own_operator(request)
    words = typed(request, "q")
    if words:
        exact = Machine.objects.filter(fleet_number__iexact=words, state__isnull=False).first()
        if exact is not None:
            return redirect("check-start", exact.fleet_number)
    machines = machines_to_pick(operator, words)
    return render(
        request,
        "competence/checks/pick.html",
        {
            "words": words,
            "machines": machines,
            "is_unknown": bool(words) and not machines.here and not machines.elsewhere,
            "drafts": drafts_of(operator),
            "home": operator.site,
        },
    )


@sensitive_post_parameters("supervisor_password")
@never_cache
@asks(Right.CHECK_MACHINE)
@require_http_methods(["GET", "POST"])
def start(request: HttpRequest, fleet_number: str) -> HttpResponse:
    """One machine, what is known to be wrong with it, and the button that asks the gate."""
    operator = own_operator(request)
    machines = Machine.objects.with_state().filter(state__isnull=False)
    fleet_number = fleet_number.replace("\x00", "")
    machine = machines.filter(fleet_number=fleet_number.upper()).first()
    if machine is None:
        return redirect(f"{reverse('check-pick')}?{urlencode({'q': fleet_number[:60]})}")
    form = StartForm(request.POST if request.method == "POST" else None, request=request, trainee=operator)
    if request.method == "POST" and form.is_valid():
        made = attempt(
            form,
            start_check,
            by=request.user,
            check_id=form.cleaned_data["check_id"],
            machine=machine,
            supervisor=form.named,
            supervisor_account=form.supervisor_account,
        )
        if isinstance(made, Refusal):
            return redirect("refusal", made.pk)
        if made is not None:
            return redirect("check", made.pk)
    return render(
        request,
        "competence/checks/start.html",
        {
            "machine": machine,
            "form": form,
            "needs_supervisor": is_trainee_on(operator, machine, now()),
            "defects": open_defects(machine),
            "draft": next((d for d in drafts_of(operator) if d.machine_id == machine.pk), None),
        },
    )


@never_cache
@asks(Right.CHECK_MACHINE)
@require_GET
def overview(request: HttpRequest, check_id: uuid.UUID) -> HttpResponse:
    """The verdict, what is known to be wrong, and how far the walk-around is."""
    daily_check = _own_check(request, check_id)
    if daily_check.status == DailyCheck.Status.SUBMITTED:
        return redirect("check-result", daily_check.pk)
    return _overview(request, daily_check, SetAsideForm())


def _overview(request: HttpRequest, daily_check: DailyCheck, form: SetAsideForm) -> HttpResponse:
    sheet = sheet_of(daily_check)
    defects = open_defects(daily_check.machine)
    return render(
        request,
        "competence/checks/overview.html",
        {
            "check": daily_check,
            "sheet": sheet,
            "next_zone": sheet.next_open_zone(),
            "defects": defects,
            "has_stop_use": any(defect.grade == Grade.STOP_USE for defect in defects),
            "form": form,
            "is_set_aside": daily_check.status == DailyCheck.Status.SET_ASIDE,
        },
    )


@never_cache
@asks(Right.CHECK_MACHINE)
@require_http_methods(["GET", "POST"])
def zone(request: HttpRequest, check_id: uuid.UUID, number: int) -> HttpResponse:
    """The points of one zone; what is whole is kept, what is not stands as typed with its errors."""
    daily_check = _own_check(request, check_id)
    if (elsewhere := _left_draft(daily_check)) is not None:
        return elsewhere
    sheet = sheet_of(daily_check)
    here = _zone_or_404(sheet, number)
    wrong: dict[int, PointForm] = {}
    if request.method == "POST":
        try:
            wrong = _keep_zone(request, daily_check, here)
        except ActionRefused as refused:
            messages.error(request, refused.sentence)
            return redirect("check", daily_check.pk)
        if not wrong:
            if not any(request.POST.get(f"answer-{listed.pk}") for listed, _ in here.points):
                messages.info(request, f"Nothing was answered in {here.name}; it is waiting at Finish.")
            if number < len(sheet.zones):
                return redirect("check-zone", daily_check.pk, number + 1)
            return redirect("check-finish", daily_check.pk)
        sheet = sheet_of(checks_to_show().get(pk=daily_check.pk))
        here = _zone_or_404(sheet, number)
    numbers = {listed.pk: i for i, (listed, _) in enumerate(_pairs(sheet), start=1)}
    return render(
        request,
        "competence/checks/zone.html",
        {
            "check": daily_check,
            "sheet": sheet,
            "zone": here,
            "steps": _steps(sheet, here),
            "next_zone": sheet.zones[number] if number < len(sheet.zones) else None,
            "cards": point_cards(here.points, numbers, wrong),
            "wrong": [(form.listed, form.sentences) for form in wrong.values()],
        },
    )


def _zone_or_404(sheet: CheckSheet, number: int) -> CheckZone:
    if not 1 <= number <= len(sheet.zones):
        raise Http404("This check has no such zone.")
    return sheet.zones[number - 1]


def _pairs(sheet: CheckSheet) -> list[tuple[Any, Finding | None]]:
    return [pair for one in sheet.zones for pair in one.points]


def _steps(sheet: CheckSheet, here: CheckZone) -> list[dict[str, Any]]:
    return [
        {
            "label": one.name,
            "url": reverse("check-zone", args=[sheet.daily_check.pk, one.number]),
            "is_current": one.number == here.number,
            "is_done": one.is_done,
        }
        for one in sheet.zones
    ]


def _keep_zone(request: HttpRequest, daily_check: DailyCheck, here: CheckZone) -> dict[int, PointForm]:
    """Keep every whole answer of a posted zone; the forms that are not whole come back, by point."""
    answers, wrong, unfinished = [], {}, []
    for listed, _ in here.points:
        form = PointForm(listed, request.POST, request.FILES)
        if not form.is_valid():
            wrong[listed.pk] = form
        if form.is_valid() or form.is_photograph_only_at_fault:
            answers.append(form.as_answer())
        else:
            unfinished.append(listed)
    save_findings(
        by=request.user,
        daily_check=daily_check,
        answers=[answer for answer in answers if answer is not None],
        unfinished=unfinished,
    )
    return wrong


@never_cache
@asks(Right.CHECK_MACHINE)
@require_POST
def point(request: HttpRequest, check_id: uuid.UUID, listed: int) -> JsonResponse:
    """One answer, as it is tapped. 200: kept. 422: not whole yet, with what is missing. 409: not kept."""
    daily_check = _own_check(request, check_id)
    place = daily_check.checklist.listed.select_related("point").filter(pk=listed).first()
    if place is None:
        return JsonResponse(
            {"saved": False, "sentences": ["The checklist has changed. Open the check again."]}, status=409
        )
    form = PointForm(place, request.POST, request.FILES)
    answer = form.as_answer() if form.is_valid() or form.is_photograph_only_at_fault else None
    is_whole = answer is not None
    try:
        save_findings(
            by=request.user,
            daily_check=daily_check,
            answers=[answer] if answer is not None else [],
            unfinished=[place] if answer is None else [],
        )
    except ActionRefused as refused:
        return JsonResponse({"saved": False, "sentences": [refused.sentence]}, status=409)
    finding = daily_check.findings.filter(listed=place).first()
    sheet = sheet_of(daily_check)
    return JsonResponse(
        {
            "saved": is_whole,
            "sentences": form.sentences,
            "grade": finding.grade if finding else "",
            "photograph": photograph_url(finding),
            "answered": sheet.answered,
            "total": sheet.total,
        },
        status=200 if is_whole else 422,
    )


@never_cache
@asks(Right.CHECK_MACHINE)
@require_http_methods(["GET", "POST"])
def finish(request: HttpRequest, check_id: uuid.UUID) -> HttpResponse:
    """What was found, what is still open, the hour meter, and the press that submits."""
    daily_check = _own_check(request, check_id)
    if (elsewhere := _left_draft(daily_check)) is not None:
        return elsewhere
    kept = f"finish-{daily_check.pk}"
    if request.method == "POST":
        form = FinishForm(request.POST)
        made = _submit(request, form, daily_check) if form.is_valid() else None
        if made is None:
            # Shown by a GET, so that going back never asks to send the form again.
            request.session[kept] = form.as_kept()
            return redirect("check-finish", daily_check.pk)
        request.session.pop(kept, None)
        return redirect("refusal" if isinstance(made, Refusal) else "check-result", made.pk)
    form = FinishForm.again(request.session.get(kept))
    if form.is_bound:
        # What is wrong is told once, and what was typed stays.
        request.session[kept] = {"typed": request.session[kept]["typed"]}
    sheet = sheet_of(daily_check)
    return render(
        request,
        "competence/checks/finish.html",
        {
            "check": daily_check,
            "sheet": sheet,
            "form": form,
            "unanswered": [(one, listed) for one in sheet.zones for listed, found in one.points if not found],
            "found": defects_of(daily_check),
            "reading": last_reading(daily_check.machine),
        },
    )


def _submit(request: HttpRequest, form: FinishForm, daily_check: DailyCheck) -> DailyCheck | Refusal | None:
    try:
        return submit_check(
            by=request.user,
            daily_check=daily_check,
            hour_meter=form.cleaned_data["hour_meter"],
            hour_meter_note=form.cleaned_data["hour_meter_note"],
            device_clock_at=form.cleaned_data["device_clock_at"],
            refusal_id=form.cleaned_data["refusal_id"],
        )
    except ListChanged as changed:
        kept = take_current_list(by=request.user, daily_check=daily_check)
        sheet = sheet_of(checks_to_show().get(pk=daily_check.pk))
        new = ", ".join(listed.point.title for listed in sheet.unanswered) or "none"
        answers = "1 answer was kept" if kept == 1 else f"{kept} answers were kept"
        form.add_error(None, f"{changed.sentence} {answers}. Points to answer now: {new}.")
    except ActionRefused as refused:
        form.add_error(refused.field, refused.sentence)
    return None


@asks(Right.CHECK_MACHINE)
@require_POST
def set_aside(request: HttpRequest, check_id: uuid.UUID) -> HttpResponse:
    daily_check = _own_check(request, check_id)
    form = SetAsideForm(request.POST)
    if form.is_valid():
        made = attempt(
            form,
            set_aside_check,
            by=request.user,
            daily_check=daily_check,
            reason=form.cleaned_data["reason"],
        )
        if made is not None:
            messages.success(request, "The check was set aside. It is kept, and does not count.")
            return redirect("home")
    return _overview(request, daily_check, form)


urlpatterns: list[URLPattern] = [
    path("check/", pick, name="check-pick"),
    path("machines/<str:fleet_number>/check/", start, name="check-start"),
    path("checks/<uuid:check_id>/", overview, name="check"),
    path("checks/<uuid:check_id>/zones/<int:number>/", zone, name="check-zone"),
    path("checks/<uuid:check_id>/points/<int:listed>/", point, name="check-point"),
    path("checks/<uuid:check_id>/finish/", finish, name="check-finish"),
    path("checks/<uuid:check_id>/set-aside/", set_aside, name="check-set-aside"),
    *check_records.urlpatterns,
]
