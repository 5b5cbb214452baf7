"""From rows to a verdict: the last day on the site's own calendar, the two times, and what it costs."""

from datetime import UTC, date, datetime, timedelta
from io import StringIO

import pytest
from django.core.management import call_command
from django.utils import timezone

from competence.actions.clock import as_if_at
from competence.actions.corrections import Correction, correct_event
from competence.actions.evidence import correct_evidence
from competence.actions.tickets import suspend_ticket
from competence.queries.gate import snapshot
from competence.queries.roster import site_roster
from competence.rules.gate import decide
from competence.rules.roster import decide_roster
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    EvidenceFactory,
    FeatureFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    OperatorStateFactory,
    SiteFactory,
    StandardVersionFactory,
    TicketEventFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


def a_machine(zone="Europe/London", **more):
    machine = MachineFactory(site=SiteFactory(zone=zone), **more)
    plain_standard(machine.state.category)
    return machine


def refused_for(operator, machine, at, known_at=None):
    facts = snapshot(operator=operator.number, machine=machine.fleet_number, at=at, known_at=known_at or at)
    return [reason.code.value for reason in decide(facts, at).reasons]


def exit_code(operator, machine, **options):
    """What the command ends with: 0 allowed, 3 refused."""
    try:
        call_command("gate", operator.number, machine.fleet_number, stdout=StringIO(), **options)
    except SystemExit as end:
        return end.code
    return 0


# The last day of a ticket, and the zone's midnight after it in UTC, worked out by hand from the zone's rules:
# clocks change on the last Sundays of March and October in London, on the second of March and the first of
# November in New York, and on the first of April and October on Lord Howe, there by half an hour.
LAST_DAYS = [
    ("Europe/London", "2026-03-28", "2026-03-29T00:00"),
    ("Europe/London", "2026-03-29", "2026-03-29T23:00"),
    ("Europe/London", "2026-10-24", "2026-10-24T23:00"),
    ("Europe/London", "2026-10-25", "2026-10-26T00:00"),
    ("Europe/London", "2027-02-28", "2027-03-01T00:00"),
    ("Europe/London", "2028-02-28", "2028-02-29T00:00"),
    ("Europe/London", "2028-02-29", "2028-03-01T00:00"),
    ("America/New_York", "2026-03-07", "2026-03-08T05:00"),
    ("America/New_York", "2026-03-08", "2026-03-09T04:00"),
    ("America/New_York", "2026-10-31", "2026-11-01T04:00"),
    ("America/New_York", "2026-11-01", "2026-11-02T05:00"),
    ("America/New_York", "2028-02-28", "2028-02-29T05:00"),
    ("America/New_York", "2028-02-29", "2028-03-01T05:00"),
    ("Australia/Lord_Howe", "2026-04-04", "2026-04-04T13:00"),
    ("Australia/Lord_Howe", "2026-04-05", "2026-04-05T13:30"),
    ("Australia/Lord_Howe", "2026-10-03", "2026-10-03T13:30"),
    ("Australia/Lord_Howe", "2026-10-04", "2026-10-04T13:00"),
    ("Australia/Lord_Howe", "2028-02-29", "2028-02-29T13:00"),
]


@pytest.mark.parametrize(("zone", "last_day", "midnight"), LAST_DAYS)
def test_a_ticket_counts_on_its_last_day_and_not_on_the_next(zone, last_day, midnight, time_machine):
    ends_on, next_day_at = date.fromisoformat(last_day), datetime.fromisoformat(midnight).replace(tzinfo=UTC)
    time_machine.move_to(next_day_at - timedelta(days=100), tick=False)
    machine = a_machine(zone)
    operator = authorised_operator(machine, last_day=ends_on)

    assert refused_for(operator, machine, next_day_at - timedelta(microseconds=1)) == []
    assert refused_for(operator, machine, next_day_at) == ["ticket_ended"]
    # From a terminal, by the clocks of the site.
    assert exit_code(operator, machine, at=f"{ends_on}T00:00") == 0
    assert exit_code(operator, machine, at=f"{ends_on}T23:59") == 0
    assert exit_code(operator, machine, at=f"{ends_on + DAY}T00:00") == 3


