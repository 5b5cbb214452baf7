"""Daylight against sunrise and sunset times of public almanacs (from memory, to the minute), London."""

from datetime import datetime, timedelta

import pytest

from competence.rules.conditions import is_daylight

LONDON = (51.51, -0.13)
# Almanacs round to the minute and differ by the place taken for London.
NEAR = timedelta(minutes=3)


@pytest.mark.parametrize(
    ("sunrise", "sunset"),
    [
        ("2026-06-21T03:43Z", "2026-06-21T20:21Z"),  # 04:43 and 21:21 by summer time
        ("2026-12-21T08:04Z", "2026-12-21T15:53Z"),
    ],
)
def test_the_solstices_in_london(sunrise, sunset):
    rise, fall = datetime.fromisoformat(sunrise), datetime.fromisoformat(sunset)
    assert [is_daylight(*LONDON, moment) for moment in (rise - NEAR, rise + NEAR)] == [False, True]
    assert [is_daylight(*LONDON, moment) for moment in (fall - NEAR, fall + NEAR)] == [True, False]
