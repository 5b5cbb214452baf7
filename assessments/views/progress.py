"""An operator's progress to a ticket, with the ticket one step away; and evidence for several people."""

from typing import Any
from urllib.parse import urlencode

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET

from assessments.actions.groups import FOR_GROUPS, record_group_evidence
from assessments.forms.evidence import GroupEvidenceForm, MoveForm
from assessments.queries.bookings import operators_at
from assessments.queries.progress import (
    ISSUE,
    RAISE,
    Line,
    Move,
    Picture,
    coming_booking,
    models_at,
    picture_of,
    who_may_decide,
)
from assessments.views.bookings import site_asked, sites_to_choose
from competence.actions.clock import now
from competence.actions.evidence import BY_TRAINER_ONLY, FROM_SITTINGS_ONLY
from competence.actions.tickets import issue_ticket, renew_ticket, vary_ticket
from competence.forms.evidence import WHAT_IT_IS, Kind
from competence.models import Account, Category, Operator
from competence.permissions import Right, may, may_about, require, sites_with
from competence.queries.erasing import is_erased
from competence.queries.operators import progress_of
from competence.queries.ticket_lists import names, today_at
from competence.rules.requirements import RequirementKind
from competence.views.doing import asks, attempt
from competence.views.lists import choice, typed
from competence.views.pages import operator_or_404

DONE = {"issue": "issued", "raise": "raised to full level", "renew": "renewed"}
LABELS = {"issue": "Issue now", "raise": "Raise to full level now", "renew": "Renew now"}


@require_GET
@asks(Right.SEE_RECORDS)
def progress_list(request: HttpRequest, number: str) -> HttpResponse:
    """Every category with a standard in force, nearest first: a way into each one's picture."""
    person = operator_or_404(request, number, Right.SEE_RECORDS)
    moment = now()
    found = progress_of(person, today_at(person.site, moment), names())
    return render(
        request,
        "assessments/progress/list.html",
        {
            "operator": person,
            "begun": [each for each in found if each.is_begun],
            "others": [each for each in found if not each.is_begun],
        },
    )


@asks(Right.SEE_RECORDS)
def progress(request: HttpRequest, number: str, category: str) -> HttpResponse:
    """One picture; sent, it makes the one move that the record leads to."""
    person = operator_or_404(request, number, Right.SEE_RECORDS)
    wanted = get_object_or_404(Category, code=category)
    picture = picture_of(person, wanted, today_at(person.site, now()))
    form = MoveForm(request.POST if request.method == "POST" else None)
    if request.method == "POST":
        require(request.user, Right.DECIDE_TICKET, site=person.site)
        if form.is_valid() and (ticket := _make(request, form, picture)):
            messages.success(request, f"Ticket {ticket.number} is {DONE[form.cleaned_data['move']]}.")
            return redirect("ticket", ticket.number)
    return render(request, "assessments/progress/picture.html", _shown(request, form, picture))


def _make(request: HttpRequest, form: MoveForm, picture: Picture) -> Any:
    """The ticket, or ``None`` with what was refused on the form."""
    move = picture.move
    if move is None or move.kind != form.cleaned_data["move"]:
        form.add_error(None, "The record has changed since this page was opened. Nothing was done.")
        return None
    if not move.is_ready:
        form.add_error(None, f"Not on record yet: {'; '.join(move.waits_for)}.")
        return None
    reason = f"Everything that version {picture.standard.number} of the standard asks for is on record."
    by = request.user
    if move.kind == ISSUE:
        return attempt(
            form,
            issue_ticket,
            by=by,
            operator=picture.operator,
            category=picture.category,
            level="full",
            reason=reason,
        )
    if move.kind == RAISE:
        return attempt(form, vary_ticket, by=by, ticket=picture.ticket, level="full", reason=reason)
    return attempt(
        form, renew_ticket, by=by, ticket=picture.ticket, assessed_on=move.assessed_on, reason=reason
    )


