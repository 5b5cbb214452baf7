"""What samples are drawn from: tickets, operators, evidence, daily checks and refusals.

The app above adds its own populations to ``POPULATIONS``.
"""

from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cache
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import OuterRef, QuerySet, Subquery

from competence.models import (
    Category,
    DailyCheck,
    Evidence,
    MachineState,
    OperatorState,
    Refusal,
    Sample,
    Site,
    TicketEvent,
)
from competence.queries.tickets import EVENT_COLUMNS, event_from
from competence.rules.dates import day_at
from competence.rules.reasons import long_date
from competence.rules.sampling import CannotSample
from competence.rules.sampling_words import Noun
from competence.rules.standing import Event, Standing, State, standing
from competence.rules.ticket_words import LEVEL_WORDS


@dataclass(frozen=True)
class SampleAsked:
    """What a sample is asked to be of and to show. ``at``: for a state; ``first_moment`` to ``before``: for
    what happened. ``rate`` and ``confidence`` are shares; ``level`` is in percent."""

    of: str
    site: Site | None = None
    category: Category | None = None
    at: datetime | None = None
    first_moment: datetime | None = None
    before: datetime | None = None
    basis: str = Sample.Basis.RATE
    confidence: Decimal = Decimal("0.95")
    rate: Decimal | None = None
    allowed: int = 0
    level: Decimal | None = None
    is_by_site: bool = False
    seed: str = ""


@dataclass(frozen=True)
class Drawable:
    """One record of a population. ``site`` is its site's name; ``about`` names the record's page."""

    key: str
    site: str
    words: str
    about: str


@dataclass(frozen=True)
class Population:
    """What a sample can be of. ``is_state``: it is asked for at a moment, else between two days. ``says``:
    which records are in it. ``key_words``: what its keys are. ``page``: the name of a record's address."""

    code: str
    label: str
    noun: Noun
    is_state: bool
    says: str
    key_words: str
    page: str
    read: Callable[[SampleAsked, datetime], list[Drawable]]


@dataclass(frozen=True)
class _Home:
    """Where an operator belonged at a moment."""

    number: str
    name: str
    employer: str
    site: Site
    is_active: bool

    @property
    def words(self) -> str:
        return f"{self.name} ({self.number}), {self.employer}{'' if self.is_active else ', not active'}"


def _homes(at: datetime, known_at: datetime) -> dict[int, _Home]:
    """Everybody on the register then, by key. One statement."""
    states = (
        OperatorState.objects.filter(effective_at__lte=at, recorded_at__lte=known_at)
        .select_related("operator", "employer", "site")
        .order_by("effective_at", "recorded_at", "pk")
    )
    return {
        one.operator_id: _Home(
            one.operator.number, one.operator.name, one.employer.name, one.site, one.is_active
        )
        for one in states.iterator(chunk_size=5000)
    }


def _held(
    asked: SampleAsked, at: datetime, known_at: datetime, homes: dict[int, _Home]
) -> Iterator[tuple[str, int, str, Standing]]:
    """Tickets in force then, each on the calendar of its operator's home site: number, operator, category and
    standing. One statement."""
    events = TicketEvent.objects.filter(recorded_at__lte=known_at).order_by("ticket_id", "sequence")
    if asked.category:
        events = events.filter(ticket__category=asked.category)
    chains: dict[tuple[str, int, str], list[Event]] = defaultdict(list)
    columns = ("ticket__number", "ticket__operator_id", "ticket__category__name")
    for number, operator, category, *event in events.values_list(*columns, *EVENT_COLUMNS).iterator(
        chunk_size=5000
    ):
        chains[number, operator, category].append(event_from(tuple(event)))
    for (number, operator, category), chain in chains.items():
        home, then = homes.get(operator), standing(chain, at=at, known_at=known_at)
        if home is None or then is None:
            continue
        if then.state_on(day_at(at, _zone(home.site.zone))) is State.IN_FORCE:
            yield number, operator, category, then


def _tickets(asked: SampleAsked, known_at: datetime) -> list[Drawable]:
    at = asked.at or known_at
    homes = _homes(at, known_at)
    return [
        Drawable(
            number,
            homes[operator].site.name,
            f"{category}, {LEVEL_WORDS[then.level].lower()}, {long_date(then.first_day)} to "
            f"{long_date(then.last_day)}; {homes[operator].words}",
            number,
        )
        for number, operator, category, then in _held(asked, at, known_at, homes)
        if _is_at(asked, homes[operator].site)
    ]


def _operators(asked: SampleAsked, known_at: datetime) -> list[Drawable]:
    at = asked.at or known_at
    homes = _homes(at, known_at)
    holders = {row[1] for row in _held(asked, at, known_at, homes)} if asked.category else set(homes)
    return [
        Drawable(home.number, home.site.name, home.words, home.number)
        for key, home in homes.items()
        if home.is_active and key in holders and _is_at(asked, home.site)
    ]


