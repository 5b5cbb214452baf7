"""Checks as records: the result, the list for staff, a photograph, and an operator's own record."""

import uuid
from datetime import datetime
from zoneinfo import ZoneInfo

from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.utils.timezone import now
from django.views.decorators.http import require_GET

from competence.forms.checks import photograph_url
from competence.models import DailyCheck, Defect, Finding, Grade, Role
from competence.permissions import NotAllowed, Right, may, sites_with
from competence.queries.checks import (
    ChecksAsked,
    checks_to_show,
    open_defects,
    sheet_of,
    submitted_checks,
)
from competence.queries.operator_start import own_record
from competence.queries.refusals import contacts_at
from competence.rules.dates import day_at
from competence.views.doing import asks
from competence.views.files import photograph_file
from competence.views.lists import choice, narrowing, paged, typed
from competence.views.pages import require_sight


@require_GET
def result(request: HttpRequest, check_id: uuid.UUID) -> HttpResponse:
    """Fit or do not use, why, what to do now, and the whole sheet."""
    daily_check = get_object_or_404(checks_to_show(), pk=check_id)
    is_own = require_sight(request, daily_check)
    if daily_check.status != DailyCheck.Status.SUBMITTED:
        if is_own:
            return redirect("check", daily_check.pk)
        raise Http404("This check was not submitted.")
    sheet = sheet_of(daily_check)
    zones = [
        (one, [(listed, finding, photograph_url(finding)) for listed, finding in one.points])
        for one in sheet.zones
    ]
    findings = [entry for _, entries in zones for entry in entries]
    is_fit = daily_check.result == DailyCheck.Result.FIT
    zone = ZoneInfo(daily_check.site.zone)
    return render(
        request,
        "competence/checks/result.html",
        {
            "check": daily_check,
            "is_own": is_own,
            "is_fit": is_fit,
            "zones": zones,
            "found": [entry for entry in findings if entry[1].answer == Finding.Answer.DEFECT],
            "not_reached": [entry for entry in findings if entry[1].answer == Finding.Answer.NOT_REACHED],
            "good_count": sum(finding.answer == Finding.Answer.GOOD for _, finding, _ in findings),
            "stopped_since": _stop_after(daily_check, is_fit),
            "is_today": day_at(now(), zone) == day_at(daily_check.submitted_at, zone),
            "contacts": contacts_at(daily_check.site, {Role.Name.SITE_ADMIN}).get(Role.Name.SITE_ADMIN, ()),
            "clock_words": _clock_words(daily_check.device_clock_at, daily_check.submitted_at),
            "zone_name": daily_check.site.zone,
        },
    )


def _stop_after(daily_check: DailyCheck, is_fit: bool) -> Defect | None:
    """What stops the machine now although this check found it fit: an old answer must not read as today's."""
    if not is_fit:
        return None
    stops = (d for d in open_defects(daily_check.machine) if d.grade == Grade.STOP_USE)
    return next(stops, None)


def _clock_words(device_at: datetime | None, submitted_at: datetime) -> str:
    if device_at is None:
        return ""
    minutes = round((device_at - submitted_at).total_seconds() / 60)
    way = "ahead of" if minutes > 0 else "behind"
    size = f"{abs(minutes)} minutes" if abs(minutes) < 120 else f"about {abs(minutes) // 60} hours"
    return f"The device's clock was {size} {way} the register's. The register's time was used."


@asks(Right.SEE_CHECKS)
@require_GET
def check_list(request: HttpRequest) -> HttpResponse:
    """Submitted checks at the sites of this account."""
    narrowed = narrowing(request, Right.SEE_CHECKS)
    chosen = typed(request, "result")
    chosen = chosen if chosen in DailyCheck.Result.values else ""
    checks = submitted_checks(
        sites_with(request.user, Right.SEE_CHECKS), ChecksAsked(result=chosen, **narrowed.asked)
    )
    page, query = paged(request, checks)
    return render(
        request,
        "competence/checks/list.html",
        {
            "page": page,
            "query": query,
            "narrowed": narrowed,
            "selects": [
                *narrowed.selects,
                choice("result", "Result", DailyCheck.Result.choices, chosen, every="Every result"),
            ],
            "is_filtered": narrowed.is_filtered or bool(chosen),
        },
    )


@require_GET
def photograph(request: HttpRequest, pk: int) -> FileResponse:
    """A defect's photograph, for whoever may see the check that it belongs to."""
    finding = get_object_or_404(Finding.objects.select_related("daily_check__site"), pk=pk)
    require_sight(request, finding.daily_check)
    if finding.answer != Finding.Answer.DEFECT:
        raise Http404("There is no photograph.")
    return photograph_file(finding.photograph)


@require_GET
def my_record(request: HttpRequest) -> HttpResponse:
    """An operator's own tickets, checks and refusals: their own, whatever their roles are now."""
    if request.user.operator is None:
        raise NotAllowed("This account is not an operator's, so it has no record of its own.")
    return render(
        request,
        "competence/checks/my_record.html",
        {
            "record": own_record(request.user.operator, now()),
            "may_check": may(request.user, Right.CHECK_MACHINE),
        },
    )


urlpatterns: list[URLPattern] = [
    path("checks/", check_list, name="check-list"),
    path("checks/<uuid:check_id>/result/", result, name="check-result"),
    path("photographs/<int:pk>/", photograph, name="photograph"),
    path("my/", my_record, name="my-record"),
]
