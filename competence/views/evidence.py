"""Evidence: recorded, corrected, struck out; the kind decides what is asked."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse

from competence.actions.evidence import (
    BY_TRAINER_ONLY,
    FROM_SITTINGS_ONLY,
    correct_evidence,
    record_evidence,
    strike_out_evidence,
)
from competence.forms.evidence import (
    ASKED,
    WHAT_IT_IS,
    CorrectEvidenceForm,
    EvidenceForm,
    Kind,
    StrikeOutForm,
)
from competence.models import Account, Evidence, Machine, Operator
from competence.permissions import Right, may, require
from competence.views.doing import asks, attempt
from competence.views.pages import form_page, operator_or_404


@asks(Right.RECORD_EVIDENCE)
def evidence_new(request: HttpRequest, number: str) -> HttpResponse:
    """First which kind (a link each), then that kind's own form."""
    person = operator_or_404(request, number, Right.RECORD_EVIDENCE)
    kind = request.GET.get("kind", "")
    kinds = _kinds_for(request.user, person)
    if kind not in kinds:
        return render(
            request,
            "competence/evidence/kinds.html",
            {"operator": person, "kinds": [(k, k.label, WHAT_IT_IS[k]) for k in kinds]},
        )
    form = EvidenceForm(request.POST or None, kind=kind, initial=_first(request, person, kind))
    if form.is_valid() and attempt(
        form, record_evidence, by=request.user, operator=person, kind=kind, **form.cleaned_data
    ):
        messages.success(request, f"{Kind(kind).label} of {person.name} is on record.")
        return redirect("operator", person.number)
    return form_page(
        request,
        form,
        title=f"Record: {Kind(kind).label.lower()}",
        overline=f"Operator {person.number}, {person.name}",
        lead=WHAT_IT_IS[Kind(kind)],
        submit="Record it",
        back_url=reverse("evidence-new", args=[person.number]),
        back_label="the kinds",
        machine_models=_models(kind),
    )


def _kinds_for(account: Account, person: Operator) -> list[Kind]:
    is_trainer = may(account, Right.RECORD_ASSESSMENT, site=person.site)
    return [kind for kind in ASKED if is_trainer or kind.value not in BY_TRAINER_ONLY]


def _first(request: HttpRequest, person: Operator, kind: str) -> dict:
    return {"site": person.site.pk} if kind == Kind.INDUCTION else {}


def _models(kind: str) -> list[str]:
    """Makes and models on the register, to choose from; one statement, for a familiarisation only."""
    if kind != Kind.FAMILIARISATION:
        return []
    models = Machine.objects.order_by("state__make_and_model").values_list("state__make_and_model", flat=True)
    return list(models.distinct())


def _evidence_or_404(request: HttpRequest, pk: int) -> Evidence:
    rows = Evidence.objects.select_related("operator__state__site", "category", "site", "recorded_by")
    row = get_object_or_404(rows.exclude(kind__in=FROM_SITTINGS_ONLY), pk=pk)
    right = Right.RECORD_ASSESSMENT if row.kind in BY_TRAINER_ONLY else Right.RECORD_EVIDENCE
    require(request.user, right, site=row.operator.site)
    return row


@asks(Right.RECORD_EVIDENCE)
def evidence_correct(request: HttpRequest, pk: int) -> HttpResponse:
    row = _evidence_or_404(request, pk)
    first = {
        "occurred_on": row.occurred_on,
        "category": row.category_id,
        "site": row.site_id,
        "machine_model": row.machine_model,
        "is_met": "yes" if row.is_met else "no",
        "hours": row.hours,
        "counts_to": row.counts_to,
        "came_from": row.came_from,
    }
    form = CorrectEvidenceForm(request.POST or None, kind=row.kind, initial=first)
    if form.is_valid() and attempt(
        form, correct_evidence, by=request.user, evidence=row, **form.cleaned_data
    ):
        messages.success(request, "Corrected. The row that was wrong stays visible, and no longer counts.")
        return redirect("operator", row.operator.number)
    return form_page(
        request,
        form,
        title=f"Correct: {row.get_kind_display().lower()}",
        overline=f"Operator {row.operator.number}, {row.operator.name}",
        lead="Say what the row should have said. The old row stays visible and stops counting.",
        submit="Correct the row",
        back_url=reverse("operator", args=[row.operator.number]),
        back_label=row.operator.name,
        machine_models=_models(row.kind),
    )


@asks(Right.RECORD_EVIDENCE)
def evidence_strike_out(request: HttpRequest, pk: int) -> HttpResponse:
    row = _evidence_or_404(request, pk)
    form = StrikeOutForm(request.POST or None)
    if form.is_valid() and attempt(
        form, strike_out_evidence, by=request.user, evidence=row, **form.cleaned_data
    ):
        messages.success(request, "Struck out. The row stays visible, and no longer counts.")
        return redirect("operator", row.operator.number)
    return form_page(
        request,
        form,
        title=f"Strike out: {row.get_kind_display().lower()}",
        overline=f"Operator {row.operator.number}, {row.operator.name}",
        consequence="The row stays visible, struck through, and stops counting from now. If a requirement "
        "rested on it, the next daily check is refused until new evidence is on record.",
        is_stop=True,
        submit="Strike it out",
        back_url=reverse("operator", args=[row.operator.number]),
        back_label=row.operator.name,
    )


urlpatterns: list[URLPattern] = [
    path("operators/<str:number>/evidence/new/", evidence_new, name="evidence-new"),
    path("evidence/<int:pk>/correct/", evidence_correct, name="evidence-correct"),
    path("evidence/<int:pk>/strike-out/", evidence_strike_out, name="evidence-strike-out"),
]
