"""What may happen to a ticket. Each is one event appended to its chain; nothing is edited."""

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, Category, Operator, StandardVersion, Ticket, TicketEvent
from competence.permissions import Right, require
from competence.queries.tickets import fold, missing_for_full_ticket, practical_assessors, standard_on
from competence.rules.conditions import Conditions
from competence.rules.dates import (
    Period,
    PeriodEnd,
    RenewalRefused,
    day_at,
    first_moment,
    period_end,
    renewed_period,
)
from competence.rules.reasons import long_date
from competence.rules.standing import Level, Standing, State

Kind = TicketEvent.Kind


@transaction.atomic
def issue_ticket(
    *,
    by: Account,
    operator: Operator,
    category: Category,
    level: str,
    reason: str,
    first_day: date | None = None,
    last_day: date | None = None,
    conditions: Conditions | None = None,
) -> Ticket:
    """Issue a ticket: the first, or a new one after the last was withdrawn or lapsed for good.

    A full ticket takes every once-only requirement of the standard in force; a trainee ticket takes none of
    them, and counts under supervision only. Where the standard asks for it, the issuer is not the assessor.
    """
    # The operator's row is the lock: two issuers meet here, and the second sees the first one's ticket.
    operator = Operator.objects.select_for_update(of=("self",)).get(pk=operator.pk)
    _require_issuer(by, operator)
    today = _today(operator)
    first_day = first_day or today
    standard = _standard(category, first_day)
    ticket = Ticket.objects.filter(operator=operator, category=category).first()
    if ticket is not None:
        _refuse_while_held(ticket, standard, today)
    if level == Level.FULL:
        _refuse_while_missing(by, operator, standard, first_day)
    full_term = period_end(first_day, standard.months, PeriodEnd(standard.period_end))
    if ticket is None:
        ticket = Ticket.objects.create(
            number=_next_ticket_number(operator), operator=operator, category=category
        )
    return _append(
        by,
        ticket,
        Kind.ISSUED,
        reason,
        # Entered late, it counts from its first day; entered early, it is known from now.
        effective_at=min(now(), first_moment(first_day, ZoneInfo(operator.site.zone))),
        level=level,
        first_day=first_day,
        last_day=_within_term(first_day, last_day, full_term),
        conditions=(conditions or Conditions()).as_plain(),
        standard_version=standard,
    )


@transaction.atomic
def renew_ticket(*, by: Account, ticket: Ticket, assessed_on: date, reason: str) -> Ticket:
    """Renew after a practical assessment passed on ``assessed_on``; the renewal rule gives the period."""
    ticket, held = _locked(by, ticket, Right.DECIDE_TICKET)
    operator = ticket.operator
    _refuse_own(by, operator)
    if held.is_suspended:
        raise ActionRefused("The ticket is suspended. Reinstate it first, when what led to it is put right.")
    if assessed_on > _today(operator):
        raise ActionRefused("The assessment is still to come.", field="assessed_on")
    standard = _standard(ticket.category, assessed_on)
    if not practical_assessors(operator, ticket.category, on=assessed_on):
        raise ActionRefused(
            f"No practical assessment passed on {long_date(assessed_on)} is on record. Record it first.",
            field="assessed_on",
        )
    if held.level == Level.FULL:
        _refuse_while_missing(by, operator, standard, assessed_on)
    try:
        period = renewed_period(
            Period(held.first_day, held.last_day),
            assessed_on,
            months=standard.months,
            ends=PeriodEnd(standard.period_end),
            window_days=standard.renewal_window_days,
            lapse_limit_days=standard.lapse_limit_days,
        )
    except RenewalRefused as refused:
        raise ActionRefused(str(refused), field="assessed_on") from refused
    if period.last_day < held.last_day:
        raise ActionRefused("This renewal would end sooner than the ticket does now.", field="assessed_on")
    return _append(
        by,
        ticket,
        Kind.RENEWED,
        reason,
        first_day=period.first_day,
        last_day=period.last_day,
        standard_version=standard,
    )


