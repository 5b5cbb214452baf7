"""Operators: the list, one operator's whole record, and the acts that keep it."""

from typing import Any
from zoneinfo import ZoneInfo

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.utils.timezone import localtime
from django.views.decorators.http import require_GET

from competence.actions.clock import now
from competence.actions.people import change_operator, correct_operator, enter_operator
from competence.forms.operators import ChangeOperatorForm, CorrectOperatorForm, NewOperatorForm
from competence.forms.record_form import RecordForm
from competence.models import Employer, Operator
from competence.permissions import Right, may, may_about, sites_with
from competence.queries.absences import absences_to_show
from competence.queries.erasing import is_erased
from competence.queries.operators import (
    OperatorsAsked,
    account_of,
    evidence_of,
    evidence_to_show,
    facts_of,
    lasting_of,
    operator_rows,
    operators_asked,
    standards_in_force,
)
from competence.queries.sites import sites_for
from competence.queries.ticket_lists import STATE_CHOICES, names, ticket_rows, today_at
from competence.queries.timeline import (
    by_year,
    change_happenings,
    correction_happenings,
    events_of,
    evidence_happenings,
    in_time,
    refusal_happenings,
    ticket_happenings,
)
from competence.views import accounts
from competence.views.doing import asks, attempt
from competence.views.lists import category_choice, choice, paged, site_choice, typed, whole_number
from competence.views.pages import clock_of, form_page, operator_or_404

OPERATOR_STATES = (*STATE_CHOICES, ("none", "No ticket"))
ACTIVE_CHOICES = (("yes", "Active"), ("no", "Not active"), ("all", "Both"))


@require_GET
@asks(Right.SEE_RECORDS)
def operator_list(request: HttpRequest) -> HttpResponse:
    site_ids = sites_with(request.user, Right.SEE_RECORDS)
    state = typed(request, "state")
    asked = OperatorsAsked(
        text=typed(request, "q"),
        site=typed(request, "site"),
        employer=whole_number(typed(request, "employer")),
        category=typed(request, "category"),
        state=state if state in dict(OPERATOR_STATES) else "",
        active=typed(request, "active", "yes"),
    )
    moment = now()
    page, query = paged(request, operators_asked(asked, site_ids, moment))
    employers = Employer.objects.order_by("name").values_list("pk", "name")
    context = {
        "page": page,
        "query": query,
        "rows": operator_rows(list(page), moment, names()),
        "q": asked.text,
        "is_filtered": asked != OperatorsAsked(),
        "may_enter": may(request.user, Right.KEEP_PEOPLE),
        "selects": [
            site_choice(site_ids, asked.site),
            category_choice("Holds a ticket for", asked.category),
            choice("state", "With a ticket", OPERATOR_STATES, asked.state, "In any state"),
            choice("employer", "Employer", employers, str(asked.employer or ""), "Any employer"),
            choice("active", "Active", ACTIVE_CHOICES, asked.active),
        ],
    }
    return render(request, "competence/operators/list.html", context)


@require_GET
@asks(Right.SEE_RECORDS)
def operator(request: HttpRequest, number: str) -> HttpResponse:
    person = operator_or_404(request, number, Right.SEE_RECORDS)
    with clock_of(person.site) as zone:
        return render(request, "competence/operators/record.html", _record(request, person, zone))


def _record(request: HttpRequest, person: Operator, zone: ZoneInfo) -> dict:
    """Everything that the record shows, in a fixed number of statements whatever the history."""
    moment, named = now(), names()
    today = today_at(person.site, moment)
    held = person.tickets.select_related("category", "operator__state__site").order_by("category__name")
    tickets = ticket_rows(held, moment, named)
    evidence = evidence_of(person)
    site, user = person.site, request.user
    # Nothing more is written about somebody who was erased, so nothing is offered.
    is_gone = is_erased(person)
    may_book = not is_gone and may(user, Right.BOOK, site=site)
    return {
        "is_erased": is_gone,
        "may_book": may_book,
        "absences": absences_to_show(person, today) if may_book else [],
        "operator": person,
        "account": account_of(person),
        "tickets": tickets,
        "evidence": evidence_to_show(evidence),
        "lasting": lasting_of(person, tickets, standards_in_force(today), facts_of(evidence), today),
        "years": by_year(
            in_time(
                ticket_happenings(events_of(row.ticket.pk for row in tickets), zone, named),
                evidence_happenings(evidence, zone),
                change_happenings(person, zone),
                correction_happenings(person, zone),
                refusal_happenings(person, zone),
            ),
            zone,
        ),
        "may_keep": not is_gone and may(user, Right.KEEP_PEOPLE, site=site),
        "may_print_card": not is_gone and may(user, Right.PRINT_CARD, site=site),
        "may_ask_record": may(user, Right.ASK_RECORD, site=site),
        "may_see_looks": may(user, Right.SEE_LOOKS, site=site),
        "may_take_out": may(user, Right.TAKE_OUT, site=site),
        "may_record": not is_gone and may_about(user, Right.RECORD_EVIDENCE, person),
        "may_decide": not is_gone and may_about(user, Right.DECIDE_TICKET, person),
    }