def test_the_calendar_is_that_of_the_site_where_the_machine_stands_and_not_of_the_home_site(time_machine):
    """At 23:30 on 30 June in London it is 1 July on Lord Howe."""
    time_machine.move_to(datetime(2026, 5, 1, tzinfo=UTC), tick=False)
    london = a_machine("Europe/London", make_and_model="Invented 30 articulated")
    far = MachineFactory(site=SiteFactory(zone="Australia/Lord_Howe"), category=london.state.category)
    operator = authorised_operator(london, last_day=date(2026, 6, 30))
    EvidenceFactory(operator=operator, kind="induction", site=far.site)
    late = datetime(2026, 6, 30, 22, 30, tzinfo=UTC)
    assert refused_for(operator, london, late) == []
    assert refused_for(operator, far, late) == ["ticket_ended"]


# Two times ---------------------------------------------------------------------------------------------


@pytest.fixture
def days():
    """Noon, ten days ago, and the days after it."""
    start = timezone.now().replace(hour=12, minute=0, second=0, microsecond=0) - timedelta(days=10)
    return [start + number * DAY for number in range(10)]


def iso(moment):
    return moment.isoformat()


def test_a_verdict_as_known_before_a_correction_and_after_it(days):
    """The issue said a day too many: entered on day 0, found out on day 6, asked about day 4."""
    machine, trainer = a_machine(), AccountFactory(roles=["trainer"])
    operator = authorised_operator(machine)
    issue = operator.tickets.get().events.get()
    should_say = Correction(issue.effective_at, issue.level, issue.first_day, days[3].date())
    with as_if_at(days[6]):
        correct_event(by=trainer, event=issue, reason="Misread the paper.", should_say=should_say)

    asked = days[4]
    assert refused_for(operator, machine, asked, known_at=days[5]) == []
    assert refused_for(operator, machine, asked, known_at=days[7]) == ["ticket_ended"]
    assert exit_code(operator, machine, at=iso(asked), known_at=iso(days[5])) == 0
    assert exit_code(operator, machine, at=iso(asked), known_at=iso(days[7])) == 3
    # Without --known-at, by what is known now.
    assert exit_code(operator, machine, at=iso(asked)) == 3


def test_a_suspension_that_never_should_have_been_is_known_until_it_is_struck_out(days):
    machine, trainer = a_machine(), AccountFactory(roles=["trainer"])
    operator = authorised_operator(machine)
    with as_if_at(days[2]):
        ticket = suspend_ticket(by=trainer, ticket=operator.tickets.get(), reason="The wrong Bellamy.")
    with as_if_at(days[6]):
        suspension = ticket.events.get(kind="suspended")
        correct_event(by=trainer, event=suspension, reason="Another person.", should_say=None)

    assert refused_for(operator, machine, days[4], known_at=days[5]) == ["ticket_suspended"]
    assert refused_for(operator, machine, days[4], known_at=days[7]) == []
    # What was recorded that moment is known that moment, and not the moment before.
    assert refused_for(operator, machine, days[4], known_at=days[6]) == []
    before = days[6] - timedelta(microseconds=1)
    assert refused_for(operator, machine, days[4], known_at=before) == ["ticket_suspended"]


def test_evidence_is_known_as_it_stood_until_it_is_corrected(days):
    machine, trainer = a_machine(), AccountFactory(roles=["trainer"])
    operator = authorised_operator(machine)
    medical = operator.evidence.get(kind="medical")
    with as_if_at(days[6]):
        correct_evidence(by=trainer, evidence=medical, reason="Failed it.", is_met=False)
    assert refused_for(operator, machine, days[4], known_at=days[5]) == []
    assert refused_for(operator, machine, days[4], known_at=days[7]) == ["medical_not_met"]


# What it costs ------------------------------------------------------------------------------------------