@transaction.atomic
def vary_ticket(
    *,
    by: Account,
    ticket: Ticket,
    reason: str,
    level: str | None = None,
    last_day: date | None = None,
    conditions: Conditions | None = None,
) -> Ticket:
    """Change level, conditions, or bring the last day forward; only a renewal makes a ticket longer."""
    ticket, held = _locked(by, ticket, Right.DECIDE_TICKET)
    _refuse_own(by, ticket.operator)
    if last_day is not None and last_day > held.last_day:
        raise ActionRefused(
            f"The ticket ends on {long_date(held.last_day)}; only a renewal makes it longer.",
            field="last_day",
        )
    if last_day is not None and last_day < held.first_day:
        raise ActionRefused("The last day is before the first day.", field="last_day")
    if level == Level.FULL and held.level != Level.FULL:
        today = _today(ticket.operator)
        _refuse_while_missing(by, ticket.operator, _standard(ticket.category, today), today)
    return _append(
        by,
        ticket,
        Kind.VARIED,
        reason,
        level=level,
        last_day=last_day,
        conditions=None if conditions is None else conditions.as_plain(),
    )


@transaction.atomic
def suspend_ticket(
    *, by: Account, ticket: Ticket, reason: str, effective_at: datetime | None = None
) -> Ticket:
    """Stop a ticket counting until it is reinstated; a site admin may, so that nobody waits for a trainer."""
    ticket, held = _locked(by, ticket, Right.SUSPEND_TICKET)
    if held.is_suspended:
        raise ActionRefused("The ticket is suspended already.")
    return _append(by, ticket, Kind.SUSPENDED, reason, effective_at=effective_at)


@transaction.atomic
def reinstate_ticket(*, by: Account, ticket: Ticket, reason: str) -> Ticket:
    """Let a suspended ticket count again."""
    ticket, held = _locked(by, ticket, Right.DECIDE_TICKET)
    _refuse_own(by, ticket.operator)
    if not held.is_suspended:
        raise ActionRefused("The ticket is not suspended.")
    return _append(by, ticket, Kind.REINSTATED, reason)


@transaction.atomic
def withdraw_ticket(
    *, by: Account, ticket: Ticket, reason: str, effective_at: datetime | None = None
) -> Ticket:
    """End a ticket for good; the full route and a new issue is the only way back."""
    ticket, _ = _locked(by, ticket, Right.DECIDE_TICKET)
    return _append(by, ticket, Kind.WITHDRAWN, reason, effective_at=effective_at)


@dataclass(frozen=True)
class Correction:
    """What an event should have said, whole; ``None`` leaves that part of the ticket as it was."""

    effective_at: datetime
    level: str | None = None
    first_day: date | None = None
    last_day: date | None = None
    conditions: Conditions | None = None


@transaction.atomic
def correct_event(*, by: Account, event: TicketEvent, reason: str, should_say: Correction | None) -> Ticket:
    """Correct one event of a chain; ``should_say`` ``None`` strikes it out. The event itself stays."""
    ticket = Ticket.objects.select_for_update(of=("self",)).select_related("operator").get(pk=event.ticket_id)
    require(by, Right.DECIDE_TICKET, site=ticket.operator.site)
    _refuse_own(by, ticket.operator)
    event = event.corrects or event
    if should_say is None:
        return _append(
            by,
            ticket,
            Kind.CORRECTED,
            reason,
            effective_at=event.effective_at,
            corrects=event,
            strikes_out=True,
        )
    if event.kind == Kind.ISSUED and not (should_say.level and should_say.first_day and should_say.last_day):
        raise ActionRefused("An issue states its level, first day and last day.")
    if should_say.first_day and should_say.last_day and should_say.last_day < should_say.first_day:
        raise ActionRefused("The last day is before the first day.", field="last_day")
    return _append(
        by,
        ticket,
        Kind.CORRECTED,
        reason,
        effective_at=should_say.effective_at,
        level=should_say.level,
        first_day=should_say.first_day,
        last_day=should_say.last_day,
        conditions=None if should_say.conditions is None else should_say.conditions.as_plain(),
        corrects=event,
    )


def project(ticket: Ticket) -> Ticket:
    """Bring the columns that repeat today's standing into line with the events."""
    moment = now()
    held = fold(ticket, at=moment, known_at=moment)
    ticket.level = held.level.value if held else None
    ticket.first_day = held.first_day if held else None
    ticket.last_day = held.last_day if held else None
    ticket.conditions = held.conditions.as_plain() if held else {}
    ticket.is_suspended = held.is_suspended if held else False
    ticket.is_withdrawn = held.is_withdrawn if held else False
    ticket.since = held.since if held else None
    if ticket.first_day and ticket.last_day and ticket.last_day < ticket.first_day:
        raise ActionRefused("With that, the ticket would end before its first day.", field="last_day")
    ticket.save()
    return ticket