@asks(Right.KEEP_PEOPLE)
def operator_new(request: HttpRequest) -> HttpResponse:
    form = _at_own_sites(request, NewOperatorForm(request.POST or None))
    if form.is_valid() and (person := attempt(form, enter_operator, by=request.user, **form.cleaned_data)):
        messages.success(request, f"{person.name} is on the register.")
        return redirect("operator", person.number)
    return form_page(
        request,
        form,
        title="Enter an operator",
        lead="A person who operates plant. Tickets, evidence and an account come after.",
        submit="Enter on the register",
        back_url=reverse("operator-list"),
        back_label="Operators",
    )


def _at_own_sites(request: HttpRequest, form: RecordForm) -> RecordForm:
    """Offer the sites where the account keeps people, and no others."""
    form.fields["site"].queryset = sites_for(sites_with(request.user, Right.KEEP_PEOPLE))
    return form


@asks(Right.KEEP_PEOPLE)
def operator_change(request: HttpRequest, number: str) -> HttpResponse:
    person = operator_or_404(request, number, Right.KEEP_PEOPLE)
    state = person.state
    first = {"site": state.site_id, "employer": state.employer_id, "is_active": state.is_active}
    with clock_of(person.site):
        form = _at_own_sites(request, ChangeOperatorForm(request.POST or None, initial=first))
        if form.is_valid() and attempt(
            form, change_operator, by=request.user, operator=person, **form.cleaned_data
        ):
            _say_changed(request, person, form.cleaned_data)
            return redirect("operator", person.number)
        return form_page(
            request,
            form,
            title=f"Change {person.name}",
            overline=f"Operator {person.number}",
            lead=f"Times are those of {person.site.name} ({person.site.zone}).",
            consequence="Making somebody not active stops every daily check of theirs and closes their "
            "account, at once. Their tickets and evidence stay on the register.",
            submit="Change the entry",
            back_url=reverse("operator", args=[person.number]),
            back_label=person.name,
        )


def _say_changed(request: HttpRequest, person: Operator, asked: dict[str, Any]) -> None:
    """What is so from now on, which a change of an earlier day need not have touched."""
    person.refresh_from_db()
    stands = (person.state.employer, person.site, person.state.is_active)
    if stands == (asked["employer"], asked["site"], asked["is_active"]):
        messages.success(request, f"The entry of {person.name} is changed; what it said before is kept.")
        return
    messages.warning(
        request,
        f"Kept for that day. From {localtime(person.state.effective_at):%-d %b %Y, %H:%M} on a later entry "
        "still holds, and it says otherwise: change the entry once more, with From empty, if today must "
        "change too.",
    )


@asks(Right.KEEP_PEOPLE)
def operator_correct(request: HttpRequest, number: str) -> HttpResponse:
    person = operator_or_404(request, number, Right.KEEP_PEOPLE)
    first = {name: getattr(person, name) for name in ("given_name", "family_name", "started_on")}
    form = CorrectOperatorForm(request.POST or None, initial=first)
    if form.is_valid() and attempt(
        form, correct_operator, by=request.user, operator=person, **form.cleaned_data
    ):
        messages.success(request, "The entry is corrected.")
        return redirect("operator", person.number)
    return form_page(
        request,
        form,
        title=f"Correct {person.name}",
        overline=f"Operator {person.number}",
        lead="For a name or a first day that was entered wrongly. The number never changes.",
        submit="Correct the entry",
        back_url=reverse("operator", args=[person.number]),
        back_label=person.name,
    )


urlpatterns: list[URLPattern] = [
    path("operators/", operator_list, name="operator-list"),
    path("operators/new/", operator_new, name="operator-new"),
    path("operators/<str:number>/", operator, name="operator"),
    path("operators/<str:number>/change/", operator_change, name="operator-change"),
    path("operators/<str:number>/correct/", operator_correct, name="operator-correct"),
    *accounts.urlpatterns,
]
