"""Deciding on tickets: issue, renew, vary, suspend, reinstate, withdraw, correct. Each says what it does."""

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import URLPattern, path, reverse

from competence.actions.clock import now
from competence.actions.corrections import Correction, correct_event
from competence.actions.tickets import (
    issue_ticket,
    reinstate_ticket,
    renew_ticket,
    suspend_ticket,
    vary_ticket,
    withdraw_ticket,
)
from competence.forms.record_form import RecordForm
from competence.forms.tickets import (
    CorrectEventForm,
    IssueForm,
    ReinstateForm,
    RenewForm,
    StopForm,
    VaryForm,
    as_typed,
)
from competence.models import Ticket, TicketEvent
from competence.permissions import Right
from competence.queries.operators import progress_of
from competence.queries.renewals import renewal_ground, renewal_words
from competence.queries.ticket_lists import names, today_at
from competence.queries.timeline import said
from competence.rules.conditions import Conditions
from competence.rules.reasons import long_date
from competence.views.doing import asks, attempt
from competence.views.pages import clock_of, form_page, operator_or_404, ticket_or_404


@asks(Right.DECIDE_TICKET)
def ticket_issue(request: HttpRequest, number: str) -> HttpResponse:
    person = operator_or_404(request, number, Right.DECIDE_TICKET)
    form = IssueForm(request.POST or None, initial={"category": request.GET.get("category")})
    if form.is_valid():
        asked = {
            name: form.cleaned_data[name] for name in ("category", "level", "first_day", "last_day", "reason")
        }
        made = attempt(
            form, issue_ticket, by=request.user, operator=person, conditions=form.conditions, **asked
        )
        if made:
            messages.success(request, f"Ticket {made.number} is issued.")
            return redirect("ticket", made.number)
    moment = now()
    progress = progress_of(person, today_at(person.site, moment), names())
    return form_page(
        request,
        form,
        title=f"Issue a ticket to {person.name}",
        overline=f"Operator {person.number}, {person.site.name}",
        lead="A full ticket takes everything that the standard asks for, on record. A trainee ticket takes "
        "none of it, and counts under supervision only.",
        submit="Issue the ticket",
        back_url=reverse("operator", args=[person.number]),
        back_label=person.name,
        aside="competence/tickets/progress.html",
        operator=person,
        progress=progress,
        begun=[each for each in progress if each.is_begun],
        others=[each for each in progress if not each.is_begun],
    )


@asks(Right.DECIDE_TICKET)
def ticket_renew(request: HttpRequest, number: str) -> HttpResponse:
    """The renewal rule gives the period; "show" says which, before anything is written."""
    ticket = ticket_or_404(request, number, Right.DECIDE_TICKET)
    ground = renewal_ground(ticket, now())
    first = {"assessed_on": ground.assessments[0].occurred_on if ground.assessments else None}
    form = RenewForm(request.POST or None, initial=first)
    assessed_on = first["assessed_on"]
    if "show" in request.POST:
        form.is_valid()
        if assessed_on := form.cleaned_data.get("assessed_on"):
            form = RenewForm(initial={"assessed_on": assessed_on, "reason": request.POST.get("reason", "")})
    elif form.is_valid():
        # Taken first: a refusal beside the field takes the day out of what the form holds.
        assessed_on = form.cleaned_data["assessed_on"]
        if attempt(form, renew_ticket, by=request.user, ticket=ticket, **form.cleaned_data):
            ticket.refresh_from_db()
            messages.success(request, f"Ticket {ticket.number} is renewed, to {long_date(ticket.last_day)}.")
            return redirect("ticket", ticket.number)
    elif form.is_bound:
        assessed_on = form.cleaned_data.get("assessed_on")
    return form_page(
        request,
        form,
        **_about(ticket, "Renew"),
        lead="On a practical assessment passed since the ticket was last issued or renewed. The standard's "
        "rule gives the new period.",
        consequence=renewal_words(ticket, ground, assessed_on),
        submit="Renew the ticket",
        show="Show the new period",
        aside="competence/tickets/assessments.html",
        ground=ground,
    )


@asks(Right.DECIDE_TICKET)
def ticket_vary(request: HttpRequest, number: str) -> HttpResponse:
    ticket = ticket_or_404(request, number, Right.DECIDE_TICKET)
    conditions = Conditions.from_plain(ticket.conditions)
    first = {"level": ticket.level, "last_day": ticket.last_day, **as_typed(conditions)}
    form = VaryForm(request.POST or None, initial=first)
    if form.is_valid():
        asked = {name: form.cleaned_data[name] for name in ("level", "last_day", "reason")}
        if attempt(form, vary_ticket, by=request.user, ticket=ticket, conditions=form.conditions, **asked):
            messages.success(request, f"Ticket {ticket.number} is varied.")
            return redirect("ticket", ticket.number)
    return form_page(
        request,
        form,
        **_about(ticket, "Vary"),
        consequence="From now on the ticket says what you put here: level, conditions, or an earlier last "
        "day. It cannot be made longer here.",
        submit="Vary the ticket",
    )


@asks(Right.SUSPEND_TICKET)
def ticket_suspend(request: HttpRequest, number: str) -> HttpResponse:
    ticket = ticket_or_404(request, number, Right.SUSPEND_TICKET)
    return _act(
        request,
        ticket,
        StopForm,
        suspend_ticket,
        "Suspend",
        f"{ticket.operator.name} is stopped at the next daily check of every machine that this ticket "
        "covers, until a trainer reinstates it. Its last day stays as it is.",
        "suspended",
        is_stop=True,
    )


