"""One instant is several dates. The days are the IANA time zone database's, by zoneinfo, worked out apart."""

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from competence.rules.dates import day_at
from competence.rules.gate import decide
from tests.rules.facts import EAST, STANDARD, ticket, with_machine, with_tickets

INSTANTS = [
    ("2026-06-30T23:30Z", "Europe/London", date(2026, 7, 1)),
    ("2026-06-30T23:30Z", "Australia/Sydney", date(2026, 7, 1)),
    ("2026-06-30T23:30Z", "America/New_York", date(2026, 6, 30)),
    ("2026-12-31T22:30Z", "Europe/London", date(2026, 12, 31)),
    ("2026-12-31T22:30Z", "America/Denver", date(2026, 12, 31)),
    ("2026-12-31T22:30Z", "Europe/Helsinki", date(2027, 1, 1)),
]


@pytest.mark.parametrize(("instant", "zone", "day"), INSTANTS)
def test_an_instant_falls_on_its_zone_s_day(instant, zone, day):
    assert day_at(datetime.fromisoformat(instant), ZoneInfo(zone)) == day


@pytest.mark.parametrize(
    ("last_day", "instant", "zone", "is_allowed"),
    [
        (date(2026, 6, 30), "2026-06-30T23:30Z", "Europe/London", False),
        (date(2026, 6, 30), "2026-06-30T23:30Z", "Australia/Sydney", False),
        (date(2026, 6, 30), "2026-06-30T23:30Z", "America/New_York", True),
        (date(2026, 12, 31), "2026-12-31T22:30Z", "Europe/London", True),
        (date(2026, 12, 31), "2026-12-31T22:30Z", "America/Denver", True),
        (date(2026, 12, 31), "2026-12-31T22:30Z", "Europe/Helsinki", False),
    ],
)
def test_a_ticket_to_a_day_is_judged_on_the_site_s_calendar(last_day, instant, zone, is_allowed):
    held = with_tickets(ticket(last_day=last_day))
    at_site = with_machine(held, site=replace(EAST, zone=zone))
    nothing_else_ends = replace(at_site, standards=(replace(STANDARD, requirements=()),))
    assert decide(nothing_else_ends, datetime.fromisoformat(instant)).is_allowed is is_allowed
