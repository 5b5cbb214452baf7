"""Conditions: what a ticket is limited to, and when the sun is up."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from astral import Observer
from astral.sun import sunrise, sunset
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.conditions import Conditions, is_daylight

CODES = st.frozensets(st.sampled_from(["EAST", "WEST", "NORTH"]))
CONDITIONS = st.builds(
    Conditions,
    sites=st.none() | CODES,
    max_operating_mass_kg=st.none() | st.integers(1, 500_000),
    attachments=st.none() | CODES,
    daylight_only=st.booleans(),
)


@given(CONDITIONS)
def test_conditions_survive_being_stored(conditions):
    assert Conditions.from_plain(conditions.as_plain()) == conditions


def test_no_conditions_limit_nothing():
    assert Conditions.from_plain(None) == Conditions.from_plain({}) == Conditions()
    assert not Conditions()


@pytest.mark.parametrize(
    "plain", [{"sites": []}, {"attachments": []}, {"max_operating_mass_kg": 1}, {"daylight_only": True}]
)
def test_an_empty_list_limits_to_none_at_all(plain):
    """An empty list is not the same as no limit: it allows nothing."""
    assert Conditions.from_plain(plain)
    assert Conditions.from_plain(plain).as_plain() == plain


def test_a_condition_that_cannot_be_read_is_not_passed_over():
    with pytest.raises(ValueError, match="unknown ticket conditions: night_only, with_banksman"):
        Conditions.from_plain({"with_banksman": True, "night_only": True})


PLACES = [(53.0, -1.5), (-33.4, -70.6), (0.0, 36.8), (40.7, -74.0), (-31.6, 159.1)]


@pytest.mark.parametrize(("latitude", "longitude"), PLACES)
@pytest.mark.parametrize("day", [date(2026, 3, 20), date(2026, 6, 21), date(2026, 9, 23), date(2026, 12, 21)])
def test_daylight_starts_and_ends_with_the_almanac_s_sunrise_and_sunset(latitude, longitude, day):
    """astral's own sunrise and sunset (zenith 90.833 degrees) bound our daylight, to two minutes."""
    place = Observer(latitude, longitude)
    rise, fall = (edge(place, date=day, tzinfo=UTC) for edge in (sunrise, sunset))
    near = timedelta(minutes=2)
    assert not is_daylight(latitude, longitude, rise - near)
    assert is_daylight(latitude, longitude, rise + near)
    assert is_daylight(latitude, longitude, fall - near)
    assert not is_daylight(latitude, longitude, fall + near)


def test_the_moment_counts_and_not_the_zone_it_is_written_in():
    noon = datetime(2026, 6, 21, 12, tzinfo=UTC)
    for hours in (-11, 0, 13):
        assert is_daylight(53.0, -1.5, noon.astimezone(timezone(timedelta(hours=hours))))


@pytest.mark.parametrize("hour", range(0, 24, 3))
def test_above_the_polar_circle_the_sun_neither_sets_in_june_nor_rises_in_december(hour):
    """Tromsø, 69.65 N: midnight sun from May to July, polar night from November to January (from memory)."""
    assert is_daylight(69.65, 18.96, datetime(2026, 6, 21, hour, tzinfo=UTC))
    assert not is_daylight(69.65, 18.96, datetime(2026, 12, 21, hour, tzinfo=UTC))


@pytest.mark.parametrize("hour", range(0, 24, 3))
def test_at_the_poles_half_the_year_is_day(hour):
    assert is_daylight(90.0, 0.0, datetime(2026, 6, 21, hour, tzinfo=UTC))
    assert not is_daylight(-90.0, 0.0, datetime(2026, 6, 21, hour, tzinfo=UTC))


def test_the_day_of_the_equinox_is_a_little_longer_than_the_night():
    """The upper limb and refraction give the day some minutes more than twelve hours, by the definition."""
    minutes = sum(
        is_daylight(0.0, 0.0, datetime(2026, 3, 20, tzinfo=UTC) + timedelta(minutes=minute))
        for minute in range(1440)
    )
    assert 724 <= minutes <= 730
