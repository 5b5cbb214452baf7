"""The roster gives the gate's own answers, only sooner."""

from dataclasses import replace
from datetime import UTC, date, datetime

from hypothesis import given
from hypothesis import strategies as st

from competence.rules.gate import Snapshot, decide
from competence.rules.requirements import Evidence
from competence.rules.roster import decide_roster
from tests.rules.facts import ADA, DUMPER, EAST, NOON, STANDARD, Kind
from tests.rules.test_gate import MOMENTS, STANDARDS, people

FAR = replace(EAST, code="FAR", name="Far Quarry", zone="Pacific/Auckland", latitude=-37.0, longitude=174.8)
MACHINES = st.builds(
    replace,
    st.just(DUMPER),
    number=st.sampled_from(["DT001", "DT002", "DT003"]),
    site=st.sampled_from([EAST, FAR, replace(EAST, latitude=None, longitude=None)]),
    machine_model=st.sampled_from(["Invented 30", "invented  30", "Invented 40"]),
    operating_mass_kg=st.sampled_from([24_000, None, 60_000]),
    attachments=st.sampled_from([frozenset(), frozenset({"tow-hitch"})]),
    is_in_service=st.booleans(),
    category=st.sampled_from(["dumper", "dumper-rigid"]),
)
VERSIONS = st.lists(STANDARDS, max_size=2).map(
    lambda versions: tuple(replace(v, number=number) for number, v in enumerate(versions))
)


@given(
    st.lists(st.one_of(people("OP1"), people("OP2")), max_size=3),
    st.lists(st.tuples(MACHINES, VERSIONS), max_size=5),
    MOMENTS,
)
def test_a_roster_says_of_each_what_the_gate_says(persons, asked, at):
    for person, verdicts in decide_roster(persons, asked, at):
        assert verdicts == tuple(decide(Snapshot(person, machine, own), at) for machine, own in asked)


def test_a_day_that_has_ended_at_one_site_has_not_at_another():
    """At noon on 31 May in London it is 1 June in Auckland already, and the medical is out there only."""
    at = datetime(2026, 5, 31, 13, tzinfo=UTC)
    medical = Evidence(Kind.MEDICAL, date(2024, 5, 31))
    only_medical = (replace(STANDARD, requirements=STANDARD.requirements[1:2]),)
    person = replace(ADA, evidence=(medical,))
    far = replace(DUMPER, site=FAR)
    for machines, expected in (([DUMPER, far], [True, False]), ([far, DUMPER], [False, True])):
        asked = [(machine, only_medical) for machine in machines]
        ((_, verdicts),) = decide_roster([person], asked, at)
        assert [verdict.is_allowed for verdict in verdicts] == expected


def test_nobody_and_nothing():
    assert list(decide_roster([], [(DUMPER, (STANDARD,))], NOON)) == []
    assert list(decide_roster([ADA], [], NOON)) == [(ADA, ())]
