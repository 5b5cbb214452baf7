"""Whether a machine worked unchecked: by example, and held against a plain count of shifts."""

from datetime import date, datetime, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.missed_checks import Check, DayState, Refused, Shift, Slot, Stop, Use, judge

MON = date(2026, 3, 2)
DAY = timedelta(days=1)
DAYS = [MON + DAY * n for n in range(7)]


def slot(day, shift="day"):
    return Slot(MON + DAY * day, Shift(shift))


def use(day, shift="day", hours=8):
    return Use(MON + DAY * day, Shift(shift) if shift else None, Decimal(hours))


def check(day, shift="day", meter=None):
    return Check(f"check {day}", slot(day, shift), None if meter is None else Decimal(meter))


def states(**facts):
    return [day.states for day in judge(DAYS, **{"uses": [], "checks": [], **facts})]


def worst(day, **facts):
    return states(**facts)[day][0]


@pytest.mark.parametrize(
    ("hour", "day", "shift"),
    [(3, -1, "night"), (4, 0, "day"), (6, 0, "day"), (15, 0, "day"), (16, 0, "night"), (23, 0, "night")],
)
def test_a_check_is_for_the_shift_that_follows_it(hour, day, shift):
    assert Slot.of(datetime(2026, 3, 2, hour, 30)) == slot(day, shift)


def test_a_shift_worked_after_a_check_is_checked():
    assert worst(0, uses=[use(0)], checks=[check(0)]) is DayState.CHECKED


def test_a_check_of_the_day_shift_is_none_of_the_night_shift():
    found = judge(DAYS, uses=[use(0), use(0, "night")], checks=[check(0)])[0]
    assert found.states == (DayState.UNCHECKED, DayState.CHECKED)
    assert [one.shift for one in found.unchecked] == [Shift.NIGHT]


def test_a_use_of_no_named_shift_is_answered_by_any_check_of_its_day():
    assert worst(0, uses=[use(0, None)], checks=[check(0, "night")]) is DayState.CHECKED
    assert worst(0, uses=[use(0, None)], checks=[check(1)]) is DayState.UNCHECKED


def test_no_hours_say_that_the_machine_stood():
    assert worst(0, uses=[use(0, hours=0)]) is DayState.UNKNOWN


def test_nothing_known_is_neither_good_nor_bad():
    assert set(states()) == {(DayState.UNKNOWN,)}


def test_work_with_a_stop_use_defect_open_is_the_worst():
    stop = Stop("stop", slot(0), slot(3))
    assert worst(1, uses=[use(1)], checks=[check(1)], stops=[stop]) is DayState.WORKED_STOPPED
    assert worst(1, stops=[stop]) is DayState.STOPPED
    assert worst(4, stops=[stop]) is DayState.UNKNOWN


def test_a_defect_found_or_put_right_in_the_shift_says_nothing_of_the_rest_of_it():
    stop = Stop("stop", slot(1), slot(3))
    for day in (1, 3):
        assert worst(day, uses=[use(day)], checks=[check(day)], stops=[stop]) is DayState.STOPPED
    assert worst(1, uses=[use(1, "night")], stops=[stop]) is DayState.WORKED_STOPPED


def test_a_defect_still_open_has_no_last_day():
    assert worst(6, stops=[Stop("stop", slot(0))]) is DayState.STOPPED


def test_a_refusal_stands_beside_the_check_that_somebody_else_made():
    refused = Refused("refused", slot(2))
    assert states(checks=[check(2)], refusals=[refused])[2] == (DayState.REFUSED, DayState.CHECKED)


def test_hours_that_one_shift_cannot_have_made_are_somewhere_between():
    found = judge(DAYS, uses=[], checks=[check(0, meter=100), check(3, meter=130)])
    assert [day.worst for day in found[:4]] == [
        DayState.CHECKED,
        DayState.MOVED,
        DayState.MOVED,
        DayState.CHECKED,
    ]
    assert found[1].moved.hours == 18


def test_hours_that_the_checked_shift_can_have_made_are_explained():
    assert worst(1, checks=[check(0, meter=100), check(3, meter=112)]) is DayState.UNKNOWN


def test_recorded_hours_explain_the_meter_and_are_judged_themselves():
    uses = [use(0, hours=8), use(1, hours=9)]
    found = states(uses=uses, checks=[check(0, meter=100), check(3, meter="117.5")])
    assert found[1] == (DayState.UNCHECKED,)
    assert found[2] == (DayState.UNKNOWN,)


def test_a_day_whose_hours_are_recorded_is_none_of_those_not_known():
    uses = [use(0, hours=8), use(1, hours=9)]
    found = states(uses=uses, checks=[check(0, meter=100), check(3, meter=125)])
    assert found[1] == (DayState.UNCHECKED,)
    assert found[2] == (DayState.MOVED,)


def test_a_meter_that_went_back_was_changed_and_says_nothing():
    assert worst(1, checks=[check(0, meter=9000), check(3, meter=4)]) is DayState.UNKNOWN


def test_the_check_before_the_strip_is_compared_with_too():
    assert worst(0, checks=[check(-3, meter=100), check(2, meter=150)]) is DayState.MOVED


slots = st.tuples(st.integers(0, 6), st.sampled_from(["day", "night"]))


@given(worked=st.sets(slots), checked=st.sets(slots))
def test_the_shifts_told_unchecked_are_those_worked_less_those_checked(worked, checked):
    found = judge(
        DAYS,
        uses=[use(*one) for one in sorted(worked)],
        checks=[check(*one) for one in sorted(checked)],
    )
    told = {((one.on - MON).days, one.shift.value) for day in found for one in day.unchecked}
    assert told == worked - checked
    for number, day in enumerate(found):
        assert (DayState.CHECKED in day.states) == any(one[0] == number for one in checked)
        assert list(day.states) == sorted(day.states, key=list(DayState).index)


@given(
    moved=st.integers(0, 200),
    gap=st.integers(1, 6),
    known=st.lists(st.tuples(st.integers(1, 5), st.integers(1, 12)), unique_by=lambda one: one[0]),
)
def test_days_not_known_are_told_only_when_hours_are_left_over(moved, gap, known):
    uses = [use(day, hours=hours) for day, hours in known]
    found = judge(DAYS, uses=uses, checks=[check(0, meter=100), check(gap, meter=100 + moved)])
    explained = 12 + sum(hours for day, hours in known if day < gap)
    free = set(range(1, gap)) - {day for day, _ in known}
    told = {number for number, day in enumerate(found) if day.moved}
    assert told == (free if moved - explained >= 1 else set())
