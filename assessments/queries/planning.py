"""What a plan of re-assessments is made from: renewals that fall due, assessors, where people are missing."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Q

from assessments.models import Booking
from assessments.queries.cover import Forecast, chances_of_passing, site_forecasts
from assessments.rules.planning import Assessor, Need, Task
from competence.models import Account, Appointment, Role, Site, StandardVersion, Ticket
from competence.queries.absences import away_between
from competence.queries.renewals import ready_to_renew
from competence.rules.cover import Span
from competence.rules.dates import day_at

DAY = timedelta(days=1)
# A plan looks this far beyond its last day for tickets that end soon after it.
LOOK_BEYOND = timedelta(days=30)
SATURDAY = 5


@dataclass(frozen=True)
class Asked:
    """What to plan: these sites, from the first to the last day, so many assessments a day."""

    sites: tuple[str, ...]
    first: date
    last: date
    capacity: int = 4
    at_weekends: bool = False

    def as_plain(self) -> dict[str, Any]:
        return {
            "sites": list(self.sites),
            "first": self.first.isoformat(),
            "last": self.last.isoformat(),
            "capacity": self.capacity,
            "at_weekends": self.at_weekends,
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> "Asked":
        first, last = date.fromisoformat(plain["first"]), date.fromisoformat(plain["last"])
        return cls(tuple(plain["sites"]), first, last, plain["capacity"], plain["at_weekends"])

    @property
    def days(self) -> tuple[date, ...]:
        every = (self.first + DAY * n for n in range((self.last - self.first).days + 1))
        return tuple(day for day in every if self.at_weekends or day.weekday() < SATURDAY)


def planning_task(asked: Asked, moment: datetime) -> Task:
    """A key of a need is the number of its ticket, that of an assessor their account's.

    A fixed number of statements for each site, and eleven more.
    """
    sites = list(Site.objects.filter(code__in=asked.sites).order_by("code"))
    forecasts = [
        one
        for site in sites
        for one in site_forecasts(site, moment=moment, days=_days_until(asked.last, site, moment))
    ]
    booked = _with_absences(_booked_days(moment), asked)
    return Task(
        tuple(_needs(asked, sites, forecasts, booked)),
        tuple(_assessors(asked, sites, booked)),
        asked.days,
        {(one.site.code, one.category.code): _missing(one, asked.first) for one in forecasts if one.minimum},
    )


def _days_until(last: date, site: Site, moment: datetime) -> int:
    return (last - day_at(moment, ZoneInfo(site.zone))).days + 1


def _missing(forecast: Forecast, first: date) -> list[int]:
    """How many people are missing each day from the plan's first on, with the bookings that stand passed."""
    from_first = forecast.available_if_all_pass[(first - forecast.horizon.first).days :]
    return [max(0, forecast.minimum - int(there)) for there in from_first]


@dataclass(frozen=True)
class _Booked:
    """Days that are taken, of assessors by account and of operators by number; what is booked already."""

    assessors: Mapping[int, frozenset[date]]
    operators: Mapping[str, frozenset[date]]
    renewals: frozenset[tuple[str, str]]


def _booked_days(moment: datetime) -> _Booked:
    """From yesterday on, which is today somewhere: an assessment that is under way is not planned again. One
    statement."""
    assessors: dict[int, set[date]] = defaultdict(set)
    operators: dict[str, set[date]] = defaultdict(set)
    renewals = set()
    rows = Booking.objects.filter(on__gte=(moment - DAY).date(), called_off_at__isnull=True).values_list(
        "assessor", "operator__number", "machine__state__category__code", "on"
    )
    for assessor, operator, category, on in rows:
        assessors[assessor].add(on)
        operators[operator].add(on)
        renewals.add((operator, category))
    return _Booked(
        {key: frozenset(days) for key, days in assessors.items()},
        {key: frozenset(days) for key, days in operators.items()},
        frozenset(renewals),
    )