def test_the_facts_are_read_in_three_statements_whatever_the_history(django_assert_num_queries):
    machine = a_machine()
    operator, supervisor = authorised_operator(machine), authorised_operator(machine)

    def ask():
        now = timezone.now()
        facts = snapshot(
            operator=operator.number,
            machine=machine.fleet_number,
            at=now,
            known_at=now,
            supervisor=supervisor.number,
            is_confirmed=True,
        )
        assert decide(facts, now).is_allowed

    with django_assert_num_queries(3):
        ask()
    for person in (operator, supervisor):
        for _ in range(6):
            TicketEventFactory(ticket=person.tickets.first(), kind="varied")
            TicketFactory(operator=person)
            EvidenceFactory(operator=person)
            OperatorStateFactory(operator=person)
    for _ in range(3):
        MachineStateFactory(machine=machine, features=[FeatureFactory(kind="attachment")])
        version = StandardVersionFactory(
            category=machine.state.category, accepts=[CategoryFactory(), CategoryFactory()]
        )
        assert version.number > 1
    with django_assert_num_queries(3):
        ask()


@pytest.mark.parametrize("missing", ["operator", "machine", "supervisor"])
def test_somebody_or_something_that_is_not_on_the_register_is_refused(missing, django_assert_max_num_queries):
    machine = a_machine()
    asked = {
        "operator": authorised_operator(machine).number,
        "machine": machine.fleet_number,
        "supervisor": None,
    }
    now = timezone.now()
    if missing == "supervisor":
        asked["operator"] = authorised_operator(machine, level="trainee").number
    with django_assert_max_num_queries(4):
        facts = snapshot(**asked | {missing: "NOBODY"}, at=now, known_at=now, is_confirmed=True)
    assert not decide(facts, now).is_allowed


# Everybody at once ---------------------------------------------------------------------------------------


def test_the_roster_of_a_mixed_site_says_of_each_pair_what_the_gate_says():
    site = SiteFactory(zone="America/New_York")
    dumper, loader, crane = CategoryFactory(), CategoryFactory(), CategoryFactory()
    breaker = FeatureFactory(kind="attachment")
    machines = [
        MachineFactory(site=site, category=dumper),
        MachineFactory(site=site, category=dumper, operating_mass_kg=60_000, features=[breaker]),
        MachineFactory(site=site, category=dumper, make_and_model="Invented 40"),
        MachineFactory(site=site, category=dumper, is_in_service=False),
        MachineFactory(site=site, category=loader),
        # No standard is in force for it.
        MachineFactory(site=site, category=crane),
    ]
    plain_standard(dumper, accepts=[loader])
    StandardVersionFactory(category=loader, requirements={"medical": {"months": 1}})
    first = machines[0]

    def somebody(**ticket):
        return authorised_operator(first, operator=OperatorFactory(site=site), **ticket)

    people = [
        somebody(),
        somebody(level="trainee"),
        somebody(is_suspended=True),
        somebody(is_withdrawn=True),
        somebody(last_day=(timezone.now() - 2 * DAY).date()),
        somebody(first_day=(timezone.now() + 2 * DAY).date()),
        somebody(issued=False),
        somebody(conditions={"max_operating_mass_kg": 30_000, "attachments": []}),
        somebody(conditions={"sites": ["ELSEWHERE"]}),
        authorised_operator(machines[4], operator=OperatorFactory(site=site)),
        OperatorFactory(site=site),
    ]
    gone = somebody()
    OperatorStateFactory(operator=gone, is_active=False)
    EvidenceFactory(operator=people[0], kind="medical", is_met=False, occurred_on=timezone.now().date() - DAY)
    now = timezone.now()

    told = {
        (person.number, machine.number): verdict
        for persons, asked in [site_roster(site, at=now, known_at=now)]
        for person, verdicts in decide_roster(persons, asked, now)
        for (machine, _), verdict in zip(asked, verdicts, strict=True)
    }
    assert told.keys() == {(p.number, m.fleet_number) for p in [*people, gone] for m in machines}
    for (number, fleet_number), verdict in told.items():
        facts = snapshot(operator=number, machine=fleet_number, at=now, known_at=now)
        assert verdict == decide(facts, now), (number, fleet_number)
    # The site is mixed enough that agreeing says something.
    assert len({reason.code for verdict in told.values() for reason in verdict.reasons}) >= 10
    assert any(verdict.is_allowed for verdict in told.values())