def _shown(request: HttpRequest, form: MoveForm, picture: Picture) -> dict[str, Any]:
    account, person, move = request.user, picture.operator, picture.move
    keeps_apart = account.pk in picture.assessors
    is_gone = is_erased(person)
    return {
        "picture": picture,
        "operator": person,
        "form": form,
        "once": [(line, [] if is_gone else _ways(account, picture, line)) for line in picture.once],
        "lasting": [(line, [] if is_gone else _ways(account, picture, line)) for line in picture.lasting],
        "booking": coming_booking(person, picture.category, picture.today),
        "book_url": "" if is_gone else _book_url(account, picture),
        "label": LABELS[move.kind] if move else "",
        "waits_for_assessment": _waits_for_assessment(picture, move),
        "may_decide": not is_gone and may_about(account, Right.DECIDE_TICKET, person),
        "keeps_apart": keeps_apart,
        "others_may": who_may_decide(person, picture.assessors) if keeps_apart else [],
    }


def _waits_for_assessment(picture: Picture, move: Move | None) -> bool:
    """Whether a renewal waits for a new assessment, which no line of the standard says is missing."""
    return bool(move and move.waits_for and move.kind == "renew" and not move.assessed_on) and not (
        picture.ticket is not None and picture.ticket.is_suspended
    )


def _book_url(account: Account, picture: Picture) -> str:
    if not may_about(account, Right.BOOK, picture.operator):
        return ""
    asked = {"operator": picture.operator.number, "category": picture.category.code}
    return f"{reverse('booking-new')}?{urlencode(asked)}"


def _ways(account: Account, picture: Picture, line: Line) -> list[dict[str, str]]:
    """What this account can do next about a line that is not met."""
    if line.is_met:
        return []
    ways = []
    if line.kind is RequirementKind.PRACTICAL and (book_url := _book_url(account, picture)):
        ways.append({"label": "Book an assessment", "url": book_url})
    right = Right.RECORD_ASSESSMENT if line.kind in BY_TRAINER_ONLY else Right.RECORD_EVIDENCE
    if line.kind not in FROM_SITTINGS_ONLY and may_about(account, right, picture.operator):
        url = reverse("evidence-new", args=[picture.operator.number]) + f"?kind={line.kind.value}"
        ways.append({"label": "Record evidence", "url": url})
    return ways


@asks(Right.RECORD_EVIDENCE)
def evidence_group(request: HttpRequest) -> HttpResponse:
    """First the kind and the site, then what happened and who was there."""
    account = request.user
    is_trainer = may(account, Right.RECORD_ASSESSMENT)
    kinds = [kind for kind in FOR_GROUPS if is_trainer or kind not in BY_TRAINER_ONLY]
    asked = typed(request, "kind")
    kind = next((kind for kind in kinds if kind.value == asked), None)
    if kind is None:
        return render(
            request,
            "assessments/progress/group_kinds.html",
            {"kinds": [(k.value, Kind(k.value).label, WHAT_IT_IS[Kind(k.value)]) for k in kinds]},
        )
    right = Right.RECORD_ASSESSMENT if kind in BY_TRAINER_ONLY else Right.RECORD_EVIDENCE
    site_ids = sites_with(account, right)
    site = site_asked(request, site_ids, None)
    form = GroupEvidenceForm(
        request.POST or None,
        kind=kind.value,
        operators=operators_at(site.pk) if site else Operator.objects.none(),
        initial={"site": site.pk if site and kind is RequirementKind.INDUCTION else None},
    )
    if form.is_valid():
        made = attempt(form, record_group_evidence, by=account, kind=kind.value, **form.cleaned_data)
        if made:
            whose = "1 person" if len(made) == 1 else f"{len(made)} people"
            messages.success(request, f"{Kind(kind.value).label} of {whose} is on record.")
            return redirect("evidence-group")
    return render(
        request,
        "assessments/progress/group.html",
        {
            "form": form,
            "kind": kind.value,
            "label": Kind(kind.value).label,
            "what_it_is": WHAT_IT_IS[Kind(kind.value)],
            "site": site,
            "machine_models": models_at(site) if site and kind is RequirementKind.FAMILIARISATION else [],
            "selects": [
                choice("kind", "What", [(k.value, Kind(k.value).label) for k in kinds], kind.value),
                choice("site", "People of", sites_to_choose(site_ids), site.code if site else ""),
            ],
        },
    )


urlpatterns: list[URLPattern] = [
    path("operators/<str:number>/progress/", progress_list, name="progress-list"),
    path("operators/<str:number>/progress/<str:category>/", progress, name="progress"),
    path("evidence/group/", evidence_group, name="evidence-group"),
]
