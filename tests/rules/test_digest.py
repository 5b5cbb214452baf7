"""What a digest says and when: news once, quiet hours."""

from datetime import time

import pytest

from assessments.rules.digest import Line, QuietHours, Section, news, over


def line(thing, state="as it was", section=Section.DUE):
    return Line(section, thing, state, thing, f"is {state}", "home")


def test_what_was_told_is_no_news_until_it_changes():
    assert news([line("a"), line("b", "new")], {"a": "as it was", "b": "old"}) == [line("b", "new")]


def test_a_thing_that_stands_twice_is_told_once():
    first, again = line("a", section=Section.SHORT), line("a", section=Section.DUE)
    assert news([first, again], {}) == [first]


def test_what_stops_a_machine_stands_first():
    told = news([line("a"), line("b", section=Section.STOPPED)], {})
    assert [one.thing for one in told] == ["b", "a"]


def test_what_concerns_somebody_no_more_is_forgotten():
    assert over([line("a")], {"a": "as it was", "gone": "x"}) == {"gone"}


@pytest.mark.parametrize(
    ("clock", "is_quiet"),
    [
        (time(19, 59, 59), False),
        (time(20, 0), True),
        (time(23, 59, 59), True),
        (time(0, 0), True),
        (time(4, 59, 59), True),
        (time(5, 0), False),
        (time(12, 0), False),
    ],
)
def test_quiet_hours_go_over_midnight(clock, is_quiet):
    assert QuietHours.read("20:00-05:00").hold(clock) is is_quiet


def test_quiet_hours_within_a_day_and_none_at_all():
    noon = QuietHours.read("12:00-13:30")
    assert [noon.hold(time(h, 0)) for h in (11, 12, 13, 14)] == [False, True, True, False]
    assert QuietHours.read("") is None


@pytest.mark.parametrize("text", ["20:00", "eight-five", "25:00-05:00", "20:00 05:00"])
def test_hours_that_are_none_are_refused(text):
    with pytest.raises(ValueError):  # noqa: PT011  the reason is Python's own
        QuietHours.read(text)