def _with_absences(booked: _Booked, asked: Asked) -> _Booked:
    """The days taken, with those on which people are away. One statement."""
    away = away_between(asked.first, asked.last)
    return _Booked(
        _both(booked.assessors, away.accounts, asked),
        _both(booked.operators, away.operators, asked),
        booked.renewals,
    )


def _both(
    taken: Mapping[Any, frozenset[date]], away: Mapping[Any, tuple[Span, ...]], asked: Asked
) -> dict[Any, frozenset[date]]:
    return {
        key: taken.get(key, frozenset())
        | {day for day in asked.days if any(span.first <= day <= span.last for span in away.get(key, ()))}
        for key in taken.keys() | away.keys()
    }


def _needs(
    asked: Asked, sites: Sequence[Site], forecasts: Sequence[Forecast], booked: _Booked
) -> Iterable[Need]:
    """Tickets that can be renewed within the plan's days and are not booked yet, where a machine stands to be
    assessed on. Seven statements."""
    standards: dict[int, StandardVersion] = {}
    for version in StandardVersion.objects.filter(in_force_from__lte=asked.first).order_by("in_force_from"):
        standards[version.category_id] = version
    machines = {(one.site.code, one.category.code) for one in forecasts if one.machines}
    chances = chances_of_passing(asked.first)
    tickets = (
        Ticket.objects.filter(
            operator__state__site__in=sites,
            operator__state__is_active=True,
            is_withdrawn=False,
            is_suspended=False,
            level="full",
            last_day__lte=asked.last + LOOK_BEYOND,
        )
        .select_related("operator__state__site", "operator__account", "category")
        .order_by("last_day", "number")
    )
    ready = ready_to_renew(tickets, asked.first)
    for ticket in tickets:
        operator, category = ticket.operator, ticket.category.code
        standard = standards.get(ticket.category_id)
        site = operator.site.code
        if (
            standard is None
            or (site, category) not in machines
            or (operator.number, category) in booked.renewals
        ):
            continue
        if (operator.number, category) in ready:
            # It waits for its renewal, not for an assessor.
            continue
        opens = ticket.last_day - timedelta(days=standard.renewal_window_days)
        latest = ticket.last_day + timedelta(days=standard.lapse_limit_days)
        earliest = max(asked.first, opens)
        if latest >= asked.first and earliest <= asked.last:
            yield Need(
                ticket.number,
                site,
                category,
                ticket.last_day,
                earliest,
                latest,
                chances[category],
                booked.operators.get(operator.number, frozenset()),
                str(operator.account.pk) if hasattr(operator, "account") else "",
            )


def _assessors(asked: Asked, sites: Sequence[Site], booked: _Booked) -> Iterable[Assessor]:
    """Trainers with an appointment in date, each on the days that are still theirs. Three statements.

    A day with a booking is left as it is: nobody is planned on top of it.
    """
    newest: dict[tuple[int, str], Appointment] = {}
    rows = Appointment.objects.select_related("category").order_by("recorded_at", "pk")
    for appointment in rows.filter(account__is_active=True):
        newest[appointment.account_id, appointment.category.code] = appointment
    held = Role.objects.filter(name=Role.Name.TRAINER, ended_at__isnull=True).filter(
        Q(site__isnull=True) | Q(site__in=sites)
    )
    where: dict[int, set[str] | None] = {}
    for account, site in held.values_list("account", "site__code"):
        if site is None:
            where[account] = None
        elif where.get(account, ()) is not None:
            where.setdefault(account, set()).add(site)  # type: ignore[union-attr]
    accounts = Account.objects.filter(pk__in=where).order_by("last_name", "username")
    for account in accounts:
        yield Assessor(
            str(account.pk),
            {
                category: (one.first_day, one.last_day)
                for (holder, category), one in newest.items()
                if holder == account.pk
            },
            asked.capacity,
            None if (at := where[account.pk]) is None else frozenset(at),
            booked.assessors.get(account.pk, frozenset()),
        )
