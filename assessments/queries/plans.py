"""A plan as its page shows it."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from assessments.models import Booking, Plan
from competence.models import Account, Ticket


@dataclass(frozen=True)
class Line:
    """One renewal of a plan: on a day with an assessor, or without a place and why."""

    ticket: Ticket
    on: date | None = None
    assessor: Account | None = None
    why: str = ""
    is_booked: bool = False
    # The ticket no longer ends as it did when the plan was made.
    is_changed: bool = False

    @property
    def days_late(self) -> int:
        return max(0, (self.on - self.ticket.last_day).days) if self.on else 0


@dataclass(frozen=True)
class Day:
    """An assessor's day at one site."""

    on: date
    assessor: Account
    site: str
    lines: tuple[Line, ...]


@dataclass(frozen=True)
class PlanSheet:
    made: Plan
    days: tuple[Day, ...] = ()
    unplaced: tuple[Line, ...] = ()

    @property
    def open_count(self) -> int:
        return sum(not (line.is_booked or line.is_changed) for day in self.days for line in day.lines)


def plan_sheet(made: Plan) -> PlanSheet:
    """Three statements once there is something to show."""
    found: Mapping[str, Any] = made.found or {}
    placed, left = found.get("placements", ()), found.get("unplaced", ())
    if not placed and not left:
        return PlanSheet(made)
    numbers = [one["ticket"] for one in (*placed, *left)]
    tickets = {
        ticket.number: ticket
        for ticket in Ticket.objects.filter(number__in=numbers).select_related(
            "operator__state__site", "category"
        )
    }
    accounts = Account.objects.in_bulk({int(one["assessor"]) for one in placed})
    booked = set(
        Booking.objects.filter(
            called_off_at__isnull=True, operator__in=[ticket.operator_id for ticket in tickets.values()]
        ).values_list("operator", "machine__state__category", "on")
    )
    together: dict[tuple[date, int, str], list[Line]] = defaultdict(list)
    for one in placed:
        ticket, on = tickets[one["ticket"]], date.fromisoformat(one["on"])
        line = Line(
            ticket,
            on,
            accounts[int(one["assessor"])],
            is_booked=(ticket.operator_id, ticket.category_id, on) in booked,
            is_changed=ticket.last_day.isoformat() != one["ends"],
        )
        together[on, int(one["assessor"]), ticket.operator.site.name].append(line)
    return PlanSheet(
        made,
        tuple(
            Day(on, accounts[assessor], site, tuple(lines))
            for (on, assessor, site), lines in sorted(together.items(), key=lambda item: item[0])
        ),
        tuple(Line(tickets[one["ticket"]], why=one["why"]) for one in left),
    )
