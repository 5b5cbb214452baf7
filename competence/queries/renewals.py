"""Before a ticket is renewed: what it could be renewed on, and what that would give."""

from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from competence.models import Evidence, Ticket
from competence.queries.operators import evidence_of, still_counts
from competence.queries.tickets import (
    chain_of,
    column_standing,
    last_granted_on,
    period_after_renewal,
    standard_on,
)
from competence.rules.dates import RenewalRefused
from competence.rules.reasons import long_date
from competence.rules.requirements import RequirementKind


@dataclass(frozen=True)
class RenewalGround:
    """What a ticket can be renewed on. ``granted_on``: the day it was last issued or renewed."""

    granted_on: date | None
    assessments: list[Evidence]

    @property
    def none_words(self) -> str:
        if self.granted_on is None:
            return "The issue of this ticket was struck out; issue it anew."
        return (
            "No practical assessment passed since the ticket was last issued or renewed "
            f"({long_date(self.granted_on)}) is on record."
        )


def renewal_ground(ticket: Ticket, moment: datetime) -> RenewalGround:
    """The practical assessments of the ticket's category that were passed after its last issue or renewal
    and still count, newest first. Two statements."""
    granted_on = last_granted_on(chain_of(ticket), ZoneInfo(ticket.operator.site.zone), known_at=moment)
    passed = [
        row
        for row in evidence_of(ticket.operator)
        if row.kind == RequirementKind.PRACTICAL
        and row.category_id == ticket.category_id
        and row.is_met
        and still_counts(row)
        and granted_on is not None
        and row.occurred_on > granted_on
    ]
    return RenewalGround(granted_on, passed)


def renewal_words(ticket: Ticket, ground: RenewalGround, assessed_on: date | None) -> str:
    """What a renewal on the assessment of that day would do, or why it cannot; with none named,
    on the newest. At most one statement."""
    held = column_standing(ticket)
    if held is None or not ground.assessments:
        return ground.none_words
    if assessed_on is None:
        assessed_on = ground.assessments[0].occurred_on
    if assessed_on not in {row.occurred_on for row in ground.assessments}:
        return (
            f"{long_date(assessed_on)} is not the day of a practical assessment passed since the ticket was "
            f"last issued or renewed ({long_date(ground.granted_on)})."
        )
    standard = standard_on(ticket.category, assessed_on)
    if standard is None:
        return f"No standard is in force for {ticket.category.name} on {long_date(assessed_on)}."
    try:
        period = period_after_renewal(held, standard, assessed_on)
    except RenewalRefused as refused:
        return str(refused)
    return (
        f"Assessed on {long_date(assessed_on)}, the ticket would run from {long_date(period.first_day)} to "
        f"{long_date(period.last_day)}. Now it runs to {long_date(held.last_day)}."
    )
