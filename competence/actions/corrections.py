"""Correcting one event of a ticket's chain. The event stays; the correction says what it should have said."""

from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from django.db import transaction

from competence.actions.chains import Kind, append, lock, refuse_own
from competence.actions.clock import now
from competence.actions.errors import SAYS_SO_ALREADY, ActionRefused
from competence.models import Account, StandardVersion, Ticket, TicketEvent
from competence.permissions import Right, require
from competence.queries.tickets import (
    chain_of,
    missing_for_full_ticket,
    practical_assessors,
    standard_on,
    standing_without,
)
from competence.rules.conditions import Conditions
from competence.rules.dates import PeriodEnd, day_at, period_end
from competence.rules.reasons import long_date
from competence.rules.standing import Level


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
    """Correct one event of a chain; ``should_say`` ``None`` strikes it out.

    A correction gives no more than the event itself could have given: no full level without the evidence,
    no day beyond the standard's term.
    """
    ticket = lock(event.ticket)
    require(by, Right.DECIDE_TICKET, site=ticket.operator.site)
    refuse_own(by, ticket.operator)
    event = event.corrects or event
    _refuse_same(event, should_say)
    if should_say is None:
        return append(
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
    if event.kind == Kind.RENEWED and not (should_say.first_day and should_say.last_day):
        raise ActionRefused("A renewal states its first day and last day.")
    if should_say.first_day and should_say.last_day and should_say.last_day < should_say.first_day:
        raise ActionRefused("The last day is before the first day.", field="last_day")
    _refuse_too_long(ticket, event, should_say)
    _refuse_unearned_level(by, ticket, event, should_say)
    return append(
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


def _refuse_same(event: TicketEvent, should_say: Correction | None) -> None:
    """A correction says something else than the event as it is read now."""
    latest = event.corrections.order_by("sequence").last() or event
    if should_say is None or latest.strikes_out:
        if should_say is None and latest.strikes_out:
            raise ActionRefused(SAYS_SO_ALREADY)
        return
    told = (should_say.effective_at, should_say.level, should_say.first_day, should_say.last_day)
    kept = (latest.effective_at, latest.level, latest.first_day, latest.last_day)
    if told == kept and _conditions_of(event, should_say.conditions) == _conditions_of(
        event, None if latest.conditions is None else Conditions.from_plain(latest.conditions)
    ):
        raise ActionRefused(SAYS_SO_ALREADY)


def _conditions_of(event: TicketEvent, said: Conditions | None) -> Conditions | None:
    """An issue that says none limits nothing; another event that says none leaves them as they were."""
    return Conditions() if said is None and event.kind == Kind.ISSUED else said


def _refuse_too_long(ticket: Ticket, event: TicketEvent, should_say: Correction) -> None:
    """An issue runs to the standard's term at most, a renewal to one term more, a variation no longer."""
    if should_say.last_day is None:
        return
    zone = ZoneInfo(ticket.operator.site.zone)
    before = standing_without(chain_of(ticket), event.sequence, at=should_say.effective_at, known_at=now())
    if event.kind == Kind.ISSUED:
        start = should_say.first_day or event.first_day
    else:
        held_to = before.last_day if before else day_at(should_say.effective_at, zone)
        start = max(held_to, day_at(should_say.effective_at, zone))
    if event.kind in (Kind.ISSUED, Kind.RENEWED):
        standard = _standard_of(ticket, event)
        limit = period_end(start, standard.months, PeriodEnd(standard.period_end))
    else:
        limit = held_to
    if should_say.last_day > limit:
        raise ActionRefused(f"That event could give {long_date(limit)} at most.", field="last_day")


def _refuse_unearned_level(by: Account, ticket: Ticket, event: TicketEvent, should_say: Correction) -> None:
    """Full level takes the same evidence, and the same second person, by correction as by issue."""
    if should_say.level != Level.FULL or event.level == Level.FULL:
        return
    zone = ZoneInfo(ticket.operator.site.zone)
    on = should_say.first_day or day_at(should_say.effective_at, zone)
    standard = standard_on(ticket.category, on) or _standard_of(ticket, event)
    missing = missing_for_full_ticket(
        ticket.operator, standard, on=on, today=day_at(now(), zone), known_at=now()
    )
    if missing:
        raise ActionRefused(f"Not on record for full level: {'; '.join(missing)}.", field="level")
    if standard.issue_by_another and by.pk in practical_assessors(ticket.operator, ticket.category):
        raise ActionRefused(
            "This standard asks for two people: whoever recorded the practical assessment does not give "
            "full level. Ask another trainer.",
            field="level",
        )


def _standard_of(ticket: Ticket, event: TicketEvent) -> StandardVersion:
    standard = event.standard_version or standard_on(
        ticket.category, day_at(event.effective_at, ZoneInfo(ticket.operator.site.zone))
    )
    if standard is None:
        raise ActionRefused(f"No standard was in force for {ticket.category.name} then.")
    return standard
