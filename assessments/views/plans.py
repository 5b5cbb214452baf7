"""Planning re-assessments: asked for, watched, stopped, and accepted into bookings."""

import math
from datetime import timedelta

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.utils import timezone
from django.views.decorators.http import require_GET, require_POST

from assessments.actions.plans import accept_plan, ask_for_plan, is_lost, require_booking_at, stop_plan
from assessments.forms.plans import PlanForm
from assessments.models import Plan
from assessments.queries.plans import plan_sheet
from competence.actions.errors import ActionRefused
from competence.models import Site
from competence.permissions import Right, sites_with
from competence.views.doing import asks, attempt

USUAL_SPAN = timedelta(days=60)
SHOWN = 10


@asks(Right.BOOK)
def plan_list(request: HttpRequest) -> HttpResponse:
    """The form for a new plan, and one's own plans of late."""
    site_ids, today = sites_with(request.user, Right.BOOK), timezone.localdate()
    form = PlanForm(
        request.POST or None,
        site_ids=site_ids,
        today=today,
        initial={
            "sites": list(Site.objects.values_list("code", flat=True)),
            "first": today + timedelta(days=1),
            "last": today + USUAL_SPAN,
            "capacity": 4,
            "seconds": "30",
        },
    )
    if form.is_valid():
        seconds = float(form.cleaned_data["seconds"])
        made = attempt(form, ask_for_plan, by=request.user, asked=form.asked(), seconds=seconds)
        if made:
            return redirect("plan", pk=made.pk)
    made = Plan.objects.filter(made_by=request.user).order_by("-made_at")[:SHOWN]
    return render(request, "assessments/plans/list.html", {"form": form, "plans": made})


@require_GET
@asks(Right.BOOK)
def plan_page(request: HttpRequest, pk: int) -> HttpResponse:
    """What was found, or how far the search is: the page asks again by itself while it runs."""
    made = _plan_of(request, pk)
    told = made.found or made.progress
    context = {
        "made": made,
        "is_lost": is_lost(made),
        "sheet": plan_sheet(made),
        "gap_percent": percent(told.get("gap", 1.0)),
        "renewals": len(told.get("placements", ())) + len(told.get("unplaced", ())),
    }
    return render(request, "assessments/plans/plan.html", context)


def percent(share: float) -> str:
    """Rounded up, so that it never promises more than is known."""
    tenths = math.ceil(round(share * 1000, 6))
    return f"{tenths / 10:g} %"


@require_POST
@asks(Right.BOOK)
def plan_stop(request: HttpRequest, pk: int) -> HttpResponse:
    stop_plan(by=request.user, made=_plan_of(request, pk))
    messages.info(request, "The search stops at its next step; what it has found is kept.")
    return redirect("plan", pk=pk)


@require_POST
@asks(Right.BOOK)
def plan_accept(request: HttpRequest, pk: int) -> HttpResponse:
    """Book what is ticked, all or none of it."""
    made = _plan_of(request, pk)
    try:
        booked = accept_plan(by=request.user, made=made, tickets=set(request.POST.getlist("ticket")))
    except ActionRefused as refused:
        messages.error(request, f"{refused} Nothing was booked.")
    except ValidationError as refused:
        messages.error(request, f"{' '.join(refused.messages)} Nothing was booked.")
    else:
        messages.success(request, f"{len(booked)} booked. Each operator sees it on their start page.")
    return redirect("plan", pk=pk)


def _plan_of(request: HttpRequest, pk: int) -> Plan:
    made = get_object_or_404(Plan.objects.select_related("made_by"), pk=pk)
    require_booking_at(request.user, made.asked["sites"])
    return made


urlpatterns: list[URLPattern] = [
    path("plans/", plan_list, name="plan-list"),
    path("plans/<int:pk>/", plan_page, name="plan"),
    path("plans/<int:pk>/stop/", plan_stop, name="plan-stop"),
    path("plans/<int:pk>/accept/", plan_accept, name="plan-accept"),
]
