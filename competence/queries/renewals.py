"""Before a ticket is renewed: what it could be renewed on, and what that would give."""

from datetime import date

from competence.models import Evidence, Ticket
from competence.queries.operators import evidence_of, still_counts
from competence.queries.tickets import column_standing, period_after_renewal, standard_on
from competence.rules.dates import RenewalRefused
from competence.rules.reasons import long_date
from competence.rules.requirements import RequirementKind


def passed_assessments(ticket: Ticket) -> list[Evidence]:
    """The practical assessments of the ticket's category that were passed and still count, newest first. One
    statement."""
    return [
        row
        for row in evidence_of(ticket.operator)
        if row.kind == RequirementKind.PRACTICAL
        and row.category_id == ticket.category_id
        and row.is_met
        and still_counts(row)
    ]


def renewal_words(ticket: Ticket, assessed_on: date | None) -> str:
    """What a renewal on the assessment of that day would do, or why it cannot. At most one statement."""
    held = column_standing(ticket)
    if held is None or assessed_on is None:
        return "No passed practical assessment is on record for this category. Record it first."
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