@asks(Right.DECIDE_TICKET)
def ticket_reinstate(request: HttpRequest, number: str) -> HttpResponse:
    ticket = ticket_or_404(request, number, Right.DECIDE_TICKET)
    ends = f" It still ends on {long_date(ticket.last_day)}." if ticket.last_day else ""
    return _act(
        request,
        ticket,
        ReinstateForm,
        reinstate_ticket,
        "Reinstate",
        f"From now on the ticket counts again.{ends}",
        "reinstated",
    )


@asks(Right.DECIDE_TICKET)
def ticket_withdraw(request: HttpRequest, number: str) -> HttpResponse:
    ticket = ticket_or_404(request, number, Right.DECIDE_TICKET)
    return _act(
        request,
        ticket,
        StopForm,
        withdraw_ticket,
        "Withdraw",
        f"The ticket ends for good: {ticket.operator.name} is stopped at the next daily check, and it cannot "
        "be reinstated. The only way back is the full route and a new issue. To stop somebody for a while, "
        "suspend instead.",
        "withdrawn",
        is_stop=True,
    )


def _act(
    request: HttpRequest,
    ticket: Ticket,
    form_class: type[RecordForm],
    action: Callable[..., Ticket],
    verb: str,
    consequence: str,
    done: str,
    *,
    is_stop: bool = False,
) -> HttpResponse:
    """One act that takes a reason, and says its consequence first."""
    with clock_of(ticket.operator.site):
        form = form_class(request.POST or None)
        if form.is_valid() and attempt(form, action, by=request.user, ticket=ticket, **form.cleaned_data):
            messages.success(request, f"Ticket {ticket.number} is {done}.")
            return redirect("ticket", ticket.number)
        return form_page(
            request,
            form,
            **_about(ticket, verb),
            consequence=consequence,
            is_stop=is_stop,
            submit=f"{verb} the ticket",
        )


def _about(ticket: Ticket, verb: str) -> dict[str, str]:
    site = ticket.operator.site
    return {
        "title": f"{verb}: {ticket.category.name}",
        "overline": f"Ticket {ticket.number} of {ticket.operator.name} ({ticket.operator.number})",
        "clock": f"Times are those of {site.name} ({site.zone}).",
        "back_url": reverse("ticket", args=[ticket.number]),
        "back_label": f"Ticket {ticket.number}",
    }


@asks(Right.DECIDE_TICKET)
def event_correct(request: HttpRequest, number: str, sequence: int) -> HttpResponse:
    ticket = ticket_or_404(request, number, Right.DECIDE_TICKET)
    events = TicketEvent.objects.select_related("corrects", "standard_version", "ticket")
    event = get_object_or_404(events, ticket=ticket, sequence=sequence)
    event = event.corrects or event
    latest = event.corrections.select_related("standard_version").order_by("sequence").last() or event
    with clock_of(ticket.operator.site):
        form = CorrectEventForm(request.POST or None, kind=event.kind, initial=_as_said(latest))
        if form.is_valid() and attempt(
            form,
            correct_event,
            by=request.user,
            event=event,
            reason=form.cleaned_data["reason"],
            should_say=_should_say(form, latest),
        ):
            messages.success(request, "Corrected. The event stays visible beside its correction.")
            return redirect("ticket", ticket.number)
        says = "struck out" if latest.strikes_out else " ".join(said(latest, names())) or "nothing more"
        return form_page(
            request,
            form,
            **_about(ticket, "Correct an event"),
            lead=f"{event.get_kind_display()}, event {event.sequence}. It says now: {says}",
            consequence="The event itself is never edited. The correction stands beside it, and from now on "
            "the ticket is read as if the event had said this.",
            submit="Correct the event",
        )


def _as_said(event: TicketEvent) -> dict[str, Any]:
    conditions = Conditions.from_plain(event.conditions)
    return {
        "how": "say",
        "effective_at": event.effective_at,
        "level": event.level or "",
        "first_day": event.first_day,
        "last_day": event.last_day,
        "says_conditions": event.conditions is not None,
        **as_typed(conditions),
    }


def _should_say(form: CorrectEventForm, latest: TicketEvent) -> Correction | None:
    asked = form.cleaned_data
    if asked["how"] == "strike":
        return None
    effective_at = asked["effective_at"]
    # The field holds whole minutes; left alone, the moment keeps its seconds and its place in the chain.
    if effective_at == latest.effective_at.replace(second=0, microsecond=0):
        effective_at = latest.effective_at
    return Correction(
        effective_at=effective_at,
        level=asked.get("level") or None,
        first_day=asked.get("first_day"),
        last_day=asked.get("last_day"),
        conditions=form.said_conditions,
    )


urlpatterns: list[URLPattern] = [
    path("operators/<str:number>/tickets/issue/", ticket_issue, name="ticket-issue"),
    path("tickets/<str:number>/renew/", ticket_renew, name="ticket-renew"),
    path("tickets/<str:number>/vary/", ticket_vary, name="ticket-vary"),
    path("tickets/<str:number>/suspend/", ticket_suspend, name="ticket-suspend"),
    path("tickets/<str:number>/reinstate/", ticket_reinstate, name="ticket-reinstate"),
    path("tickets/<str:number>/withdraw/", ticket_withdraw, name="ticket-withdraw"),
    path("tickets/<str:number>/events/<int:sequence>/correct/", event_correct, name="event-correct"),
]
