"""Tickets: the list, one ticket and its chain of events, and how it stood at any moment."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from competence.actions.clock import now
from competence.forms.tickets import AsOfForm
from competence.models import Ticket
from competence.permissions import Right, may, may_about, sites_with
from competence.queries.erasing import is_erased
from competence.queries.ticket_lists import (
    STATE_CHOICES,
    Names,
    TicketsAsked,
    names,
    ticket_row,
    ticket_rows,
    tickets_asked,
    today_at,
)
from competence.queries.tickets import chain_of
from competence.queries.timeline import chain_happenings, events_of, moment_words
from competence.rules.standing import standing
from competence.rules.ticket_words import LEVEL_WORDS, state_words
from competence.views import deciding
from competence.views.doing import asks
from competence.views.lists import category_choice, choice, day_choice, day_typed, paged, site_choice, typed
from competence.views.pages import clock_of, ticket_or_404


@require_GET
@asks(Right.SEE_RECORDS)
def ticket_list(request: HttpRequest) -> HttpResponse:
    site_ids = sites_with(request.user, Right.SEE_RECORDS)
    moment, state, every = now(), typed(request, "state"), typed(request, "all")
    asked = TicketsAsked(
        text=typed(request, "q"),
        site=typed(request, "site"),
        category=typed(request, "category"),
        state=state if state in dict(STATE_CHOICES) else "",
        ends_from=day_typed(request, "ends_from"),
        ends_to=day_typed(request, "ends_to"),
        is_active_only=not every,
    )
    page, query = paged(request, tickets_asked(asked, site_ids, moment))
    context = {
        "page": page,
        "query": query,
        "rows": ticket_rows(page, moment, names()),
        "q": asked.text,
        "is_filtered": bool(query),
        "selects": [
            site_choice(site_ids, asked.site),
            category_choice("Category", asked.category),
            choice("state", "State", STATE_CHOICES, asked.state, "Any state"),
            choice("all", "Operators", [("yes", "Not active too")], every, "Active"),
        ],
        "dates": [
            day_choice("ends_from", "Ends from", asked.ends_from),
            day_choice("ends_to", "Ends to", asked.ends_to),
        ],
    }
    return render(request, "competence/tickets/list.html", context)


@require_GET
@asks(Right.SEE_RECORDS)
def ticket(request: HttpRequest, number: str) -> HttpResponse:
    held = ticket_or_404(request, number, Right.SEE_RECORDS)
    site, moment, named = held.operator.site, now(), names()
    with clock_of(site) as zone:
        events = events_of([held.pk])
        form = AsOfForm(request.GET if {"at", "known_at"} & set(request.GET) else None)
        is_asked = form.is_bound and form.is_valid()
        is_gone = is_erased(held.operator)
        row = ticket_row(held, today_at(site, moment), named)
        context = {
            "ticket": held,
            "operator": held.operator,
            "row": row,
            "happenings": chain_happenings(events, zone, named),
            "form": form,
            "answer": _as_of(held, form.cleaned_data, named) if is_asked else None,
            "moves": [] if is_gone else _moves(request, held),
            "may_take_credential": may(request.user, Right.PRINT_CARD, site=site)
            or may(request.user, Right.TAKE_OUT, site=site),
            "may_correct": not is_gone and may_about(request.user, Right.DECIDE_TICKET, held.operator),
        }
        return render(request, "competence/tickets/ticket.html", context)


def _as_of(held: Ticket, asked: dict, named: Names) -> dict:
    """How the ticket stood at one moment as known at another, in words. One statement."""
    moment, site = now(), held.operator.site
    at, known_at = asked["at"] or moment, asked["known_at"] or moment
    then = standing(chain_of(held), at=at, known_at=known_at)
    with clock_of(site) as zone:
        return {
            "state": state_words(then, today_at(site, at)) if then else None,
            "level": LEVEL_WORDS[then.level] if then else "",
            "conditions": named.of(then.conditions) if then else [],
            "at": moment_words(at, zone),
            "known_at": moment_words(known_at, zone),
        }


def _moves(request: HttpRequest, held: Ticket) -> list[dict]:
    """The acts that this person may do on the ticket as it is now."""
    site, user = held.operator.site, request.user
    if held.level is None or held.is_withdrawn:
        return []
    verbs = []
    if may_about(user, Right.DECIDE_TICKET, held.operator):
        verbs = [("Reinstate", "ticket-reinstate")] if held.is_suspended else [("Renew", "ticket-renew")]
        verbs += [("Vary", "ticket-vary"), ("Withdraw", "ticket-withdraw")]
    if may(user, Right.SUSPEND_TICKET, site=site) and not held.is_suspended:
        verbs.insert(max(len(verbs) - 1, 0), ("Suspend", "ticket-suspend"))
    return [
        {"label": label, "name": name, "is_primary": not index} for index, (label, name) in enumerate(verbs)
    ]


urlpatterns: list[URLPattern] = [
    path("tickets/", ticket_list, name="ticket-list"),
    path("tickets/<str:number>/", ticket, name="ticket"),
    *deciding.urlpatterns,
]
