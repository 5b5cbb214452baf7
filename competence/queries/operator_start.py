"""What an operator sees first: what is unfinished, what they may take out, what happened last."""

from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from competence.models import DailyCheck, Operator, Refusal
from competence.queries.checks import checks_to_show, drafts_of
from competence.queries.refusals import refusals_to_show
from competence.queries.tickets import column_standing
from competence.rules.dates import day_at
from competence.rules.ticket_words import StateWords, state_words

RECENT = 10


@dataclass(frozen=True)
class OwnTicket:
    """A ticket as its holder sees it."""

    number: str
    category_name: str
    level: str
    last_day: date | None
    state: StateWords


@dataclass(frozen=True)
class OperatorStart:
    """The operator's part of the start page."""

    operator: Operator
    drafts: tuple[DailyCheck, ...]
    tickets: tuple[OwnTicket, ...]
    last_machine: str


@dataclass(frozen=True)
class OwnRecord:
    """What the register holds of an operator's own days."""

    operator: Operator
    tickets: tuple[OwnTicket, ...]
    checks: tuple[DailyCheck, ...]
    refusals: tuple[Refusal, ...]


def own_tickets(operator: Operator, at: datetime) -> tuple[OwnTicket, ...]:
    """The operator's tickets with what they amount to today at the home site. One statement."""
    today = day_at(at, ZoneInfo(operator.site.zone))
    tickets = operator.tickets.select_related("category").order_by("category__name")
    return tuple(
        OwnTicket(
            ticket.number,
            ticket.category.name,
            ticket.get_level_display() if ticket.level else "",
            ticket.last_day,
            state_words(column_standing(ticket), today),
        )
        for ticket in tickets
    )


def operator_start(operator: Operator, at: datetime) -> OperatorStart:
    """Three statements."""
    last = operator.checks.filter(status=DailyCheck.Status.SUBMITTED).order_by("-submitted_at")
    return OperatorStart(
        operator,
        tuple(drafts_of(operator)),
        own_tickets(operator, at),
        last.values_list("machine__fleet_number", flat=True).first() or "",
    )


def own_record(operator: Operator, at: datetime) -> OwnRecord:
    """Three statements."""
    checks = checks_to_show().filter(operator=operator, status=DailyCheck.Status.SUBMITTED)
    refusals = refusals_to_show().filter(operator=operator)
    return OwnRecord(
        operator,
        own_tickets(operator, at),
        tuple(checks.order_by("-submitted_at")[:RECENT]),
        tuple(refusals.order_by("-at")[:RECENT]),
    )
