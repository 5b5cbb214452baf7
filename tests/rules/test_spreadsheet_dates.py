"""Days as spreadsheets write them; what cannot be known of them is asked, never guessed."""

from datetime import date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.spreadsheet_dates import (
    FIRST_YEAR,
    LAST_YEAR,
    Century,
    Order,
    UnreadableDay,
    asks_of_column,
    end_in_note,
    read_day,
)

D, M, Y = Order.DAY_FIRST, Order.MONTH_FIRST, Order.YEAR_FIRST
DAYS = st.dates(date(FIRST_YEAR, 1, 1), date(LAST_YEAR, 12, 31))


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        (date(2027, 3, 1), date(2027, 3, 1)),
        (datetime(2027, 3, 1, 5, 30), date(2027, 3, 1)),
        ("2027-03-01", date(2027, 3, 1)),
        ("2027/3/1", date(2027, 3, 1)),
        ("2027-03-01 00:00:00", date(2027, 3, 1)),
        ("1 March 2027", date(2027, 3, 1)),
        ("1st Mar. 2027", date(2027, 3, 1)),
        ("01-Mar-2027", date(2027, 3, 1)),
        ("March 1, 2027", date(2027, 3, 1)),
        ("13.3.2027", date(2027, 3, 13)),
        ("3/13/2027", date(2027, 3, 13)),
        ("5.5.2027", date(2027, 5, 5)),
        (46447, date(2027, 3, 1)),
        (46447.75, date(2027, 3, 1)),
        ("46447", date(2027, 3, 1)),
        ("", None),
        (None, None),
        ("n/a", None),
        ("-", None),
    ],
)
def test_a_day_that_can_be_read_in_one_way_is_read(cell, day):
    assert read_day(cell) == day


@pytest.mark.parametrize(
    ("cell", "order", "day"),
    [
        ("3.4.2027", D, date(2027, 4, 3)),
        ("3.4.2027", M, date(2027, 3, 4)),
        ("03/04/2027", D, date(2027, 4, 3)),
        ("27-03-04", Y, date(2027, 3, 4)),
        ("12.3.27", D, date(2027, 3, 12)),
    ],
)
def test_the_order_that_was_told_is_kept_to(cell, order, day):
    assert read_day(cell, order=order, century=Century.ALL_2000) == day


@pytest.mark.parametrize(
    ("cell", "day"),
    [
        ("exp 03/2027", date(2027, 3, 31)),
        ("expires 2/2028", date(2028, 2, 29)),
        ("Exp. 13.3.2027", date(2027, 3, 13)),
        ("valid to Feb 2027", date(2027, 2, 28)),
        ("until 1 March 2027", date(2027, 3, 1)),
        ("2027-02", date(2027, 2, 28)),
    ],
)
def test_an_end_may_have_a_word_before_it_and_be_given_by_its_month(cell, day):
    assert read_day(cell, is_end=True) == day


@pytest.mark.parametrize(
    ("cell", "because"),
    [
        ("3.4.2027", "day or month first cannot be known"),
        ("12.3.27", "two digits|cannot be known"),
        ("1 Mar 27", "two digits"),
        ("29.2.2027", "2027 has no 29 February"),
        ("29 February 2100", "2100 has no 29 February"),
        ("31.4.2027", "no day of the calendar"),
        ("2027-13-01", "no month 13"),
        (60, "a day that never was"),
        (date(1929, 12, 31), "before 1930"),
        ("31.12.1929", "before 1930"),
        (9_000, "before 1930"),
        (date(2101, 1, 1), "after 2100"),
        ("2101-01-01", "after 2100"),
        (2027, "a year only"),
        ("03/2027", "a month only"),
        ("exp 03/2027", "cannot be read"),
        ("soon", "cannot be read"),
        ("45/45/2027", "no day of the calendar"),
        (True, "not a day"),
        (time(5), "not a day"),
        (-4.0, "not a day"),
        (float("nan"), "not a day"),
        (1e12, "not a day"),
    ],
)
def test_what_is_no_day_for_certain_says_why(cell, because):
    with pytest.raises(UnreadableDay, match=because):
        read_day(cell)


