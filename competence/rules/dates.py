"""Calendar rules: months, period ends, renewal, and the days of a site.

Moments are aware datetimes; dates are days on a site's calendar. Nothing here reads a clock.
"""

from calendar import monthrange
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from functools import cache
from zoneinfo import ZoneInfo

from .reasons import long_date

# A day longer ago than this is a slip of the pen: nobody's working life is longer (the register's own rule).
OLDEST_YEARS = 60


class PeriodEnd(StrEnum):
    """Where a period of calendar months ends."""

    ANNIVERSARY = "anniversary"
    DAY_BEFORE = "day_before"
    MONTH_END = "month_end"


class RenewalRefused(ValueError):
    """A renewal would give nothing, or comes too late; its sentence is fit for the screen."""


@dataclass(frozen=True, slots=True)
class Period:
    """First and last day that count, both inclusive."""

    first_day: date
    last_day: date


@cache
def days_in_month(year: int, month: int) -> int:
    return monthrange(year, month)[1]


def add_months(day: date, months: int) -> date:
    """Add calendar months, clamped to the last day of the month.

    Count from the anchor each time: the operation is neither reversible nor additive.
    Source: the register's date rule; checked against dateutil's relativedelta.
    """
    index = day.year * 12 + day.month - 1 + months
    year, month = divmod(index, 12)
    return date(year, month + 1, min(day.day, days_in_month(year, month + 1)))


def period_end(anchor: date, months: int, ends: PeriodEnd) -> date:
    """Last day (inclusive) of a period of ``months`` calendar months that starts on ``anchor``."""
    anniversary = add_months(anchor, months)
    if ends is PeriodEnd.ANNIVERSARY:
        return anniversary
    if ends is PeriodEnd.DAY_BEFORE:
        return anniversary - timedelta(days=1)
    return anniversary.replace(day=days_in_month(anniversary.year, anniversary.month))


def renewed_period(
    held: Period,
    assessed_on: date,
    *,
    months: int,
    ends: PeriodEnd,
    window_days: int,
    lapse_limit_days: int,
) -> Period:
    """The period after a renewal assessed on ``assessed_on``.

    Inside the window (``window_days`` before the last day, up to and on it) the new period runs on from the
    old end, counted from the first anchor so that month-end clamping never drifts. Before the window or after
    the end it runs from the assessment. Raises ``RenewalRefused`` when the ticket lapsed more than
    ``lapse_limit_days`` before the assessment.
    """
    lapsed_days = (assessed_on - held.last_day).days
    if lapsed_days > lapse_limit_days:
        raise RenewalRefused(
            f"The ticket ended on {long_date(held.last_day)}, {lapsed_days} days before this assessment. "
            f"The standard allows renewal up to {lapse_limit_days} days after the end: "
            "the full route is needed, so issue the ticket anew."
        )
    if lapsed_days > 0:
        return Period(assessed_on, period_end(assessed_on, months, ends))
    if assessed_on < held.last_day - timedelta(days=window_days):
        return Period(held.first_day, period_end(assessed_on, months, ends))
    return Period(held.first_day, _run_on(held, months, ends))


def _run_on(held: Period, months: int, ends: PeriodEnd) -> date:
    """The end of a period that follows ``held`` without a gap."""
    first, last = held.first_day, held.last_day
    apart = (last.year - first.year) * 12 + last.month - first.month
    for whole in (apart, apart + 1):
        if period_end(first, whole, ends) == last:
            return period_end(first, whole + months, ends)
    # The end was varied by hand, so it is its own anchor.
    next_start = last + timedelta(days=1) if ends is PeriodEnd.DAY_BEFORE else last
    return period_end(next_start, months, ends)


def day_at(moment: datetime, zone: ZoneInfo) -> date:
    """The calendar day at ``moment`` in ``zone``. Raises ``ValueError`` for a moment without an offset: read
    with this machine's own, it could be another day."""
    if moment.tzinfo is None:
        raise ValueError(f"{moment} says no offset from UTC, so its day is not known")
    return moment.astimezone(zone).date()


def first_moment(day: date, zone: ZoneInfo) -> datetime:
    """The first instant of ``day`` that exists in ``zone``, in UTC.

    Midnight itself can be missing (Santiago, Cairo, Beirut) or come twice; the earlier instant wins.
    Raises ``ValueError`` where the whole day was skipped (Apia, 30 December 2011).
    """
    midnight = datetime.combine(day, time.min, tzinfo=zone)
    start = midnight.astimezone(UTC)
    if start.astimezone(zone).date() < day:
        # Midnight is inside a gap and was read with the offset from after it; find the jump itself.
        start = _end_of_gap(day, zone, start)
    elif start.astimezone(zone).replace(tzinfo=None) != midnight.replace(tzinfo=None):
        start = _end_of_gap(day, zone, start - timedelta(days=1))
    if start.astimezone(zone).date() != day:
        raise ValueError(f"{day} never happened in {zone.key}")
    return start


def _end_of_gap(day: date, zone: ZoneInfo, before: datetime) -> datetime:
    """Bisect to the first whole second at which the zone's calendar reads ``day`` or later."""
    low, high = int(before.timestamp()), int(before.timestamp()) + 3 * 86_400
    while low + 1 < high:
        middle = (low + high) // 2
        if datetime.fromtimestamp(middle, zone).date() < day:
            low = middle
        else:
            high = middle
    return datetime.fromtimestamp(high, UTC)


def day_bounds(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """First instant of ``day`` and first instant after it, in UTC (a half-open interval)."""
    return first_moment(day, zone), first_moment(day + timedelta(days=1), zone)
