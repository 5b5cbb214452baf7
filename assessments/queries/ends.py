"""What runs out, and what that would do to the sites: one list over everything that has an end."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime

from django.db.models import Q, QuerySet

from assessments.models import Booking
from assessments.queries.end_consequences import Known, with_consequences
from assessments.rules.end_lines import (
    DAY,
    NOBODY_LEFT,
    OTHERWISE,
    PAST_DAYS,
    Consequence,
    End,
    EndsAsked,
)
from assessments.rules.ends import APPOINTMENT, TICKET, Ending, Window, lasting_ends
from competence.models import Account, Appointment, Category, Evidence, Operator, Role, Site, Ticket
from competence.queries.evidence import evidence_facts
from competence.queries.renewals import ready_to_renew
from competence.queries.roster import known_standards
from competence.queries.words import holding
from competence.rules.dates import add_months
from competence.rules.requirements import LASTING, RequirementKind
from competence.rules.requirements import Evidence as Fact

# A forecast is worked out site by site. Over more sites than this, one is chosen first.
MOST_SITES = 4


@dataclass(frozen=True)
class Ends:
    """The whole list in order. ``forecast_sites``: the names of those whose cover went into it; none where
    there were too many and none was chosen."""

    rows: list[End]
    forecast_sites: tuple[str, ...]

    @property
    def short_count(self) -> int:
        return sum(row.is_short for row in self.rows)


@dataclass(frozen=True)
class _Person:
    pk: int
    number: str
    name: str
    employer: str
    site: Site
    started_on: date


def ends_asked(
    asked: EndsAsked, site_ids: frozenset[int] | None, moment: datetime, *, with_cover: bool = True
) -> Ends:
    """Everything that ends in the window asked for, of people at work whose home is at these sites: those
    first whose loss leaves a site short of its minimum, then by day.

    Cover comes from ``site_forecasts``, for the site asked for, or for all of them where they are few.
    Sixteen statements at most, and thirteen more for each site whose cover is worked out; as many for any
    number of people.
    """
    # Ends, inductions and appointments name sites that may be no home of theirs.
    every = {site.pk: site for site in Site.objects.order_by("name")}
    seen = [site for site in every.values() if site_ids is None or site.pk in site_ids]
    known = Known(
        every,
        dict(Category.objects.values_list("code", "name")),
        known_standards(moment),
        moment,
    )
    here = [site for site in seen if not asked.site or site.code == asked.site]
    rows = [] if asked.kind == APPOINTMENT else _of_operators(asked, here, known)
    if asked.kind in ("", APPOINTMENT) and not asked.employer:
        rows += _of_assessors(asked, here, known)
    forecast: list[Site] = []
    if with_cover and len(here) <= MOST_SITES:
        forecast = here
        rows = with_consequences(rows, here, asked, known)
    rows.sort(key=_by_consequence)
    return Ends(rows, tuple(site.name for site in forecast))


def _by_consequence(row: End) -> tuple[int, date, str, str]:
    return (row.consequence.rank if row.consequence else OTHERWISE, row.on, row.name, row.what)


def _tickets(asked: EndsAsked, sites: list[Site]) -> QuerySet[Ticket]:
    """Tickets that count for something: of people at work, neither withdrawn nor long ended."""
    found = Ticket.objects.filter(
        operator__state__site__in=sites,
        operator__state__is_active=True,
        level__isnull=False,
        is_withdrawn=False,
    )
    if asked.employer:
        found = found.filter(operator__state__employer=asked.employer)
    return holding(found, asked.text, "operator__number", "operator__given_name", "operator__family_name")


def _of_operators(asked: EndsAsked, sites: list[Site], known: Known) -> list[End]:
    """Tickets and what they lastingly need. Ten statements at most."""
    earliest = known.moment.date() - (PAST_DAYS + 1) * DAY
    tickets = _tickets(asked, sites).filter(last_day__gte=earliest)
    if asked.kind == TICKET:
        tickets = tickets.filter(last_day__lte=known.moment.date() + (asked.days + 1) * DAY)
    columns = (
        "operator",
        "operator__number",
        "operator__given_name",
        "operator__family_name",
        "operator__state__employer__name",
        "operator__state__site",
        "operator__started_on",
        "category__code",
        "last_day",
    )
    people: dict[int, _Person] = {}
    held: dict[int, dict[str, date]] = defaultdict(dict)
    for pk, number, given, family, employer, site, started_on, code, last_day in tickets.order_by(
        "operator"
    ).values_list(*columns):
        people[pk] = _Person(pk, number, f"{given} {family}", employer, known.sites[site], started_on)
        held[pk][code] = last_day
    kinds = [kind for kind in LASTING if asked.kind in ("", kind.value)]
    holders = tickets.order_by().values("operator")
    evidence = _evidence(holders, kinds, asked.window(known.moment.date()), known)
    booked = _booked(sites, known.moment)
    rows = []
    for person in people.values():
        today = known.today(person.site)
        window = asked.window(today)
        endings = [
            Ending(TICKET, last_day, "", frozenset({code}))
            for code, last_day in held[person.pk].items()
            if asked.kind in ("", TICKET) and window.holds(last_day)
        ]
        endings += lasting_ends(
            held[person.pk],
            known.in_force(today) if kinds else {},
            evidence.get(person.number, ()),
            person.started_on,
            today,
            window,
        )
        rows += [
            _row(person, ending, booked.get(person.pk, {}), today, known)
            for ending in endings
            if (not asked.category or asked.category in ending.categories) and asked.kind in ("", ending.kind)
        ]
    return _with_ready(rows, tickets, known)


def _with_ready(rows: list[End], tickets: QuerySet[Ticket], known: Known) -> list[End]:
    """The rows, those of tickets that only wait to be renewed saying so. Three statements, or none."""
    if not any(row.kind == TICKET for row in rows):
        return rows
    ready = ready_to_renew(tickets, known.moment.date())
    told = []
    for row in rows:
        one = ready.get((row.number, *row.codes)) if row.kind == TICKET else None
        told.append(replace(row, passed_on=one.passed_on, ticket=one.ticket) if one else row)
    return told


def _evidence(
    holders: QuerySet, kinds: Iterable[RequirementKind], window: Window, known: Known
) -> dict[str, list[Fact]]:
    """The evidence, kind by kind, of those for whom something of the kind can end in the window. A statement
    a kind.

    What ends on a day ends by its own paper, or a standard's months after it happened, or (a first refresher)
    after the person started: whoever has no such day in the window has no such end there.
    """
    # Today is another day at another site.
    first, last = window.first - 2 * DAY, window.last + 2 * DAY
    found: dict[str, list[Fact]] = defaultdict(list)
    for kind in sorted(kinds):
        lines = [
            line
            for versions in known.standards.values()
            for version in versions
            for line in version.requirements
            if line.kind is kind
        ]
        spans = [
            # A month's end falls on a shorter month's last day.
            (add_months(first, -months) - 3 * DAY, add_months(last, -months) + 3 * DAY)
            for months in sorted({line.months for line in lines if line.months})
        ]
        happened, began = Q(counts_to__range=(first, last)), Q(pk__in=[])
        for span in spans:
            happened |= Q(occurred_on__range=span)
            began |= Q(started_on__range=span)
        some = Q(pk__in=Evidence.objects.filter(happened, kind=kind.value).order_by().values("operator"))
        if kind is RequirementKind.REFRESHER:
            some |= began
        people = Operator.objects.filter(some, pk__in=holders)
        for number, facts in evidence_facts(people, known_at=known.moment, kinds=[kind]).items():
            found[number] += facts
    return found


def _row(person: _Person, ending: Ending, booked: Mapping[str, date], today: date, known: Known) -> End:
    about = ending.about
    if ending.kind == RequirementKind.INDUCTION:
        about = known.site_names.get(about, about)
    days = [booked[code] for code in ending.categories if code in booked] if ending.kind == TICKET else []
    return End(
        number=person.number,
        account="",
        name=person.name,
        employer=person.employer,
        site=person.site.name,
        site_code=person.site.code,
        kind=ending.kind,
        about=about,
        on=ending.on,
        days_left=(ending.on - today).days,
        codes=ending.categories,
        categories=known.names(ending.categories),
        booked_on=min(days, default=None),
    )


def _booked(sites: list[Site], moment: datetime) -> dict[int, dict[str, date]]:
    """The first day for which each operator is booked in each category. One statement."""
    booked: dict[int, dict[str, date]] = defaultdict(dict)
    rows = Booking.objects.filter(
        called_off_at__isnull=True,
        operator__state__site__in=sites,
        # The first day anywhere on earth; a line too early is told by its date.
        on__gte=(moment - DAY).date(),
    ).order_by("-on")
    for operator, code, on in rows.values_list("operator", "machine__state__category__code", "on"):
        booked[operator][code] = on
    return booked


def _of_assessors(asked: EndsAsked, sites: list[Site], known: Known) -> list[End]:
    """Appointments of those who are trainers at these sites; of each pair the newest counts. Two
    statements."""
    newest: dict[tuple[int, str], Appointment] = {}
    appointments = Appointment.objects.filter(account__is_active=True).select_related("category", "account")
    for appointment in appointments.order_by("recorded_at", "pk"):
        newest[appointment.account_id, appointment.category.code] = appointment
    where: dict[int, set[int | None]] = defaultdict(set)
    trainers = Role.objects.filter(name=Role.Name.TRAINER, ended_at__isnull=True)
    for account, site in trainers.values_list("account", "site"):
        where[account].add(site)
    at_sites = {site.pk for site in sites} | {None}
    words = asked.text.casefold().split()
    # One paper mostly appoints for many categories: one line tells of all that end on one day.
    ending: dict[tuple[int, date], list[Appointment]] = defaultdict(list)
    for (account, code), one in newest.items():
        if account not in where or at_sites.isdisjoint(where[account]):
            continue
        named = f"{one.account.name} {one.account.username}".casefold()
        if all(word in named for word in words) and asked.category in ("", code):
            ending[account, one.last_day].append(one)
    rows = []
    for (account, last_day), ended in ending.items():
        sites_of = [known.sites[pk] for pk in where[account] - {None}]
        today = known.today(min(sites_of, key=lambda site: site.pk)) if sites_of else known.moment.date()
        if not asked.window(today).holds(last_day):
            continue
        alone = [one.category.code for one in ended if not _others(one, newest, where)]
        rows.append(
            End(
                number="",
                account=ended[0].account.username,
                name=ended[0].account.name,
                employer="",
                site=", ".join(sorted(site.name for site in sites_of)) or "every site",
                site_code="",
                kind=APPOINTMENT,
                about="",
                on=last_day,
                days_left=(last_day - today).days,
                codes=frozenset(one.category.code for one in ended),
                categories=known.names(one.category.code for one in ended),
                consequence=_of_appointment(known.names(alone)),
            )
        )
    return rows


def _others(
    ended: Appointment,
    newest: Mapping[tuple[int, str], Appointment],
    where: Mapping[int, set[int | None]],
) -> bool:
    """Whether somebody else at a site of this assessor's is appointed for the category the day after."""
    own, after = where[ended.account_id], ended.last_day + DAY
    return any(
        held.category_id == ended.category_id
        and account != ended.account_id
        and held.first_day <= after <= held.last_day
        and (theirs := where.get(account))
        and (None in own | theirs or own & theirs)
        for (account, _), held in newest.items()
    )


