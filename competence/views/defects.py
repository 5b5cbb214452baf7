"""Defects: the list, one defect, and closing it."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from competence.actions.defects import close_defect
from competence.forms.defects import CloseDefectForm
from competence.models import Defect, Grade
from competence.permissions import NotAllowed, Right, may, sites_with
from competence.queries.defects import DefectsAsked, defects_asked, defects_to_show, sightings_of
from competence.queries.sites import sites_for
from competence.views.doing import asks, attempt
from competence.views.lists import choice, paged, span_asked, typed
from competence.views.pages import clock_of


@require_GET
@asks(Right.SEE_CHECKS)
def defect_list(request: HttpRequest) -> HttpResponse:
    site_ids = sites_with(request.user, Right.SEE_CHECKS)
    span = span_asked(request, "Found from", "Found up to")
    asked = DefectsAsked(
        machine=typed(request, "machine") or typed(request, "q"),
        site=typed(request, "site"),
        grade=typed(request, "grade"),
        state=typed(request, "state"),
        first_moment=span.first_moment,
        before=span.before,
    )
    page, query = paged(request, defects_asked(asked, site_ids))
    selects = [
        choice("state", "Open or closed", [("open", "Open"), ("closed", "Closed")], asked.state, "Both"),
        choice("grade", "Grade", Grade.choices, asked.grade, "Any grade"),
    ]
    sites = sites_for(site_ids).values_list("code", "name")
    if len(sites) > 1:
        selects.insert(0, choice("site", "Machine is at", sites, asked.site, "Every site"))
    context = {
        "page": page,
        "query": query,
        "q": asked.machine,
        "is_filtered": asked != DefectsAsked(),
        "selects": selects,
        "dates": span.choices,
    }
    return render(request, "competence/defects/list.html", context)


@asks(Right.SEE_CHECKS)
def defect(request: HttpRequest, pk: int) -> HttpResponse:
    one = get_object_or_404(defects_to_show(), pk=pk)
    stands_at = one.machine.site
    may_see = any(may(request.user, Right.SEE_CHECKS, site=site) for site in (stands_at, one.site))
    if not may_see:
        raise NotAllowed(f"{one.machine.fleet_number} stands at {stands_at.name}, which is not your site.")
    may_close = may(request.user, Right.CLOSE_DEFECT, site=stands_at)
    form = CloseDefectForm(request.POST or None)
    with clock_of(stands_at):
        if request.method == "POST":
            if form.is_valid() and attempt(
                form, close_defect, by=request.user, defect=one, **form.cleaned_data
            ):
                messages.success(request, _what_closing_did(one))
                return redirect("defect", pk)
            # Somebody else may have closed it meanwhile; the page shows it as it is now.
            one = get_object_or_404(defects_to_show(), pk=pk)
        context = {
            "defect": one,
            "machine": one.machine,
            "finding": one.opened_by,
            "check": one.opened_by.daily_check,
            "sightings": sightings_of(one),
            "form": form,
            "may_close": may_close,
            "stands_at": stands_at,
        }
        return render(request, "competence/defects/defect.html", context)


def _what_closing_did(one: Defect) -> str:
    fleet = one.machine.fleet_number
    left = Defect.objects.filter(machine=one.machine, closed_at__isnull=True, grade=Grade.STOP_USE).count()
    if left:
        return f"Closed. {fleet} still has {left} open stop-use defect{'' if left == 1 else 's'}: do not use."
    return f"Closed. No stop-use defect is open on {fleet} now; its next daily check says whether it is fit."


urlpatterns: list[URLPattern] = [
    path("defects/", defect_list, name="defect-list"),
    path("defects/<int:pk>/", defect, name="defect"),
]
