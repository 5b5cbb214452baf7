"""How many people each site has for each category, day by day, and what the bookings add."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import cached_property
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
from django.db.models import Count, Q
from numpy.typing import NDArray

from assessments.models import Booking
from competence.models import Category, Evidence, MinimumCover, Operator, Site, StandardVersion, Ticket
from competence.queries.absences import away_between
from competence.queries.gate import people_facts
from competence.queries.renewals import Ready, ready_to_renew
from competence.queries.roster import site_roster
from competence.queries.tickets import period_after_renewal
from competence.rules.chances import History, chance_of_fewer, pass_rates
from competence.rules.cover import Counts, Horizon, Span, count, first_short, less, spans_of
from competence.rules.dates import RenewalRefused, day_at
from competence.rules.gate import PersonFacts, TicketFacts
from competence.rules.reasons import long_date
from competence.rules.roster import Asked

DAY = timedelta(days=1)
# Assessments older than this say little of how they go now (the register's own rule).
HISTORY_YEARS = 5


def chance_words(chance: float) -> str:
    """A chance as people say it: only what is sure is called none or certain."""
    if chance <= 0 or chance >= 1:
        return "certain" if chance else "none"
    return "under 1 %" if chance < 0.01 else "over 99 %" if chance > 0.99 else f"{chance * 100:.0f} %"


@dataclass(frozen=True)
class Cover:
    """One person's part in the cover of one category. ``spans``: the days on which they are authorised if
    nothing is renewed; ``gained``: those that the booking on ``booked_on`` adds if it is passed, or that a
    renewal adds which only has to be written down (``ready``)."""

    number: str
    name: str
    spans: tuple[Span, ...]
    booked_on: date | None = None
    gained: tuple[Span, ...] = ()
    chance: float = 0.0
    ready: Ready | None = None
    is_lent: bool = False
    # Days on which they are authorised as ever, and not there.
    away: tuple[Span, ...] = ()

    @property
    def there(self) -> Sequence[Span]:
        """The days on which they are authorised if nothing is renewed, and not away."""
        return less(self.spans, self.away) if self.away else self.spans

    @property
    def gained_there(self) -> Sequence[Span]:
        return less(self.gained, self.away) if self.away else self.gained

    @property
    def chance_words(self) -> str:
        return chance_words(self.chance)

    @property
    def last_day(self) -> date | None:
        """The end of the days that are sure; ``None`` where there are none."""
        return self.spans[-1].last if self.spans else None


@dataclass(frozen=True)
class Forecast:
    """The cover of one category at one site. ``minimum``: what the site says it needs; nought, nothing."""

    site: Site
    category: Category
    horizon: Horizon
    minimum: int
    machines: int
    people: tuple[Cover, ...]

    @cached_property
    def certain(self) -> Counts:
        """Authorised each day if nobody renews anything."""
        return count((span for person in self.people for span in person.spans), self.horizon)

    @cached_property
    def if_all_pass(self) -> Counts:
        """Authorised each day if every booked assessment is passed."""
        return self.certain + count((span for person in self.people for span in person.gained), self.horizon)

    @cached_property
    def available(self) -> Counts:
        """Authorised and not away, each day, if nobody renews anything."""
        return count((span for person in self.people for span in person.there), self.horizon)

    @cached_property
    def available_if_all_pass(self) -> Counts:
        gained = (span for person in self.people for span in person.gained_there)
        return self.available + count(gained, self.horizon)

    @cached_property
    def is_anybody_away(self) -> bool:
        """On a day on which they would count."""
        return bool((self.available_if_all_pass < self.if_all_pass).any())

    @cached_property
    def short(self) -> NDArray[np.float64]:
        """How likely it is, each day, that fewer than the minimum are authorised and there."""
        chances = np.zeros(self.horizon.days)
        for start, end in pairwise([*self._edges, self.horizon.days]):
            day = self.horizon.first + DAY * start
            tosses = [p.chance for p in self.people if any(s.first <= day <= s.last for s in p.gained_there)]
            chances[start:end] = chance_of_fewer(
                self.minimum, certain=int(self.available[start]), chances=tosses
            )
        return chances

    @cached_property
    def _edges(self) -> list[int]:
        """The days, numbered from the first, on which anybody starts, has ended, leaves or is back."""
        days = {0}
        for person in self.people:
            for span in (*person.spans, *person.gained, *person.away):
                days.add((span.first - self.horizon.first).days)
                days.add((span.last - self.horizon.first).days + 1)
        return sorted(day for day in days if 0 <= day < self.horizon.days)

    @property
    def changes(self) -> list["Change"]:
        """Each day on which a figure is not the one of the day before."""
        found: list[Change] = []
        for day in self._edges:
            on = self.horizon.first + DAY * day
            change = Change(
                on,
                int(self.certain[day]),
                int(self.if_all_pass[day]),
                float(self.short[day]),
                int(self.available[day]),
            )
            if not found or replace(found[-1], on=on) != change:
                found.append(change)
        return found

    @property
    def now(self) -> int:
        return int(self.certain[0])

    @property
    def now_away(self) -> int:
        """Authorised today, and away."""
        return self.now - int(self.available[0])

    @property
    def first_short(self) -> date | None:
        """The first day on which fewer than the minimum are authorised and there."""
        return first_short(self.available, self.minimum, self.horizon)

    @property
    def first_short_if_all_pass(self) -> date | None:
        return first_short(self.available_if_all_pass, self.minimum, self.horizon)

    @property
    def is_short_by_absence(self) -> bool:
        """Whether on the first day short there would be enough, were nobody away."""
        on = self.first_short
        return on is not None and int(self.certain[(on - self.horizon.first).days]) >= self.minimum

    @property
    def first_short_words(self) -> str:
        return long_date(self.first_short) if self.first_short else ""

    @property
    def worst_words(self) -> str:
        """The greatest chance of too few on any one day."""
        return chance_words(float(self.short.max()))

    @property
    def hangs_on(self) -> Cover | None:
        """The one person whom the category hangs on today; ``None`` where there are none or several."""
        today = [p for p in self.people if any(s.first <= self.horizon.first <= s.last for s in p.there)]
        return today[0] if len(today) == 1 else None


@dataclass(frozen=True)
class Change:
    """The figures of a forecast from one day on."""

    on: date
    certain: int
    if_all_pass: int
    short: float
    available: int

    @property
    def short_words(self) -> str:
        return chance_words(self.short)


@dataclass(frozen=True)
class WhatIf:
    """A question to the forecast: who is away, who is lent from elsewhere (by number), and who would be
    assessed on an added day."""

    without: frozenset[str] = frozenset()
    lent: frozenset[str] = frozenset()
    added: Mapping[str, date] | None = None


def site_forecasts(
    site: Site, *, moment: datetime, days: int, what_if: WhatIf | None = None
) -> list[Forecast]:
    """A forecast for every category of which the site has machines or a minimum, by name.

    Fourteen statements, or fifteen where somebody is lent; as many for any number of people and machines.
    """
    what_if = what_if or WhatIf()
    horizon = Horizon(day_at(moment, ZoneInfo(site.zone)), days)
    people, asked = site_roster(site, at=moment, known_at=moment)
    people = [person for person in people if person.number not in what_if.without]
    lent = _lent(what_if.lent, moment)
    machines: dict[str, list[Asked]] = defaultdict(list)
    for one in asked:
        machines[one[0].category].append(one)
    minimums = dict(MinimumCover.objects.filter(site=site).values_list("category__code", "operators"))
    everybody = [*people, *lent]
    tickets = Ticket.objects.filter(operator__number__in=[person.number for person in everybody])
    renewals = _Renewals(
        horizon,
        _booked(horizon, everybody, what_if.added or {}),
        ready_to_renew(tickets, horizon.first),
    )
    away = away_between(horizon.first, horizon.last).operators
    categories = Category.objects.filter(code__in=machines.keys() | minimums.keys()).order_by("name")
    return [
        Forecast(
            site,
            category,
            horizon,
            minimums.get(category.code, 0),
            sum(machine.is_in_service for machine, _ in machines[category.code]),
            tuple(
                replace(cover, away=away.get(cover.number, ()))
                for cover in _covers(category.code, people, lent, machines[category.code], horizon, renewals)
            ),
        )
        for category in categories
    ]


def _lent(numbers: Collection[str], moment: datetime) -> list[PersonFacts]:
    if not numbers:
        return []
    people = people_facts(Operator.objects.filter(number__in=numbers), at=moment, known_at=moment)
    return [people[number] for number in sorted(people)]


def _covers(
    category: str,
    people: Sequence[PersonFacts],
    lent: Sequence[PersonFacts],
    machines: Sequence[Asked],
    horizon: Horizon,
    renewals: "_Renewals",
) -> tuple[Cover, ...]:
    """Everybody who is, or by a booking may be, authorised for the category on any day; soonest end first."""
    found = []
    lent_numbers = {person.number for person in lent}
    for person in (*people, *lent):
        if not any(ticket.category in _serving(category, machines) for ticket in person.tickets):
            continue
        spans = tuple(spans_of(person, machines, horizon))
        cover = Cover(person.number, person.name, spans, is_lent=person.number in lent_numbers)
        cover = renewals.added_to(cover, person, category, machines)
        if cover.spans or cover.gained:
            found.append(cover)
    return tuple(sorted(found, key=lambda one: (one.last_day or horizon.first, one.number)))


def _serving(category: str, machines: Sequence[Asked]) -> set[str]:
    """The categories whose tickets serve for these machines under any version of their standard."""
    return {category}.union(*(version.accepts for _, versions in machines for version in versions))


class _Renewals:
    """What an assessment that is booked, or passed already, would add to each person's cover. Three
    statements."""

    def __init__(
        self,
        horizon: Horizon,
        booked: Mapping[tuple[str, str], date],
        ready: Mapping[tuple[str, str], Ready],
    ) -> None:
        self.horizon, self.booked, self.ready = horizon, booked, ready
        self.rates = chances_of_passing(horizon.first)
        self.standards: dict[str, list[StandardVersion]] = defaultdict(list)
        versions = StandardVersion.objects.filter(category__code__in={code for _, code in {*booked, *ready}})
        for version in versions.select_related("category").order_by("in_force_from"):
            self.standards[version.category.code].append(version)

    def added_to(self, cover: Cover, person: PersonFacts, category: str, machines: Sequence[Asked]) -> Cover:
        ready = self.ready.get((person.number, category))
        on = ready.passed_on if ready else self.booked.get((person.number, category))
        renewed = self._renewed(person, category, on) if on else None
        if on is None or renewed is None:
            return cover
        first = max(on, self.horizon.first)
        after = Horizon(first, self.horizon.days - (first - self.horizon.first).days)
        gained = tuple(less(spans_of(renewed, machines, after), cover.spans))
        if ready:
            return replace(cover, ready=ready, gained=gained, chance=1.0)
        return replace(cover, booked_on=on, gained=gained, chance=self.rates.get(category, 0.0))

    def _renewed(self, person: PersonFacts, category: str, on: date) -> PersonFacts | None:
        """The person as they would be after passing on that day; ``None`` where nothing can be renewed."""
        versions = [one for one in self.standards[category] if one.in_force_from <= on]
        held = next((one for one in person.tickets if one.category == category and one.standing), None)
        if not versions or held is None or held.standing is None or held.standing.is_withdrawn:
            return None
        try:
            period = period_after_renewal(held.standing, versions[-1], on)
        except RenewalRefused:
            return None
        standing = replace(held.standing, first_day=period.first_day, last_day=period.last_day)
        tickets = [one for one in person.tickets if one is not held]
        return replace(person, tickets=(*tickets, TicketFacts(held.number, category, standing)))


def _booked(
    horizon: Horizon, people: Sequence[PersonFacts], added: Mapping[str, date]
) -> dict[tuple[str, str], date]:
    """The first booked day of each person and category within the horizon; ``added`` days count for every
    category that the person holds. One statement."""
    numbers = [person.number for person in people]
    rows = (
        Booking.objects.filter(
            operator__number__in=numbers,
            called_off_at__isnull=True,
            on__range=(horizon.first, horizon.last),
        )
        # What was finished and not passed adds nothing any more, confirmed or not.
        .exclude(assessments__is_competent=False)
        .order_by("-on")
        .values_list("operator__number", "machine__state__category__code", "on")
    )
    booked = {(number, category): on for number, category, on in rows}
    for person in people:
        if (on := added.get(person.number)) and horizon.first <= on <= horizon.last:
            for ticket in person.tickets:
                key = (person.number, ticket.category)
                booked[key] = min(on, booked.get(key, on))
    return booked


def chances_of_passing(today: date) -> dict[str, float]:
    """By category code, from how its practical assessments went over the last years. Two statements."""
    counting = Evidence.objects.filter(
        kind="practical",
        strikes_out=False,
        corrected_by__isnull=True,
        occurred_on__gte=today - timedelta(days=365 * HISTORY_YEARS),
    )
    rows = (
        counting.order_by()
        .values_list("category__code")
        .annotate(passed=Count("pk", filter=Q(is_met=True)), failed=Count("pk", filter=Q(is_met=False)))
    )
    seen = {code: History(passed, failed) for code, passed, failed in rows}
    every = Category.objects.values_list("code", flat=True)
    return pass_rates({code: seen.get(code, History(0, 0)) for code in every})
