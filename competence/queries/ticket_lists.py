"""Lists of tickets: narrowed by state, each state judged on the calendar of the operator's home site."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

from django.db.models import Count as CountOf
from django.db.models import Q, QuerySet

from competence.models import Feature, Site, Ticket
from competence.queries.tickets import column_standing
from competence.queries.words import holding
from competence.rules.conditions import Conditions
from competence.rules.dates import day_at
from competence.rules.ticket_words import LEVEL_WORDS, StateWords, condition_words, state_words

# The states that a list can be narrowed to, as its filter names them.
STATE_CHOICES = (
    ("in_force", "In force"),
    ("ends_30", "Ends within 30 days"),
    ("ends_60", "Ends within 60 days"),
    ("ends_90", "Ends within 90 days"),
    ("not_started", "Not started"),
    ("ended", "Ended"),
    ("suspended", "Suspended"),
    ("withdrawn", "Withdrawn"),
)


@dataclass(frozen=True)
class Names:
    """Sites and attachments by code, for conditions in words."""

    sites: dict[str, str]
    attachments: dict[str, str]

    def of(self, conditions: Conditions) -> list[str]:
        return condition_words(conditions, self.sites, self.attachments)


def names() -> Names:
    """Two statements."""
    return Names(
        dict(Site.objects.values_list("code", "name")), dict(Feature.objects.values_list("code", "name"))
    )


@dataclass(frozen=True)
class TicketRow:
    """One ticket of a list: the row, its state today at the home site, and its conditions in words."""

    ticket: Ticket
    state: StateWords
    level: str
    conditions: list[str]


def ticket_row(ticket: Ticket, today: date, named: Names) -> TicketRow:
    held = column_standing(ticket)
    return TicketRow(
        ticket,
        state_words(held, today),
        LEVEL_WORDS[held.level] if held else "",
        named.of(held.conditions) if held else [],
    )


def ticket_rows(tickets: Iterable[Ticket], moment: datetime, named: Names) -> list[TicketRow]:
    """Rows for tickets whose operator comes with state and site. No statement."""
    return [ticket_row(ticket, today_at(ticket.operator.site, moment), named) for ticket in tickets]


def today_at(site: Site, moment: datetime) -> date:
    return day_at(moment, _zone(site.zone))


@cache
def _zone(key: str) -> ZoneInfo:
    return ZoneInfo(key)


def zones() -> list[str]:
    """The time zones of all sites. One statement."""
    return list(Site.objects.order_by("zone").values_list("zone", flat=True).distinct())


def in_state(state: str, moment: datetime, keys: Collection[str]) -> Q:
    """Tickets in one of ``STATE_CHOICES``, today being each home site's own day. No statement."""
    if state == "withdrawn":
        return Q(is_withdrawn=True)
    if state == "suspended":
        return Q(is_withdrawn=False, is_suspended=True)
    counting = Q(is_withdrawn=False, is_suspended=False)
    asked = Q(pk__in=[])
    for key in keys:
        here = Q(operator__state__site__zone=key) & _on_day(state, day_at(moment, _zone(key)))
        asked |= here
    return counting & asked


def _on_day(state: str, today: date) -> Q:
    if state == "not_started":
        return Q(first_day__gt=today)
    if state == "ended":
        return Q(last_day__lt=today)
    in_force = Q(first_day__lte=today, last_day__gte=today)
    if state.startswith("ends_"):
        return in_force & Q(last_day__lte=today + timedelta(days=int(state.removeprefix("ends_"))))
    return in_force


def tickets_at(site_ids: frozenset[int] | None) -> QuerySet[Ticket]:
    """Tickets of operators whose home site is among these, with all that a list shows."""
    tickets = Ticket.objects.select_related("category", "operator__state__site", "operator__state__employer")
    return tickets if site_ids is None else tickets.filter(operator__state__site_id__in=site_ids)


@dataclass(frozen=True)
class TicketsAsked:
    """What a list of tickets is narrowed to; an empty value narrows nothing. ``state``: of STATE_CHOICES."""

    text: str = ""
    site: str = ""
    category: str = ""
    state: str = ""
    ends_from: date | None = None
    ends_to: date | None = None
    is_active_only: bool = True


def tickets_asked(asked: TicketsAsked, site_ids: frozenset[int] | None, moment: datetime) -> QuerySet[Ticket]:
    """The tickets that a list asks for, the first to end first. At most one statement here, for the sites'
    time zones."""
    found = tickets_at(site_ids).filter(level__isnull=False)
    if asked.is_active_only:
        found = found.filter(operator__state__is_active=True)
    if asked.site:
        found = found.filter(operator__state__site__code=asked.site)
    if asked.category:
        found = found.filter(category__code=asked.category)
    if asked.state:
        found = found.filter(in_state(asked.state, moment, zones()))
    if asked.ends_from:
        found = found.filter(last_day__gte=asked.ends_from)
    if asked.ends_to:
        found = found.filter(last_day__lte=asked.ends_to)
    return holding(
        found, asked.text, "number", "operator__number", "operator__given_name", "operator__family_name"
    ).order_by("last_day", "number")


@dataclass(frozen=True)
class Count:
    """How many tickets of active operators are in a state."""

    state: str
    label: str
    number: int


def counts(site_ids: frozenset[int] | None, moment: datetime) -> list[Count]:
    """What a trainer starts the day with: who ends soon, who has ended, who is stopped. Two statements."""
    keys = zones()
    shown = [(s, label) for s, label in STATE_CHOICES if s in ("ends_30", "ends_60", "ended", "suspended")]
    found = (
        tickets_at(site_ids)
        .filter(operator__state__is_active=True)
        .aggregate(**{state: CountOf("pk", filter=in_state(state, moment, keys)) for state, _ in shown})
    )
    return [Count(state, label, found[state]) for state, label in shown]
