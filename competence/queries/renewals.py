"""Before a ticket is renewed: what it could be renewed on, and what that would give."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import QuerySet

from competence.models import Evidence, StandardVersion, Ticket
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


@dataclass(frozen=True)
class Ready:
    """A ticket that waits for nothing but its renewal, on the assessment passed that day."""

    ticket: str
    passed_on: date


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


def ready_to_renew(tickets: QuerySet[Ticket], on: date) -> dict[tuple[str, str], Ready]:
    """By operator's number and category's code, what only waits to be renewed: the newest practical
    assessment was passed inside the renewal window or since, by the standard in force ``on`` the day. Three
    statements.
    """
    versions = StandardVersion.objects.filter(in_force_from__lte=on).order_by("in_force_from")
    windows = dict(versions.values_list("category", "renewal_window_days"))
    waiting = tickets.filter(is_withdrawn=False, is_suspended=False, level__isnull=False).order_by()
    assessed = Evidence.objects.filter(
        operator__in=waiting.values("operator"),
        kind=RequirementKind.PRACTICAL.value,
        strikes_out=False,
        corrected_by__isnull=True,
    )
    newest = {
        (operator, category): (occurred_on, is_met)
        for operator, category, occurred_on, is_met in assessed.order_by("occurred_on", "pk").values_list(
            "operator", "category", "occurred_on", "is_met"
        )
    }
    ready: dict[tuple[str, str], Ready] = {}
    for ticket in waiting.select_related("operator", "category"):
        key = (ticket.operator_id, ticket.category_id)
        assessed_on, is_met = newest.get(key, (date.min, False))
        window = timedelta(days=windows.get(ticket.category_id, 0))
        # What the present period was given on is no ground for the next.
        if is_met and ticket.first_day < assessed_on and ticket.last_day - window <= assessed_on:
            ready[ticket.operator.number, ticket.category.code] = Ready(ticket.number, assessed_on)
    return ready


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
