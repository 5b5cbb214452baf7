"""Cover is what the gate would say of everybody, every day; here it is asked, every day."""

from dataclasses import replace
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from competence.rules.cover import Horizon, Span, count, first_short, joined, spans_of
from competence.rules.dates import first_moment
from competence.rules.gate import Snapshot, decide, zone_named
from competence.rules.requirements import Evidence, Requirement
from competence.rules.standing import Level
from tests.rules.facts import ADA, DUMPER, EAST, STANDARD, TODAY, Kind, limited, ticket
from tests.rules.test_gate import STANDARDS, people
from tests.rules.test_roster import MACHINES

HORIZON = Horizon(TODAY, 60)
DAY = timedelta(days=1)


def allowed_all_day(person, machines, day) -> bool:
    """By brute force: the gate says yes at the first and in the last minute of the day, for one machine."""
    for machine, standards in machines:
        first = first_moment(day, zone_named(machine.site.zone))
        last = first_moment(day + DAY, zone_named(machine.site.zone)) - timedelta(minutes=1)
        verdicts = [decide(Snapshot(person, machine, standards), at) for at in (first, last)]
        if all(verdict.is_allowed and verdict.level is Level.FULL for verdict in verdicts):
            return True
    return False


def days_of(spans) -> set[date]:
    return {span.first + DAY * n for span in spans for n in range((span.last - span.first).days + 1)}


def by_brute_force(person, machines, horizon) -> set[date]:
    days = (horizon.first + DAY * n for n in range(horizon.days))
    return {day for day in days if allowed_all_day(person, machines, day)}


VERSIONS = st.lists(
    st.tuples(STANDARDS, st.dates(date(2026, 1, 1), date(2026, 7, 20))), min_size=1, max_size=3
).map(
    lambda pairs: tuple(
        replace(version, number=number, in_force_from=start) for number, (version, start) in enumerate(pairs)
    )
)


@settings(max_examples=60, deadline=None)
@given(people("OP1"), st.lists(st.tuples(MACHINES, VERSIONS), min_size=1, max_size=3))
def test_a_persons_spans_are_the_days_on_which_the_gate_says_yes(person, machines):
    # One site: cover is a site's.
    machines = [(replace(machine, site=EAST), versions) for machine, versions in machines]
    assert days_of(spans_of(person, machines, HORIZON)) == by_brute_force(person, machines, HORIZON)


ENDS = st.one_of(st.none(), st.dates(date(2026, 5, 20), date(2026, 8, 10)))


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.dates(date(2026, 5, 1), date(2026, 8, 1)), st.integers(0, 90), st.booleans()), max_size=3
    ),
    ENDS,
    st.lists(st.tuples(ENDS, st.integers(1, 6)), max_size=3),
)
def test_ends_of_tickets_medicals_and_hours_are_seen_coming(periods, medical_end, sessions):
    tickets = tuple(
        ticket(f"T{n}", first_day=first, last_day=first + DAY * length, is_suspended=stopped)
        for n, (first, length, stopped) in enumerate(periods)
    )
    evidence = (
        Evidence(Kind.MEDICAL, date(2026, 1, 5), counts_to=medical_end),
        *(Evidence(Kind.REFRESHER, date(2026, 1, 5), hours=hours, counts_to=end) for end, hours in sessions),
    )
    asks = (Requirement(Kind.MEDICAL, months=24), Requirement(Kind.REFRESHER, hours=6))
    machines = [(DUMPER, (replace(STANDARD, requirements=asks),))]
    person = replace(ADA, tickets=tickets, evidence=evidence)
    assert days_of(spans_of(person, machines, HORIZON)) == by_brute_force(person, machines, HORIZON)


def test_a_ticket_for_daylight_only_covers_no_whole_day():
    person = replace(ADA, tickets=(limited(daylight_only=True),))
    assert spans_of(person, [(DUMPER, (STANDARD,))], HORIZON) == []


def test_a_trainee_covers_nothing_alone():
    person = replace(ADA, tickets=(ticket(level=Level.TRAINEE),))
    assert spans_of(person, [(DUMPER, (STANDARD,))], HORIZON) == []


def test_a_new_version_of_the_standard_is_seen_coming():
    stricter = replace(
        STANDARD,
        number=3,
        in_force_from=TODAY + DAY * 10,
        requirements=(Requirement(Kind.MEDICAL, months=3),),
    )
    spans = spans_of(ADA, [(DUMPER, (STANDARD, stricter))], HORIZON)
    assert spans == [Span(TODAY, TODAY + DAY * 9)]


SPANS = st.builds(
    lambda first, length: Span(first, first + DAY * length),
    st.dates(date(2026, 5, 1), date(2026, 9, 1)),
    st.integers(0, 90),
)


@given(st.lists(SPANS, max_size=8))
def test_counting_by_steps_is_counting_day_by_day(spans):
    days = [HORIZON.first + DAY * n for n in range(HORIZON.days)]
    expected = [sum(span.first <= day <= span.last for span in spans) for day in days]
    assert count(spans, HORIZON).tolist() == expected


@given(st.lists(SPANS, max_size=8))
def test_joining_changes_no_day_and_leaves_gaps_between(spans):
    merged = joined(spans)
    assert days_of(merged) == days_of(spans)
    assert all(one.last + DAY < other.first for one, other in pairwise(merged))


def test_the_first_short_day():
    counts = count([Span(TODAY, TODAY + DAY * 4), Span(TODAY, TODAY + DAY * 20)], HORIZON)
    assert first_short(counts, 2, HORIZON) == TODAY + DAY * 5
    assert first_short(counts, 1, HORIZON) == TODAY + DAY * 21
    assert first_short(np.array([3, 3]), 2, HORIZON) is None
