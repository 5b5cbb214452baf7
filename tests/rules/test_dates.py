"""Calendar months, period ends and the days of a site. The table is checked against dateutil and zoneinfo."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, available_timezones

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.dates import (
    PeriodEnd,
    add_months,
    day_at,
    day_bounds,
    first_moment,
    period_end,
)

# anchor, months, anniversary, day before, end of month
PERIODS = [
    ("2026-01-31", 1, "2026-02-28", "2026-02-27", "2026-02-28"),  # clamped
    ("2028-01-31", 1, "2028-02-29", "2028-02-28", "2028-02-29"),  # clamped in a leap year
    ("2026-03-31", 1, "2026-04-30", "2026-04-29", "2026-04-30"),  # to a month of 30 days
    ("2026-08-31", 6, "2027-02-28", "2027-02-27", "2027-02-28"),  # over new year
    ("2024-02-29", 12, "2025-02-28", "2025-02-27", "2025-02-28"),  # leap day, common year
    ("2024-02-29", 36, "2027-02-28", "2027-02-27", "2027-02-28"),
    ("2024-02-29", 60, "2029-02-28", "2029-02-27", "2029-02-28"),
    ("2024-02-29", 48, "2028-02-29", "2028-02-28", "2028-02-29"),  # leap day to leap day
    ("2096-02-29", 48, "2100-02-28", "2100-02-27", "2100-02-28"),  # 2100 is no leap year
    ("2023-02-28", 12, "2024-02-28", "2024-02-27", "2024-02-29"),  # the anniversary is not the month's end
    ("2027-11-30", 3, "2028-02-29", "2028-02-28", "2028-02-29"),  # clamped to 29
    ("2026-05-31", 13, "2027-06-30", "2027-06-29", "2027-06-30"),  # more than a year
    ("2026-07-15", 24, "2028-07-15", "2028-07-14", "2028-07-31"),  # plain
]
DAYS = st.dates(date(1900, 1, 1), date(2150, 12, 31))
MONTHS = st.integers(-240, 240)
ZONES = st.sampled_from(sorted(available_timezones() - {"localtime"})).map(ZoneInfo)
# Apia, Fakaofo, Kwajalein and others left out whole days; those are tested by name below.
ORDINARY_DAYS = st.dates(date(2012, 1, 1), date(2037, 12, 31))


@pytest.mark.parametrize(("anchor", "months", "anniversary", "day_before", "month_end"), PERIODS)
def test_a_period_ends_where_its_standard_says(anchor, months, anniversary, day_before, month_end):
    start = date.fromisoformat(anchor)
    ends = [period_end(start, months, way).isoformat() for way in PeriodEnd]
    assert ends == [anniversary, day_before, month_end]


def test_months_count_backwards_too():
    assert add_months(date(2026, 3, 31), -1) == date(2026, 2, 28)


@given(DAYS, MONTHS)
def test_months_agree_with_dateutil(day, months):
    assert add_months(day, months) == day + relativedelta(months=months)


@given(DAYS, MONTHS)
def test_the_month_end_is_the_last_day_of_the_anniversary_s_month(day, months):
    assert period_end(day, months, PeriodEnd.MONTH_END) == day + relativedelta(months=months, day=31)


@given(DAYS, DAYS, MONTHS)
def test_a_later_anchor_never_ends_sooner(one, other, months):
    earlier, later = sorted((one, other))
    for way in PeriodEnd:
        assert period_end(earlier, months, way) <= period_end(later, months, way)


def test_counting_from_the_anchor_does_not_drift():
    anchor = date(2026, 1, 31)
    from_anchor = [add_months(anchor, months) for months in (1, 2, 3, 4)]
    assert from_anchor == [date(2026, 2, 28), date(2026, 3, 31), date(2026, 4, 30), date(2026, 5, 31)]
    drifting = anchor
    for _ in range(4):
        drifting = add_months(drifting, 1)
    assert drifting == date(2026, 5, 28)


def test_months_are_neither_reversible_nor_additive():
    march = date(2026, 3, 31)
    assert add_months(add_months(march, -1), 1) == date(2026, 3, 28)
    january = date(2026, 1, 31)
    assert add_months(add_months(january, 1), 1) != add_months(january, 2)


@pytest.mark.parametrize(
    ("zone", "day", "first"),
    [
        # Clocks go forward at midnight, so the day starts at 01:00.
        ("America/Santiago", "2026-09-06", "2026-09-06T04:00:00Z"),
        ("Africa/Cairo", "2026-04-24", "2026-04-23T22:00:00Z"),
        ("Asia/Beirut", "2026-03-29", "2026-03-28T22:00:00Z"),
        # Midnight comes twice where clocks go back over it; the earlier one starts the day.
        ("America/Havana", "2026-11-01", "2026-11-01T04:00:00Z"),
        # Where 00:00 goes back to 23:00, the day before lasts an hour longer and midnight comes once.
        ("America/Santiago", "2026-04-05", "2026-04-05T04:00:00Z"),
        ("Asia/Kathmandu", "2026-06-01", "2026-05-31T18:15:00Z"),
        ("Europe/London", "2026-01-15", "2026-01-15T00:00:00Z"),
        ("Europe/London", "2026-07-15", "2026-07-14T23:00:00Z"),
        ("Pacific/Apia", "2011-12-31", "2011-12-30T10:00:00Z"),
    ],
)
def test_a_day_starts_at_its_first_instant_that_exists(zone, day, first):
    assert first_moment(date.fromisoformat(day), ZoneInfo(zone)) == datetime.fromisoformat(first)


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("America/Santiago", date(2026, 9, 6)),
        ("Africa/Cairo", date(2026, 4, 24)),
        ("Asia/Beirut", date(2026, 3, 29)),
    ],
)
def test_where_midnight_is_missing_the_day_starts_at_one(zone, day):
    start = first_moment(day, ZoneInfo(zone)).astimezone(ZoneInfo(zone))
    assert (start.date(), start.hour, start.minute) == (day, 1, 0)


def test_a_day_that_never_happened_is_an_error():
    with pytest.raises(ValueError, match="2011-12-30 never happened in Pacific/Apia"):
        first_moment(date(2011, 12, 30), ZoneInfo("Pacific/Apia"))


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("Europe/London", date(2026, 3, 29), 23),
        ("Europe/London", date(2026, 10, 25), 25),
        ("Europe/London", date(2026, 6, 1), 24),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
        ("America/Santiago", date(2026, 9, 6), 23),
    ],
)
def test_days_are_as_long_as_their_zone_makes_them(zone, day, hours):
    start, end = day_bounds(day, ZoneInfo(zone))
    assert end - start == timedelta(hours=hours)


@given(ORDINARY_DAYS, ZONES)
def test_a_day_s_first_moment_is_in_it_and_the_second_before_is_not(day, zone):
    start = first_moment(day, zone)
    assert day_at(start, zone) == day
    assert day_at(start - timedelta(seconds=1), zone) == day - timedelta(days=1)


@given(
    st.datetimes(datetime(2012, 1, 2), datetime(2037, 12, 30), timezones=st.just(UTC)),
    ZONES,
)
def test_every_instant_is_inside_the_day_that_it_is_on(moment, zone):
    start, end = day_bounds(day_at(moment, zone), zone)
    assert start <= moment < end


@pytest.mark.parametrize(
    ("zone", "local", "fold", "instant"),
    [
        ("Europe/London", "2026-03-29T01:30", 0, "2026-03-29T01:30Z"),  # does not exist
        ("Europe/London", "2026-03-29T01:30", 1, "2026-03-29T00:30Z"),
        ("Europe/London", "2026-10-25T01:30", 0, "2026-10-25T00:30Z"),  # twice
        ("Europe/London", "2026-10-25T01:30", 1, "2026-10-25T01:30Z"),
        ("America/New_York", "2026-11-01T01:30", 0, "2026-11-01T05:30Z"),
        ("America/New_York", "2026-11-01T01:30", 1, "2026-11-01T06:30Z"),
        ("Australia/Lord_Howe", "2026-04-05T01:45", 0, "2026-04-04T14:45Z"),
        ("Australia/Lord_Howe", "2026-04-05T01:45", 1, "2026-04-04T15:15Z"),
    ],
)
def test_a_moment_that_comes_twice_keeps_its_day(zone, local, fold, instant):
    zone = ZoneInfo(zone)
    moment = datetime.fromisoformat(local).replace(tzinfo=zone, fold=fold)
    assert moment.astimezone(UTC) == datetime.fromisoformat(instant)
    assert day_at(moment, zone) == date.fromisoformat(local[:10])


def test_a_moment_without_an_offset_has_no_day():
    with pytest.raises(ValueError, match="says no offset"):
        day_at(datetime(2026, 6, 1, 12), ZoneInfo("Europe/London"))