def _evidence(asked: SampleAsked, known_at: datetime) -> list[Drawable]:
    homes = _homes(known_at, known_at)
    rows = within(Evidence.objects.all(), "recorded_at", asked).filter(
        strikes_out=False, corrected_by__isnull=True
    )
    if asked.category:
        rows = rows.filter(category=asked.category)
    found = []
    for row in rows.select_related("category").iterator(chunk_size=5000):
        home = homes.get(row.operator_id)
        if home is not None and _is_at(asked, home.site):
            what = f"{row.get_kind_display()}{f', {row.category.name}' if row.category else ''}"
            words = f"{what}, {long_date(row.occurred_on)}, {'passed or done' if row.is_met else 'not met'}"
            words = f"{words}; {home.words}; from: {row.came_from}"
            found.append(Drawable(str(row.pk), home.site.name, words, home.number))
    return found


def _checks(asked: SampleAsked, known_at: datetime) -> list[Drawable]:
    rows = within(DailyCheck.objects.filter(status=DailyCheck.Status.SUBMITTED), "submitted_at", asked)
    if asked.category:
        rows = rows.filter(checklist__category=asked.category)
    return [
        drawable_of_site(
            row, row.submitted_at, f"{row.machine.fleet_number}, {row.get_result_display().lower()}"
        )
        for row in at_site(rows, asked)
    ]


def _refusals(asked: SampleAsked, known_at: datetime) -> list[Drawable]:
    rows = within(Refusal.objects.all(), "at", asked)
    if asked.category:
        then = MachineState.objects.filter(machine=OuterRef("machine"), effective_at__lte=OuterRef("at"))
        newest = then.order_by("-effective_at", "-recorded_at", "-pk").values("category")[:1]
        rows = rows.annotate(category=Subquery(newest)).filter(category=asked.category.pk)
    return [drawable_of_site(row, row.at, row.machine.fleet_number) for row in at_site(rows, asked)]


def within(rows: QuerySet[Any], column: str, asked: SampleAsked) -> QuerySet[Any]:
    """The rows of the time that is asked about."""
    return rows.filter(**{f"{column}__gte": asked.first_moment, f"{column}__lt": asked.before})


def at_site(rows: QuerySet[Any], asked: SampleAsked) -> Iterator[Any]:
    """The rows of the site that is asked about, with what their words name. One statement."""
    if asked.site:
        rows = rows.filter(site=asked.site)
    return rows.select_related("machine", "operator", "site").iterator(chunk_size=5000)


def drawable_of_site(row: Any, moment: datetime, what: str) -> Drawable:
    """A check, a refusal or the like: an operator on a machine at a site, at a moment on its clock."""
    local = moment.astimezone(_zone(row.site.zone))
    words = f"{what}; {row.operator.name} ({row.operator.number}), {long_date(local.date())}, {local:%H:%M}"
    return Drawable(str(row.pk), row.site.name, words, str(row.pk))


def _is_at(asked: SampleAsked, site: Site) -> bool:
    return asked.site is None or site.pk == asked.site.pk


@cache
def _zone(key: str) -> ZoneInfo:
    return ZoneInfo(key)


POPULATIONS: list[Population] = [
    Population(
        "tickets",
        "Tickets in force at a moment",
        Noun("ticket in force", "tickets in force"),
        True,
        "Every ticket that was in force then on the calendar of its operator's home site; trainees' tickets "
        "and those of people who are not active too.",
        "the ticket's number",
        "ticket",
        _tickets,
    ),
    Population(
        "operators",
        "Operators active at a moment",
        Noun("active operator", "active operators"),
        True,
        "Everybody who was active on the register then, under their home site; with a category, those who "
        "held a ticket in force for it.",
        "the operator's number",
        "operator",
        _operators,
    ),
    Population(
        "evidence",
        "Evidence recorded between two days",
        Noun("row of evidence", "rows of evidence"),
        False,
        "Every row written down on those days, under its operator's home site of today; not what has been "
        "corrected or struck out since.",
        "the number of the row of evidence",
        "operator",
        _evidence,
    ),
    Population(
        "checks",
        "Daily checks submitted between two days",
        Noun("daily check", "daily checks"),
        False,
        "Every daily check that was submitted on those days, whatever it found.",
        "the check's id",
        "check-result",
        _checks,
    ),
    Population(
        "refusals",
        "Refusals between two days",
        Noun("refusal", "refusals"),
        False,
        "Every daily check that the gate stopped on those days.",
        "the refusal's id",
        "refusal",
        _refusals,
    ),
]


def population_named(code: str) -> Population:
    """Raises ``CannotSample`` for a population that there is not."""
    found = next((one for one in POPULATIONS if one.code == code), None)
    if found is None:
        raise CannotSample(f"There is no population “{code}”.")
    return found
