"""Checklists: what is checked on each category of machine, version by version, and publishing the next."""

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET

from competence.actions.checklists import revise_checklist
from competence.forms.checklists import ChecklistForms
from competence.models import Category
from competence.permissions import Right, require_everywhere
from competence.queries.checklists import (
    checklist_rows,
    latest_points,
    listed_points,
    pairs_of,
    sheet_of_checklist,
)
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.standards import may_publish, version_asked


@require_GET
@asks(Right.SEE_STANDARDS)
def checklist_list(request: HttpRequest) -> HttpResponse:
    rows = checklist_rows(timezone.localdate())
    return render(request, "competence/checklists/list.html", {"rows": rows})


@require_GET
@asks(Right.SEE_STANDARDS)
def checklist(request: HttpRequest, category: str) -> HttpResponse:
    one = get_object_or_404(Category, code=category)
    number = version_asked(request)
    sheet = sheet_of_checklist(one, timezone.localdate(), number)
    if number is not None and sheet.shown is None:
        raise Http404("No such version.")
    context = {"category": one, "sheet": sheet, "may_publish": may_publish(request)}
    return render(request, "competence/checklists/checklist.html", context)


@asks(Right.KEEP_STANDARDS)
def checklist_new(request: HttpRequest, category: str) -> HttpResponse:
    require_everywhere(request.user, Right.KEEP_STANDARDS)
    one = get_object_or_404(Category, code=category)
    latest = one.checklist_versions.order_by("-number").first()
    listed = listed_points(latest) if latest else []
    pairs = pairs_of(latest) if latest else []
    posted = request.POST if request.method == "POST" else None
    asked = ChecklistForms.of(posted, latest, listed, pairs, latest_points())
    if posted is not None and asked.is_valid():
        published = attempt(
            asked.terms,
            revise_checklist,
            by=request.user,
            category=one,
            in_force_from=asked.terms.cleaned_data["in_force_from"],
            lines=asked.lines,
            pairs=asked.pairs,
            sources=asked.terms.source_lines,
        )
        if published:
            starts = long_date(published.in_force_from)
            messages.success(request, f"Version {published.number} is published, in force from {starts}.")
            return redirect("checklist", one.code)
    zones = list(dict.fromkeys(row.zone_name for row in listed))
    context = {"category": one, "latest": latest, "asked": asked, "zones": zones}
    return render(request, "competence/checklists/new.html", context)


urlpatterns: list[URLPattern] = [
    path("checklists/", checklist_list, name="checklist-list"),
    path("checklists/<slug:category>/", checklist, name="checklist"),
    path("checklists/<slug:category>/new-version/", checklist_new, name="checklist-new"),
]