def _of_appointment(alone: tuple[str, ...]) -> Consequence:
    if alone:
        return Consequence(NOBODY_LEFT, f"Leaves nobody appointed to assess {'; '.join(alone)}")
    return Consequence(OTHERWISE, "Others stay appointed")


@dataclass(frozen=True)
class Addressee:
    """Somebody to write to, with what ends for them; ``email`` may be empty."""

    name: str
    email: str
    lines: tuple[str, ...]


def addressees(rows: Iterable[End]) -> list[Addressee]:
    """The people of these rows, each once, by name. One statement."""
    lines: dict[tuple[str, str, str], list[End]] = defaultdict(list)
    for row in rows:
        lines[row.name, row.number, row.account].append(row)
    numbers = {number for _, number, _ in lines if number}
    usernames = {username for _, _, username in lines if username}
    accounts = Account.objects.filter(is_active=True).filter(
        Q(operator__number__in=numbers) | Q(username__in=usernames)
    )
    by_number, by_username = {}, {}
    for number, username, email in accounts.values_list("operator__number", "username", "email"):
        by_number[number], by_username[username] = email, email
    return [
        Addressee(
            name,
            by_number.get(number, "") if number else by_username.get(username, ""),
            tuple(f"{row.what}, {row.ends_words}" for row in sorted(told, key=lambda r: r.on)),
        )
        for (name, number, username), told in sorted(lines.items())
    ]
