"""Machines: the list, one machine, entering and changing it, and the label that it carries."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET

from competence.actions.plant import change_machine, enter_machine
from competence.forms.plant import ChangeMachineForm, NewMachineForm
from competence.models import Machine
from competence.outputs.labels import code_as_svg
from competence.permissions import Right, may, require, sites_with
from competence.queries.plant import (
    MachinesAsked,
    machines_asked,
    machines_to_label,
    sheet_of_machine,
)
from competence.queries.sites import sites_for
from competence.views.doing import asks, attempt
from competence.views.lists import category_choice, choice, paged, typed
from competence.views.pages import clock_of, form_page


@require_GET
@asks(Right.SEE_PLANT)
def machine_list(request: HttpRequest) -> HttpResponse:
    site_ids = sites_with(request.user, Right.SEE_PLANT)
    names = ("site", "category", "service", "stopped")
    asked = MachinesAsked(text=typed(request, "q"), **{name: typed(request, name) for name in names})
    page, query = paged(request, machines_asked(asked, site_ids))
    selects = [
        category_choice("Category", asked.category),
        choice(
            "service", "In service", [("yes", "In service"), ("no", "Out of service")], asked.service, "Both"
        ),
        choice("stopped", "Defects", [("yes", "Open stop-use defect")], asked.stopped, "Any or none"),
    ]
    sites = sites_for(site_ids).values_list("code", "name")
    if len(sites) > 1:
        selects.insert(0, choice("site", "Site", sites, asked.site, "Every site"))
    context = {
        "page": page,
        "query": query,
        "q": asked.text,
        "is_filtered": asked != MachinesAsked(),
        "selects": selects,
        "may_enter": may(request.user, Right.KEEP_PLANT),
    }
    return render(request, "competence/plant/list.html", context)


def machine_or_404(request: HttpRequest, fleet: str, right: Right) -> Machine:
    """The machine, where the account holds ``right`` at the site where it stands."""
    machine = get_object_or_404(Machine.objects.with_state(), fleet_number=fleet)
    require(request.user, right, site=machine.site)
    return machine


@require_GET
@asks(Right.SEE_PLANT)
def machine(request: HttpRequest, fleet: str) -> HttpResponse:
    one = machine_or_404(request, fleet, Right.SEE_PLANT)
    with clock_of(one.site):
        context = {
            "machine": one,
            "state": one.state,
            "sheet": sheet_of_machine(one, sites_with(request.user, Right.SEE_CHECKS)),
            "may_keep": may(request.user, Right.KEEP_PLANT, site=one.site),
            "may_ask_gate": may(request.user, Right.ASK_GATE, site=one.site),
        }
        return render(request, "competence/plant/machine.html", context)


@asks(Right.KEEP_PLANT)
def machine_new(request: HttpRequest) -> HttpResponse:
    form = NewMachineForm(request.POST or None)
    form.fields["site"].queryset = sites_for(sites_with(request.user, Right.KEEP_PLANT))
    if form.is_valid() and (made := attempt(form, enter_machine, by=request.user, **form.cleaned_data)):
        messages.success(request, f"{made.fleet_number} is on the register. Print its label next.")
        return redirect("machine", made.fleet_number)
    return form_page(
        request,
        form,
        title="Enter a machine",
        lead="One physical machine. Its category decides which ticket it takes and which points are checked.",
        submit="Enter on the register",
        back_url=reverse("machine-list"),
        back_label="Machines",
    )


@asks(Right.KEEP_PLANT)
def machine_change(request: HttpRequest, fleet: str) -> HttpResponse:
    one = machine_or_404(request, fleet, Right.KEEP_PLANT)
    with clock_of(one.site):
        form = ChangeMachineForm(request.POST or None, initial=_as_it_stands(one))
        form.fields["site"].queryset = sites_for(sites_with(request.user, Right.KEEP_PLANT))
        if form.is_valid() and attempt(
            form, change_machine, by=request.user, machine=one, **form.cleaned_data
        ):
            messages.success(request, f"{fleet} is changed; what it was before is kept.")
            return redirect("machine", fleet)
        return form_page(
            request,
            form,
            title=f"Change {fleet}",
            overline=f"{one.state.make_and_model}, {one.site.name}",
            consequence="The change counts from its moment on, for every daily check. What the machine was "
            "before stays on the register.",
            clock=f"Times are those of {one.site.name} ({one.site.zone}).",
            submit="Change the machine",
            back_url=reverse("machine", args=[fleet]),
            back_label=fleet,
        )


def _as_it_stands(one: Machine) -> dict[str, Any]:
    state = one.state
    return {
        "make_and_model": state.make_and_model,
        "category": state.category_id,
        "operating_mass_kg": state.operating_mass_kg,
        "site": state.site_id,
        "features": list(state.features.values_list("pk", flat=True)),
        "is_in_service": state.is_in_service,
    }


def check_address(request: HttpRequest, fleet: str) -> str:
    """The whole address at which a daily check of the machine starts: what its label says."""
    return request.build_absolute_uri(reverse("check-start", args=[fleet]))


@require_GET
@asks(Right.SEE_PLANT)
def machine_qr(request: HttpRequest, fleet: str) -> HttpResponse:
    one = machine_or_404(request, fleet, Right.SEE_PLANT)
    return HttpResponse(code_as_svg(check_address(request, one.fleet_number)), content_type="image/svg+xml")


@require_GET
@asks(Right.SEE_PLANT)
def machine_label(request: HttpRequest, fleet: str) -> HttpResponse:
    one = machine_or_404(request, fleet, Right.SEE_PLANT)
    return render(
        request,
        "competence/plant/label.html",
        {"machine": one, "address": check_address(request, one.fleet_number)},
    )


@require_GET
@asks(Right.SEE_PLANT)
def machine_labels(request: HttpRequest) -> HttpResponse:
    sites = list(sites_for(sites_with(request.user, Right.SEE_PLANT)))
    asked = request.GET.get("site", "")
    site = next((one for one in sites if one.code == asked), sites[0] if sites else None)
    options = [(one.code, one.name) for one in sites]
    context = {
        "site": site,
        "machines": machines_to_label(site) if site else [],
        "selects": [choice("site", "Site", options, site.code if site else "")],
    }
    return render(request, "competence/plant/labels.html", context)


urlpatterns: list[URLPattern] = [
    path("machines/", machine_list, name="machine-list"),
    # A fleet number has no small letters, so these are never taken for one.
    path("machines/new/", machine_new, name="machine-new"),
    path("machines/labels/", machine_labels, name="machine-labels"),
    path("machines/<str:fleet>/", machine, name="machine"),
    path("machines/<str:fleet>/change/", machine_change, name="machine-change"),
    path("machines/<str:fleet>/label/", machine_label, name="machine-label"),
    path("machines/<str:fleet>/qr.svg", machine_qr, name="machine-qr"),
]
