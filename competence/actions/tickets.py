"""What may happen to a ticket. Each is one event appended to its chain; nothing is edited."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from competence.actions.chains import append, locked, refuse_own
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.people import refuse_erased
from competence.models import Account, Category, Operator, StandardVersion, Ticket, TicketEvent
from competence.permissions import Right, require
from competence.queries.tickets import (
    chain_of,
    fold,
    last_effect,
    last_granted_on,
    missing_for_full_ticket,
    period_after_renewal,
    practical_assessors,
    standard_on,
)
from competence.rules.conditions import Conditions
from competence.rules.dates import PeriodEnd, RenewalRefused, day_at, first_moment, period_end
from competence.rules.reasons import long_date
from competence.rules.standing import Level, State

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
    effective_at = _from_first_day(operator, first_day)
    if ticket is not None:
        _refuse_while_held(ticket, standard, today)
        effective_at = _after_what_was(ticket, first_day, effective_at)
    if level == Level.FULL:
        _refuse_while_missing(
            by, operator, standard, first_day, "Record it, or issue at trainee level.", field="level"
        )
    full_term = period_end(first_day, standard.months, PeriodEnd(standard.period_end))
    if ticket is None:
        ticket = Ticket.objects.create(
            number=_next_ticket_number(operator), operator=operator, category=category
        )
    return append(
        by,
        ticket,
        Kind.ISSUED,
        reason,
        effective_at=effective_at,
        level=level,
        first_day=first_day,
        last_day=_within_term(first_day, last_day, full_term),
        conditions=(conditions or Conditions()).as_plain(),
        standard_version=standard,
    )


@transaction.atomic
def renew_ticket(*, by: Account, ticket: Ticket, assessed_on: date, reason: str) -> Ticket:
    """Renew after a practical assessment passed on ``assessed_on``; the renewal rule gives the period.

    The assessment is newer than the last issue or renewal: none renews twice. By its day the evidence meets
    the standard of that day and, where another is in force today, that one too.
    """
    ticket, held = locked(by, ticket, Right.DECIDE_TICKET)
    operator = ticket.operator
    refuse_own(by, operator)
    if held.is_suspended:
        raise ActionRefused("The ticket is suspended. Reinstate it first, when what led to it is put right.")
    if assessed_on > _today(operator):
        raise ActionRefused("The assessment is still to come.", field="assessed_on")
    standard = _standard(ticket.category, assessed_on)
    in_force = _standard(ticket.category, _today(operator))
    if not practical_assessors(operator, ticket.category, on=assessed_on):
        raise ActionRefused(
            f"No practical assessment passed on {long_date(assessed_on)} is on record. Record it first.",
            field="assessed_on",
        )
    _refuse_assessment_before_last_grant(ticket, assessed_on)
    if held.level == Level.FULL:
        for asking in dict.fromkeys((standard, in_force)):
            _refuse_while_missing(
                by, operator, asking, assessed_on, "Record it, then renew.", field="assessed_on"
            )
    try:
        period = period_after_renewal(held, standard, assessed_on)
    except RenewalRefused as refused:
        raise ActionRefused(str(refused), field="assessed_on") from refused
    return append(
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
    ticket, held = locked(by, ticket, Right.DECIDE_TICKET)
    refuse_own(by, ticket.operator)
    if last_day is not None and last_day > held.last_day:
        raise ActionRefused(
            f"The ticket ends on {long_date(held.last_day)}; only a renewal makes it longer.",
            field="last_day",
        )
    if last_day is not None and last_day < held.first_day:
        raise ActionRefused("The last day is before the first day.", field="last_day")
    if level == Level.FULL and held.level != Level.FULL:
        today = _today(ticket.operator)
        standard = _standard(ticket.category, today)
        _refuse_while_missing(
            by, ticket.operator, standard, today, "Record it, then change the level.", field="level"
        )
    changes = {"level": level, "last_day": last_day, "conditions": conditions}
    if all(value is None or value == getattr(held, part) for part, value in changes.items()):
        raise ActionRefused("That is what the ticket says already; nothing would change.")
    return append(
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
    """Stop a ticket counting until it is reinstated; a site admin may, so that nobody waits for a trainer.

    Stopping is the safe side, so one's own ticket may be suspended too; only another person reinstates it.
    """
    ticket, held = locked(by, ticket, Right.SUSPEND_TICKET)
    if held.is_suspended:
        raise ActionRefused("The ticket is suspended already.")
    return append(by, ticket, Kind.SUSPENDED, reason, effective_at=effective_at)


@transaction.atomic
def reinstate_ticket(*, by: Account, ticket: Ticket, reason: str) -> Ticket:
    """Let a suspended ticket count again."""
    ticket, held = locked(by, ticket, Right.DECIDE_TICKET)
    refuse_own(by, ticket.operator)
    if not held.is_suspended:
        raise ActionRefused("The ticket is not suspended.")
    return append(by, ticket, Kind.REINSTATED, reason)


@transaction.atomic
def withdraw_ticket(
    *, by: Account, ticket: Ticket, reason: str, effective_at: datetime | None = None
) -> Ticket:
    """End a ticket for good; the full route and a new issue is the only way back."""
    ticket, _ = locked(by, ticket, Right.DECIDE_TICKET)
    refuse_own(by, ticket.operator)
    return append(by, ticket, Kind.WITHDRAWN, reason, effective_at=effective_at)


def _require_issuer(by: Account, operator: Operator) -> None:
    require(by, Right.DECIDE_TICKET, site=operator.site)
    refuse_erased(operator)
    refuse_own(by, operator)


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
            f"Ticket {ticket.number} ended on {long_date(held.last_day)} and can still be renewed. Renew it.",
            field="category",
        )
    raise ActionRefused(
        f"This operator holds ticket {ticket.number} for {ticket.category.name}, "
        f"to {long_date(held.last_day)}. "
        "Renew or vary that ticket instead: one operator has one ticket for one category.",
        field="category",
    )


def _refuse_assessment_before_last_grant(ticket: Ticket, assessed_on: date) -> None:
    zone = ZoneInfo(ticket.operator.site.zone)
    granted_on = last_granted_on(chain_of(ticket), zone, known_at=now())
    if granted_on is not None and assessed_on <= granted_on:
        raise ActionRefused(
            f"The ticket was last issued or renewed on {long_date(granted_on)}. "
            "A renewal takes a practical assessment passed after that day.",
            field="assessed_on",
        )


def _from_first_day(operator: Operator, first_day: date) -> datetime:
    """Entered late, an issue counts from its first day; entered early, it is known from now."""
    return min(now(), first_moment(first_day, ZoneInfo(operator.site.zone)))


def _after_what_was(ticket: Ticket, first_day: date, effective_at: datetime) -> datetime:
    """A new issue takes effect after all that happened to the old one, or the old end would end it too."""
    moment = now()
    latest = last_effect(chain_of(ticket), known_at=moment)
    if latest is None or effective_at >= latest:
        return effective_at
    last_change = day_at(latest, ZoneInfo(ticket.operator.site.zone))
    if first_day < last_change:
        raise ActionRefused(
            f"Ticket {ticket.number} last changed on {long_date(last_change)}; "
            "a new issue starts on that day or later.",
            field="first_day",
        )
    return latest


def _refuse_while_missing(
    by: Account, operator: Operator, standard: StandardVersion, on: date, remedy: str, *, field: str
) -> None:
    missing = missing_for_full_ticket(operator, standard, on=on, today=_today(operator), known_at=now())
    if missing:
        raise ActionRefused(f"Not on record yet: {'; '.join(missing)}. {remedy}", field=field)
    if standard.issue_by_another and by.pk in practical_assessors(operator, standard.category):
        raise ActionRefused(
            "This standard asks for two people: whoever recorded the practical assessment does not decide on "
            "the ticket. Ask another trainer.",
            field=field,
        )


def _standard(category: Category, on: date) -> StandardVersion:
    standard = standard_on(category, on)
    if standard is None:
        raise ActionRefused(
            f"No standard is in force for {category.name} on {long_date(on)}.", field="category"
        )
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
