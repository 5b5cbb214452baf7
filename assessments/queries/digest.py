"""What concerns each account now, as lines of a digest."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from assessments.models import Assessment, Booking, DigestLine
from assessments.queries.bookings import from_today
from assessments.queries.cover import Forecast, site_forecasts
from assessments.queries.ends import ends_asked
from assessments.queries.receivers import Receiver
from assessments.rules.digest import Line, Section
from assessments.rules.end_lines import PAST_DAYS, End, EndsAsked
from assessments.rules.ends import APPOINTMENT, TICKET
from competence.models import Account, Defect, Grade, Site
from competence.permissions import Right, sites_with
from competence.rules.reasons import long_date

# How far ahead somebody is told: of what ends for themself; of whose ticket ends, those who assess and those
# who run the site; and where cover falls short (common practice: long enough to plan a day for it).
OWN_DAYS, TRAINER_DAYS, ADMIN_DAYS, SHORT_DAYS = 60, 90, 30, 90
# A booking that was called off longer ago than this was told of, or known, before mail was sent at all.
CALLED_OFF_DAYS = 14


@dataclass(frozen=True)
class _Facts:
    """Everything that any account is told of, read once."""

    ends: list[End]
    bookings: list[Booking]
    unconfirmed: list[Assessment]
    defects: list[Defect]
    short: dict[int, list[Forecast]]
    site_ids: dict[str, int]


def digest_lines(
    people: Collection[Receiver], sites: Collection[Site], moment: datetime
) -> dict[int, list[Line]]:
    """By account, everything that concerns it now, told already or not.

    At most 30 statements, and eleven for each site that a site admin among ``people`` runs; as many for any
    number of people, tickets and bookings.
    """
    facts = _read(people, sites, moment)
    own_ends: dict[str, list[End]] = defaultdict(list)
    for end in facts.ends:
        own_ends[end.number or f"@{end.account}"].append(end)
    booked: dict[int, list[Booking]] = defaultdict(list)
    booked_with: dict[int, list[Booking]] = defaultdict(list)
    for booking in facts.bookings:
        booked[booking.operator_id].append(booking)
        booked_with[booking.assessor_id].append(booking)
    found: dict[int, list[Line]] = {}
    for one in people:
        account, lines = one.account, []
        if one.operator is not None:
            lines += [_booking_of_operator(b) for b in booked[one.operator.pk]]
            lines += _to_confirm(facts.unconfirmed, one.operator.pk)
            lines += [_own_end(e) for e in own_ends[one.operator.number] if e.days_left <= OWN_DAYS]
        lines += _of_trainer(account, facts, booked_with[account.pk], own_ends[f"@{account.username}"])
        lines += _of_site_admin(account, facts)
        found[account.pk] = lines
    return found


def told_before(people: Collection[Receiver]) -> dict[int, dict[str, str]]:
    """By account, the state last told of each thing. One statement."""
    told: dict[int, dict[str, str]] = defaultdict(dict)
    wanted = {one.account.pk for one in people}
    for account, thing, state in DigestLine.objects.values_list("account", "thing", "state"):
        if account in wanted:
            told[account][thing] = state
    return told


def _read(people: Collection[Receiver], sites: Collection[Site], moment: datetime) -> _Facts:
    ended, ending = (
        ends_asked(EndsAsked(days=days), None, moment, with_cover=False).rows for days in (0, TRAINER_DAYS)
    )
    bookings = (
        Booking.objects.filter(from_today(moment))
        .exclude(called_off_at__lt=moment - timedelta(days=CALLED_OFF_DAYS))
        .select_related("site", "machine", "operator", "assessor")
        .order_by("on", "starts_at", "pk")
    )
    unconfirmed = (
        Assessment.objects.filter(status=Assessment.Status.FINISHED)
        .select_related("operator", "machine", "assessor")
        .order_by("finished_at")
    )
    defects = (
        Defect.objects.filter(grade=Grade.STOP_USE, closed_at__isnull=True)
        .select_related("machine__state__site")
        .order_by("opened_at")
    )
    run = _sites_run(people, sites)
    return _Facts(
        [*ended, *ending],
        list(bookings),
        list(unconfirmed),
        list(defects),
        {site.pk: _short(site, moment) for site in sites if site.pk in run},
        {site.code: site.pk for site in sites},
    )


def _sites_run(people: Collection[Receiver], sites: Iterable[Site]) -> set[int]:
    every = {site.pk for site in sites}
    run: set[int] = set()
    for one in people:
        held = sites_with(one.account, Right.CLOSE_DEFECT)
        run |= every if held is None else held
    return run


def _short(site: Site, moment: datetime) -> list[Forecast]:
    return [one for one in site_forecasts(site, moment=moment, days=SHORT_DAYS) if one.first_short]


def _booking_line(booking: Booking, section: Section, door: str, who: str) -> Line:
    at = f" at {booking.starts_at:%H:%M}" if booking.starts_at else ""
    words = f"{who}, {booking.machine.fleet_number}, {booking.site.name}"
    when, thing = f"{long_date(booking.on)}{at}", f"booking {booking.pk}"
    if booking.called_off_at is not None:
        words = f"{words}. {booking.called_off_why}"
        return Line(section, thing, "called off", f"Called off: {when}", words, door)
    return Line(section, thing, f"on {booking.on}{at}", when, words, door)


def _booking_of_operator(booking: Booking) -> Line:
    return _booking_line(booking, Section.OWN_BOOKINGS, "home", f"with {booking.assessor.name}")


def _to_confirm(unconfirmed: list[Assessment], operator: int) -> list[Line]:
    return [
        Line(
            Section.TO_CONFIRM,
            f"assessment {one.pk}",
            "finished",
            f"Assessment on {one.machine.fleet_number}",
            f"by {one.assessor.name}; read the result and confirm it",
            "assessment-confirm",
            (one.pk,),
        )
        for one in unconfirmed
        if one.operator_id == operator and one.operator_confirmed_at is None
    ]


def _end_state(end: End) -> str:
    return f"{'ended' if end.days_left < 0 else 'ends'} {end.on}"


def _thing(whose: str, end: End) -> str:
    return f"{whose} {end.kind} {end.number} {end.about} {','.join(sorted(end.codes))}"[:300]


def _own_end(end: End) -> Line:
    needed = f"; needed for {end.needed_for}" if end.needed_for else ""
    door = "home" if end.kind == APPOINTMENT else "my-record"
    words = f"{end.ends_words}{needed}"
    return Line(Section.OWN_ENDS, _thing("own", end), _end_state(end), end.what, words, door)


def _due(end: End) -> Line:
    today = end.on - timedelta(days=end.days_left)
    is_booked = end.booked_on is not None and end.booked_on >= today
    booked = f"; booked for {long_date(end.booked_on)}" if is_booked else ""
    if end.passed_on:
        booked = f"; passed on {long_date(end.passed_on)}, ready to renew"
    title = f"{end.name} ({end.number}), {end.site}"
    words = f"{'; '.join(end.categories)}, {end.ends_words}{booked}"
    return Line(Section.DUE, _thing("due", end), _end_state(end), title, words, "operator", (end.number,))


def _ticket_ends(facts: _Facts, site_ids: frozenset[int] | None, days: int) -> list[Line]:
    return [
        _due(end)
        for end in facts.ends
        if end.kind == TICKET
        and -PAST_DAYS <= end.days_left <= days
        and (site_ids is None or facts.site_ids[end.site_code] in site_ids)
    ]


def _of_trainer(account: Account, facts: _Facts, bookings: list[Booking], own: list[End]) -> list[Line]:
    site_ids = sites_with(account, Right.ASSESS)
    if site_ids is not None and not site_ids:
        return []
    booked = [_booking_line(b, Section.BOOKED_WITH, "booking-list", str(b.operator)) for b in bookings]
    waiting = [
        Line(
            Section.UNCONFIRMED,
            f"assessment {one.pk} of {one.assessor_id}",
            "finished",
            str(one.operator),
            f"on {one.machine.fleet_number}, finished on {long_date(one.finished_at.date())}",
            "assessment-confirm",
            (one.pk,),
        )
        for one in facts.unconfirmed
        if one.assessor_id == account.pk
    ]
    own_ends = [_own_end(end) for end in own if end.days_left <= OWN_DAYS]
    return [*booked, *waiting, *own_ends, *_ticket_ends(facts, site_ids, TRAINER_DAYS)]


def _of_site_admin(account: Account, facts: _Facts) -> list[Line]:
    site_ids = sites_with(account, Right.CLOSE_DEFECT)
    if site_ids is not None and not site_ids:
        return []
    stopped = [
        Line(
            Section.STOPPED,
            f"defect {one.pk}",
            "open",
            f"{one.machine.fleet_number}, {one.machine.site.name}",
            f"{one.point_title}. {one.note}",
            "defect",
            (one.pk,),
        )
        for one in facts.defects
        if site_ids is None or one.machine.state.site_id in site_ids
    ]
    short = [
        _short_line(one)
        for pk, forecasts in facts.short.items()
        if site_ids is None or pk in site_ids
        for one in forecasts
    ]
    return [*stopped, *short, *_ticket_ends(facts, site_ids, ADMIN_DAYS)]


def _short_line(one: Forecast) -> Line:
    # A site that is short today is short from today on whichever day that is: no news every morning.
    is_now = one.first_short == one.horizon.first
    state = "now" if is_now else f"from {one.first_short}"
    when = "short already" if is_now else f"short from {one.first_short_words}"
    booked = one.first_short_if_all_pass
    helped = "" if is_now or booked == one.first_short else ", unless those booked pass"
    title = f"{one.category.name}, {one.site.name}"
    words = f"{when} of the minimum of {one.minimum}{helped}"
    thing = f"cover {one.site.code} {one.category.code}"
    return Line(Section.SHORT, thing, state, title, words, "cover", (one.site.code, one.category.code))
