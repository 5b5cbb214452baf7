"""What stands in an account's calendar, and whose calendar an address opens."""

from datetime import datetime, timedelta
from hmac import compare_digest
from zoneinfo import ZoneInfo

from django.db.models import Prefetch, Q

from assessments.models import Booking, CalendarAddress
from assessments.queries.cover import site_forecasts
from assessments.queries.ends import ends_asked
from assessments.rules.calendars import Entry
from assessments.rules.end_lines import End, EndsAsked
from assessments.rules.ends import APPOINTMENT, TICKET
from competence.models import Account, Role
from competence.permissions import Right, sites_with
from competence.queries.sites import sites_for

# How far a calendar looks ahead, and how long an assessment that has gone by stays in it.
AHEAD_DAYS, PAST_BOOKING_DAYS = 365, 31
# Nobody says how long an assessment takes; the page that books them supposes an hour.
BOOKED = timedelta(hours=1)


def calendar_at(token_sha256: str) -> CalendarAddress | None:
    """The calendar that a secret opens, by its SHA-256, while its account is open. Two statements.

    The index is asked for the digest, whose bytes nobody can choose without knowing the secret, so how long
    it takes tells nothing of it; the comparison after it takes the same time whatever differs.
    """
    held = Role.objects.filter(ended_at__isnull=True).select_related("site")
    found = (
        CalendarAddress.objects.filter(token_sha256=token_sha256, account__is_active=True)
        .select_related("account__operator__state__site")
        .prefetch_related(Prefetch("account__roles", held, to_attr="held_roles"))
        .first()
    )
    if found is None or not compare_digest(found.token_sha256 or "", token_sha256):
        return None
    return found


def calendar_entries(account: Account, moment: datetime) -> list[Entry]:
    """Own bookings, what ends for oneself, and, for who runs a site, whose tickets end there and the first
    day on which cover falls short.

    At most 24 statements, and eleven for each site that the account runs; as many for any number of people,
    tickets and bookings.
    """
    entries = _bookings(account, moment)
    operator = account.operator
    if operator is not None and operator.state.is_active:
        asked = EndsAsked(days=AHEAD_DAYS, site=operator.site.code, text=operator.number)
        ends = ends_asked(asked, frozenset({operator.site.pk}), moment, with_cover=False).rows
        entries += [_own_end(end) for end in ends if end.number == operator.number]
    run = sites_with(account, Right.CLOSE_DEFECT)
    if run is None or run:
        entries += _of_site_admin(run, moment, own=operator.number if operator else "")
    return entries


def _bookings(account: Account, moment: datetime) -> list[Entry]:
    """Those of the account as operator or assessor, called off or not. One statement."""
    mine = Q(assessor=account)
    if account.operator_id is not None:
        mine |= Q(operator=account.operator_id)
    found = Booking.objects.filter(mine, on__gte=moment.date() - timedelta(days=PAST_BOOKING_DAYS))
    found = found.select_related("site", "machine__state__category", "operator", "assessor")
    return [_booking(one, account) for one in found.order_by("on", "starts_at", "pk")]


def _booking(booking: Booking, account: Account) -> Entry:
    is_own = booking.operator_id == account.operator_id
    other = booking.assessor.name if is_own else str(booking.operator)
    zone = ZoneInfo(booking.site.zone)
    starts, words = booking.on, [f"With {other}, on {booking.machine.fleet_number}."]
    if booking.starts_at is not None:
        starts = datetime.combine(booking.on, booking.starts_at, tzinfo=zone)
        words.append(f"{booking.starts_at:%H:%M} on the clock of {booking.site.name} ({zone.key}).")
    else:
        words.append("No time is set.")
    is_called_off = booking.called_off_at is not None
    if is_called_off:
        words.append(f"Called off: {booking.called_off_why}")
    words.append(booking.note)
    category = booking.machine.state.category.name
    return Entry(
        thing=f"booking {booking.pk}",
        starts=starts,
        title=f"{'Called off: ' if is_called_off else ''}Assessment, {category}: {other}",
        words="\n".join(filter(None, words)),
        where=booking.site.name,
        lasts=BOOKED,
        # A booking changes once: when it is called off. To move it, another is made.
        revision=int(is_called_off),
        revised_at=booking.called_off_at or booking.made_at,
        is_called_off=is_called_off,
        takes_time=not is_called_off and booking.starts_at is not None,
    )


def _thing(end: End) -> str:
    """What ends, for whom and when: a later end is another event, and this one leaves the calendar."""
    return f"{end.kind} {end.number} {end.about} {','.join(sorted(end.codes))} {end.on}"


def _own_end(end: End) -> Entry:
    needed = f" Needed for {end.needed_for}." if end.needed_for else ""
    return Entry(
        thing=_thing(end),
        starts=end.on,
        title=f"Last day of {end.what[0].lower()}{end.what[1:]}",
        words=f"It counts to the end of this day.{needed}",
    )


def _of_site_admin(site_ids: frozenset[int] | None, moment: datetime, *, own: str) -> list[Entry]:
    sites = list(sites_for(site_ids))
    asked = EndsAsked(days=AHEAD_DAYS, kind=TICKET)
    rows = ends_asked(asked, frozenset(site.pk for site in sites), moment, with_cover=False).rows
    entries = [
        Entry(
            thing=_thing(end),
            starts=end.on,
            title=f"Ticket ends: {end.name} ({end.number}), {', '.join(end.categories)}",
            words=f"{end.site}. The ticket counts to the end of this day.",
            where=end.site,
        )
        for end in rows
        if end.kind != APPOINTMENT and end.number != own
    ]
    for site in sites:
        for one in site_forecasts(site, moment=moment, days=AHEAD_DAYS):
            if one.first_short is None:
                continue
            entries.append(
                Entry(
                    thing=f"cover {site.code} {one.category.code}",
                    starts=one.first_short,
                    title=f"Cover short: {one.category.name}, {site.name}",
                    words=f"Fewer than {one.minimum} authorised from this day if nobody renews.",
                    where=site.name,
                )
            )
    return entries
