"""Renewal: nobody loses time by renewing early, and nobody gains any by drifting."""

from datetime import date, timedelta

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import assume, given
from hypothesis import strategies as st

from competence.rules.dates import Period, PeriodEnd, RenewalRefused, period_end, renewed_period

HELD = Period(date(2024, 3, 10), date(2027, 3, 9))


def renewed(held, assessed_on, **terms):
    return renewed_period(
        held,
        assessed_on,
        **{
            "months": 36,
            "ends": PeriodEnd.DAY_BEFORE,
            "window_days": 90,
            "lapse_limit_days": 60,
            **terms,
        },
    )


@pytest.mark.parametrize("assessed_on", [date(2026, 12, 9), date(2027, 1, 20), date(2027, 3, 9)])
def test_inside_the_window_the_new_period_runs_on_from_the_old_end(assessed_on):
    assert renewed(HELD, assessed_on).last_day == date(2030, 3, 9)


def test_the_day_before_the_window_opens_it_runs_from_the_assessment():
    assert renewed(HELD, date(2026, 12, 8)) == Period(HELD.first_day, date(2029, 12, 7))


def test_after_the_end_it_runs_from_the_assessment_and_the_gap_stays_a_gap():
    assert renewed(HELD, date(2027, 3, 10)) == Period(date(2027, 3, 10), date(2030, 3, 9))


def test_the_last_day_that_the_lapse_limit_allows_and_the_first_that_it_does_not():
    last = HELD.last_day + timedelta(days=60)
    assert renewed(HELD, last).first_day == last
    with pytest.raises(RenewalRefused, match="up to 60 days after the end"):
        renewed(HELD, last + timedelta(days=1))


def test_a_refusal_says_what_happened_and_what_is_needed():
    with pytest.raises(RenewalRefused) as refused:
        renewed(HELD, date(2027, 7, 1))
    assert "ended on 9 March 2027, 114 days before" in str(refused.value)
    assert "the full route is needed" in str(refused.value)


def test_no_lapse_is_allowed_where_the_limit_is_nothing():
    assert renewed(HELD, HELD.last_day, lapse_limit_days=0)
    with pytest.raises(RenewalRefused):
        renewed(HELD, HELD.last_day + timedelta(days=1), lapse_limit_days=0)


def test_a_ticket_issued_on_a_month_s_last_day_never_drifts():
    held = Period(date(2026, 1, 31), date(2026, 2, 28))
    ends = []
    for _ in range(4):
        held = renewed(held, held.last_day, months=1, ends=PeriodEnd.ANNIVERSARY, window_days=7)
        ends.append(held.last_day)
    # From 31 January: not 28 March, 28 April, 28 May, which repeated adding would give.
    assert ends == [date(2026, 3, 31), date(2026, 4, 30), date(2026, 5, 31), date(2026, 6, 30)]


def test_an_end_that_was_brought_forward_is_its_own_anchor():
    varied = Period(date(2024, 3, 10), date(2026, 6, 19))
    assert renewed(varied, date(2026, 6, 1)).last_day == date(2029, 6, 19)
    assert renewed(varied, date(2026, 6, 1), ends=PeriodEnd.ANNIVERSARY).last_day == date(2029, 6, 19)
    assert renewed(varied, date(2026, 6, 1), ends=PeriodEnd.MONTH_END).last_day == date(2029, 6, 30)


STARTS = st.dates(date(2000, 1, 1), date(2060, 12, 31))
TERMS = st.integers(1, 60)
ENDS = st.sampled_from(PeriodEnd)


@given(STARTS, TERMS, ENDS, st.integers(0, 400), st.integers(0, 120))
def test_renewing_inside_the_window_gains_exactly_the_term(first_day, months, ends, days_left, window):
    held = Period(first_day, period_end(first_day, months, ends))
    assessed_on = held.last_day - timedelta(days=days_left)
    assume(days_left <= window and assessed_on >= first_day)
    after = renewed(held, assessed_on, months=months, ends=ends, window_days=window)
    assert after == Period(first_day, period_end(first_day, 2 * months, ends))


@given(STARTS, TERMS, ENDS, st.integers(1, 8))
def test_renewing_every_time_on_the_last_day_stays_on_the_first_anchor(first_day, months, ends, times):
    held = Period(first_day, period_end(first_day, months, ends))
    for _ in range(times):
        held = renewed(held, held.last_day, months=months, ends=ends, window_days=0)
    anniversary = first_day + relativedelta(months=months * (times + 1))
    expected = {
        PeriodEnd.ANNIVERSARY: anniversary,
        PeriodEnd.DAY_BEFORE: anniversary - timedelta(days=1),
        PeriodEnd.MONTH_END: anniversary + relativedelta(day=31),
    }[ends]
    assert held.last_day == expected


@given(STARTS, TERMS, ENDS, st.integers(-400, 60), st.integers(0, 120))
def test_waiting_never_gives_an_earlier_end(first_day, months, ends, day, window):
    """Assessed a day later, a ticket never ends sooner, the window's opening included."""
    held = Period(first_day, period_end(first_day, months, ends))
    today = held.last_day + timedelta(days=day)
    assume(today >= first_day and day < 60)
    sooner = renewed(held, today, months=months, ends=ends, window_days=window)
    later = renewed(held, today + timedelta(days=1), months=months, ends=ends, window_days=window)
    assert sooner.last_day <= later.last_day


@given(STARTS, TERMS, ENDS, st.integers(-400, 60))
def test_a_renewed_period_covers_the_day_of_its_assessment(first_day, months, ends, day):
    held = Period(first_day, period_end(first_day, months, ends))
    assessed_on = held.last_day + timedelta(days=day)
    assume(assessed_on >= first_day)
    after = renewed(held, assessed_on, months=months, ends=ends)
    assert after.first_day <= assessed_on <= after.last_day