def _append(by: Account, ticket: Ticket, kind: Kind, reason: str, **columns: Any) -> Ticket:
    moment = now()
    effective_at = columns.pop("effective_at", None) or moment
    if effective_at > moment:
        raise ActionRefused("It takes effect no later than now.", field="effective_at")
    event = TicketEvent(
        ticket=ticket,
        sequence=ticket.events.count() + 1,
        kind=kind,
        effective_at=effective_at,
        recorded_at=moment,
        recorded_by=by,
        reason=reason,
        **columns,
    )
    event.full_clean()
    event.save()
    project(ticket)
    record(by=by, action=f"ticket.{kind.value}", rows=[ticket, event], reason=reason)
    return ticket


def _locked(by: Account, ticket: Ticket, right: Right) -> tuple[Ticket, Standing]:
    """The ticket, locked, and what it amounts to now; refused where there is nothing left to decide on."""
    ticket = (
        Ticket.objects.select_for_update(of=("self",))
        .select_related("operator__state__site", "category")
        .get(pk=ticket.pk)
    )
    require(by, right, site=ticket.operator.site)
    moment = now()
    held = fold(ticket, at=moment, known_at=moment)
    if held is None:
        raise ActionRefused("The issue of this ticket was struck out; issue it anew.")
    if held.is_withdrawn:
        raise ActionRefused("The ticket was withdrawn; the full route and a new issue is the only way back.")
    return ticket, held


def _require_issuer(by: Account, operator: Operator) -> None:
    require(by, Right.DECIDE_TICKET, site=operator.site)
    _refuse_own(by, operator)


def _refuse_own(by: Account, operator: Operator) -> None:
    if by.operator_id is not None and by.operator_id == operator.pk:
        raise ActionRefused("Nobody decides on their own ticket; ask another trainer.")


def _refuse_while_held(ticket: Ticket, standard: StandardVersion, today: date) -> None:
    """A ticket that still counts, or that can still be renewed, is not issued over."""
    moment = now()
    held = fold(ticket, at=moment, known_at=moment)
    if held is None or held.is_withdrawn:
        return
    state = held.state_on(today)
    if state is State.ENDED and (today - held.last_day).days > standard.lapse_limit_days:
        return
    if state is State.ENDED:
        raise ActionRefused(
            f"Ticket {ticket.number} ended on {long_date(held.last_day)} and can still be renewed. Renew it."
        )
    raise ActionRefused(
        f"This operator holds ticket {ticket.number} for {ticket.category.name}, "
        f"to {long_date(held.last_day)}. "
        "Renew or vary that ticket instead: one operator has one ticket for one category."
    )


def _refuse_while_missing(by: Account, operator: Operator, standard: StandardVersion, on: date) -> None:
    missing = missing_for_full_ticket(operator, standard, on=on, known_at=now())
    if missing:
        raise ActionRefused(
            "Not on record yet: " + "; ".join(missing) + ". Record it, or issue at trainee level."
        )
    if standard.issue_by_another and by.pk in practical_assessors(operator, standard.category):
        raise ActionRefused(
            "This standard asks for two people: whoever recorded the practical assessment does not issue the "
            "ticket. Ask another trainer."
        )


def _standard(category: Category, on: date) -> StandardVersion:
    standard = standard_on(category, on)
    if standard is None:
        raise ActionRefused(f"No standard is in force for {category.name} on {long_date(on)}.")
    return standard


def _within_term(first_day: date, last_day: date | None, full_term: date) -> date:
    if last_day is None:
        return full_term
    if last_day < first_day:
        raise ActionRefused("The last day is before the first day.", field="last_day")
    if last_day > full_term:
        raise ActionRefused(f"The standard lets it run to {long_date(full_term)} at most.", field="last_day")
    return last_day


def _today(operator: Operator) -> date:
    return day_at(now(), ZoneInfo(operator.site.zone))


def _next_ticket_number(operator: Operator) -> str:
    """The operator's number and how many tickets they have had: unique under the operator's lock."""
    return f"{operator.number}-{operator.tickets.count() + 1}"