def test_two_digit_years_mean_what_was_told():
    assert read_day("1 Mar 85", century=Century.SPLIT) == date(1985, 3, 1)
    assert read_day("1 Mar 49", century=Century.SPLIT) == date(2049, 3, 1)
    assert read_day("1 Mar 85", century=Century.ALL_2000) == date(2085, 3, 1)


def test_a_workbook_that_counts_from_1904_is_read_by_its_own_count():
    assert read_day(46447 - 1462, is_1904=True) == date(2027, 3, 1)


@pytest.mark.parametrize(
    ("values", "order"),
    [
        (["3.4.2027", "13.4.2027"], D),
        (["3/4/2027", "4/13/2027", ""], M),
        (["exp 3.4.2027", "expires 25.4.2027"], D),
        (["31-12-27", "1-2-99"], D),
    ],
)
def test_one_row_that_can_be_read_in_one_order_only_settles_the_column(values, order):
    asks = asks_of_column(values)
    assert (asks.order, asks.is_order_open) == (order, False)


def test_a_column_that_no_row_settles_is_asked_about_with_an_example():
    asks = asks_of_column(["3.4.2027", "5.6.2027", date(2027, 1, 1), 46000])
    assert (asks.is_order_open, asks.is_mixed, asks.example) == (True, False, "3.4.2027")


def test_a_column_that_mixes_orders_is_asked_about():
    asks = asks_of_column(["13.4.2027", "4/13/2027"])
    assert (asks.is_order_open, asks.is_mixed) == (True, True)


def test_a_column_where_the_order_makes_no_difference_is_not_asked_about():
    assert not asks_of_column(["5.5.2027", "2027-01-02", "1 March 2027"]).is_order_open


@pytest.mark.parametrize("value", ["1.2.27", "exp 03/27", "Mar 27", "1 Mar 27", "31.12.27"])
def test_two_digit_years_are_asked_about(value):
    assert asks_of_column([value]).is_century_open


@pytest.mark.parametrize(
    ("note", "end"),
    [
        ("Renewed; exp 03/2027", "03/2027"),
        ("expires 12.3.27 (see folder)", "12.3.27"),
        ("Experienced since 2003", None),
        ("exported 3/4", None),
        ("valid until 1 March 2027", "1 March 2027"),
    ],
)
def test_a_note_tells_of_an_end(note, end):
    assert end_in_note(note) == end


@given(DAYS)
def test_every_day_comes_back_from_every_way_of_writing_it(day):
    serial = (day - date(1899, 12, 30)).days
    ways = [day, datetime.combine(day, time(7)), serial, float(serial), day.isoformat(), f"{day:%d %B %Y}"]
    assert {read_day(way) for way in ways} == {day}
    assert read_day(f"{day:%d/%m/%Y}", order=D) == day
    assert read_day(f"{day:%m-%d-%Y}", order=M) == day
    assert read_day(f"exp. {day:%d.%m.%Y}", order=D, is_end=True) == day


@given(st.lists(DAYS, min_size=1), st.sampled_from([("%d.%m.%Y", D), ("%m/%d/%Y", M)]))
def test_a_settled_order_is_never_the_wrong_one(days, way):
    pattern, _ = way
    asks = asks_of_column([day.strftime(pattern) for day in days])
    if asks.order is not None:
        read = [read_day(day.strftime(pattern), order=asks.order) for day in days]
        assert read == days
    else:
        assert asks.is_order_open
        assert all(day.day <= 12 for day in days)


@given(st.text() | st.floats() | st.integers() | st.booleans() | st.timedeltas(max_value=timedelta(days=9)))
def test_whatever_a_cell_holds_it_is_a_day_within_the_years_or_is_refused(cell):
    for order in (None, D, M, Y):
        try:
            day = read_day(cell, order=order, century=Century.SPLIT, is_end=True)
        except UnreadableDay:
            continue
        assert day is None or FIRST_YEAR <= day.year <= LAST_YEAR
