"""The chain of events that a ticket is: locking it, appending to it, and keeping its columns in line."""

from typing import Any

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import Account, Operator, Ticket, TicketEvent
from competence.permissions import Right, require
from competence.queries.tickets import fold
from competence.rules.standing import Standing

Kind = TicketEvent.Kind


def locked(by: Account, ticket: Ticket, right: Right) -> tuple[Ticket, Standing]:
    """The ticket, locked, and what it amounts to now; refused where there is nothing left to decide on."""
    ticket = lock(ticket)
    require(by, right, site=ticket.operator.site)
    refuse_erased(ticket.operator)
    moment = now()
    held = fold(ticket, at=moment, known_at=moment)
    if held is None:
        raise ActionRefused("The issue of this ticket was struck out; issue it anew.")
    if held.is_withdrawn:
        raise ActionRefused("The ticket was withdrawn; the full route and a new issue is the only way back.")
    return ticket, held


def lock(ticket: Ticket) -> Ticket:
    return (
        Ticket.objects.select_for_update(of=("self",))
        .select_related("operator__state__site", "category")
        .get(pk=ticket.pk)
    )


def refuse_own(by: Account, operator: Operator) -> None:
    if by.operator_id is not None and by.operator_id == operator.pk:
        raise ActionRefused("Nobody decides on their own ticket; ask another trainer.")


def append(by: Account, ticket: Ticket, kind: Kind, reason: str, **columns: Any) -> Ticket:
    """Add one event at the end of the chain, bring the columns into line, and journal both."""
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
    held = project(ticket)
    _refuse_without_effect(kind, held)
    record(by=by, action=f"ticket.{kind.value}", rows=[ticket, event], reason=reason)
    return ticket


def project(ticket: Ticket) -> Standing | None:
    """Bring the columns that repeat today's standing into line with the events, and return that standing."""
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
    return held


def _refuse_without_effect(kind: Kind, held: Standing | None) -> None:
    """A stop dated before the issue, or before a reinstatement, would read as done and stop nobody."""
    stops = {
        Kind.SUSPENDED: held is not None and held.is_suspended,
        Kind.WITHDRAWN: held is not None and held.is_withdrawn,
    }
    if not stops.get(kind, True):
        raise ActionRefused(
            "From that moment it would stop nobody: a later event of the ticket undoes it. "
            "Give a moment after the ticket was last issued or reinstated.",
            field="effective_at",
        )
