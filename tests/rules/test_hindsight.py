"""Hindsight: the register changed its mind exactly where a plain replay of what was known changes."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from competence.rules.gate import MachineFacts, SiteFacts, StandardFacts
from competence.rules.grounds import grounds
from competence.rules.hindsight import (
    EventRow,
    EvidenceRow,
    MachineRecord,
    MachineStateRow,
    OperatorStateRow,
    PersonRecord,
    Record,
    RowKey,
    RowKind,
    StandardRow,
    StartRow,
    TicketChain,
    changes_of_mind,
    known_since,
    same_answer,
    verdict_as_known,
    without,
    written_down,
)
from competence.rules.requirements import Evidence, Requirement, RequirementKind, Scope
from competence.rules.standing import Event, EventKind, Level

BEGAN = datetime(2026, 3, 1, 6, tzinfo=UTC)
AT = BEGAN + timedelta(days=10)
END = BEGAN + timedelta(days=30)
SITE = SiteFacts("THORN", "Thornbeck", "Europe/London")
MACHINE = MachineFacts("EX-01", "Torvane TX220", "excavator", "Excavator", SITE)
MEDICAL = Requirement(RequirementKind.MEDICAL, months=24)


def day(number):
    return BEGAN + timedelta(days=number)


def issue(recorded=0, **more):
    fields = {"level": Level.FULL, "first_day": date(2026, 1, 1), "last_day": date(2028, 1, 1)}
    return Event(1, EventKind.ISSUED, day(min(recorded, 0)), day(recorded), **fields | more)


def record(events=None, evidence=(), standards=None, states=None, machine_states=None, starts=()):
    """Somebody whom the gate lets take the machine out, but for what a test says otherwise."""
    events = [issue()] if events is None else events
    person = PersonRecord(
        "T-1",
        "Ada Ashworth",
        date(2020, 1, 1),
        states=tuple(states or [OperatorStateRow(1, BEGAN, BEGAN, True)]),
        tickets=(
            TicketChain("T0001", "excavator", tuple(EventRow(event.sequence, event) for event in events)),
        ),
        evidence=tuple(evidence),
        starts=tuple(starts),
    )
    versions = standards or [StandardRow(1, "excavator", BEGAN, StandardFacts(1, date(2020, 1, 1)))]
    machine = MachineRecord(
        "EX-01",
        tuple(machine_states or [MachineStateRow(1, BEGAN, BEGAN, MACHINE)]),
        tuple(versions),
    )
    return Record(person, machine)


def changes(found, since=AT, until=END):
    return changes_of_mind(found, at=AT, since=since, until=until)


def test_where_nothing_came_later_the_register_never_changed_its_mind():
    assert changes(record()) == ()


def test_a_suspension_written_down_late_is_one_change_of_mind():
    late = Event(2, EventKind.SUSPENDED, day(9), day(12))
    (change,) = changes(record([issue(), late]))
    assert change.recorded_at == day(12)
    assert change.rows == (RowKey(RowKind.TICKET_EVENT, 2),)
    assert change.turned
    assert [reason.code for reason in change.come] == ["ticket_suspended"]
    assert change.gone == ()


def test_what_was_written_down_later_but_counts_from_after_the_moment_changes_nothing():
    assert changes(record([issue(), Event(2, EventKind.SUSPENDED, day(11), day(12))])) == ()


def test_struck_out_again_the_answer_comes_back():
    late = Event(2, EventKind.SUSPENDED, day(9), day(12))
    struck = Event(3, EventKind.CORRECTED, day(9), day(15), corrects=2, strikes_out=True)
    assert [(one.recorded_at, one.after.is_allowed) for one in changes(record([issue(), late, struck]))] == [
        (day(12), False),
        (day(15), True),
    ]


def test_two_rows_written_down_at_once_that_only_together_turn_the_answer_are_both_named():
    asking = StandardRow(2, "excavator", day(12), StandardFacts(2, date(2026, 3, 2), requirements=(MEDICAL,)))
    first = record().machine.standards[0]
    inactive = OperatorStateRow(2, day(9), day(12), False)
    found = record(standards=[first, asking], states=[OperatorStateRow(1, BEGAN, BEGAN, True), inactive])
    (change,) = changes(found)
    assert set(change.rows) == {
        RowKey(RowKind.STANDARD_VERSION, 2),
        RowKey(RowKind.OPERATOR_STATE, 2),
    }


def test_where_no_single_row_was_needed_all_of_that_moment_are_named():
    medicals = [
        EvidenceRow(key, day(12), Evidence(RequirementKind.MEDICAL, date(2026, 3, 1))) for key in (1, 2)
    ]
    asking = StandardRow(1, "excavator", BEGAN, StandardFacts(1, date(2020, 1, 1), requirements=(MEDICAL,)))
    (change,) = changes(record(evidence=medicals, standards=[asking]))
    assert change.rows == (RowKey(RowKind.EVIDENCE, 1), RowKey(RowKind.EVIDENCE, 2))


def test_a_first_day_put_right_counts_from_the_entry_that_put_it_right():
    refresher = Requirement(RequirementKind.REFRESHER, months=12)
    asking = StandardRow(1, "excavator", BEGAN, StandardFacts(1, date(2020, 1, 1), requirements=(refresher,)))
    starts = [StartRow(1, BEGAN, date(2026, 1, 1)), StartRow(2, day(12), date(2020, 1, 1))]
    (change,) = changes(record(standards=[asking], starts=starts))
    assert change.rows == (RowKey(RowKind.OPERATOR, 2),)
    assert [reason.code for reason in change.come] == ["refresher_not_met"]


def test_the_register_knows_of_both_from_when_the_later_of_them_was_written_down():
    found = record(machine_states=[MachineStateRow(1, day(-5), day(3), MACHINE)])
    assert known_since(found) == day(3)
    assert known_since(replace(found, person=None)) is None


def test_without_a_row_its_corrections_go_too():
    late = Event(2, EventKind.SUSPENDED, day(9), day(12))
    struck = Event(3, EventKind.CORRECTED, day(9), day(15), corrects=2, strikes_out=True)
    left = without(record([issue(), late, struck]), RowKey(RowKind.TICKET_EVENT, 2))
    assert [row.key for row in left.person.tickets[0].events] == [1]


# The grounds of a requirement -----------------------------------------------------------------------------


def test_the_latest_day_decides_and_only_its_rows_are_the_grounds():
    rows = [
        EvidenceRow(key, BEGAN, Evidence(RequirementKind.MEDICAL, date(2026, 3, key))) for key in (1, 2, 3)
    ]
    scope = Scope(frozenset({"excavator"}), "THORN", "Torvane TX220", date(2020, 1, 1))
    found, deciding = grounds(MEDICAL, rows, scope, date(2026, 3, 2))
    assert found.is_met
    assert [row.key for row in deciding] == [2]


def test_hours_add_up_so_that_every_session_is_among_the_grounds():
    hours = Requirement(RequirementKind.TRAINING_HOURS, hours=8)
    rows = [
        EvidenceRow(key, BEGAN, Evidence(RequirementKind.TRAINING_HOURS, date(2026, 3, key), hours=4))
        for key in (1, 2)
    ]
    scope = Scope(frozenset({"excavator"}), "THORN", "", date(2020, 1, 1))
    found, deciding = grounds(hours, rows, scope, date(2026, 3, 5))
    assert found.is_met
    assert [row.key for row in deciding] == [2, 1]


# Against a plain replay ---------------------------------------------------------------------------------

moments = st.integers(0, 20).map(day)


@st.composite
def chains(draw):
    """An issue and what followed, in the order of writing down; each effective no later than written."""
    written = sorted(draw(st.lists(st.integers(0, 20), min_size=1, max_size=7)))
    events = [
        replace(issue(), effective_at=day(draw(st.integers(0, written[0]))), recorded_at=day(written[0]))
    ]
    for sequence, recorded in enumerate(written[1:], start=2):
        kind = draw(st.sampled_from([one for one in EventKind if one is not EventKind.ISSUED]))
        fields = {}
        if kind in (EventKind.VARIED, EventKind.RENEWED, EventKind.CORRECTED):
            last_day = draw(st.sampled_from([date(2026, 3, 5), date(2027, 1, 1)]))
            fields = {"first_day": date(2026, 1, 1), "last_day": last_day}
        if kind is EventKind.CORRECTED:
            fields["corrects"] = draw(st.integers(1, sequence - 1))
            fields["strikes_out"] = draw(st.booleans())
            fields["level"] = Level.FULL
        events.append(Event(sequence, kind, day(draw(st.integers(0, recorded))), day(recorded), **fields))
    return events


@st.composite
def evidence_rows(draw):
    rows, free = [], []
    for key in range(1, draw(st.integers(0, 5)) + 1):
        recorded = draw(st.integers((rows[-1].recorded_at - BEGAN).days if rows else 0, 20))
        corrects = draw(st.sampled_from([None, *free]))
        fact = Evidence(
            RequirementKind.MEDICAL,
            date(2026, 3, 1) + timedelta(days=draw(st.integers(0, recorded))),
            is_met=draw(st.booleans()),
        )
        strikes_out = corrects is not None and draw(st.booleans())
        rows.append(EvidenceRow(key, day(recorded), fact, corrects, strikes_out))
        free = [one for one in [*free, key] if one != corrects]
    return rows


@st.composite
def records(draw):
    starts = draw(st.lists(st.integers(-40, 20), min_size=1, max_size=3, unique=True))
    versions = [
        StandardRow(
            number,
            "excavator",
            draw(moments),
            StandardFacts(
                number,
                date(2026, 3, 1) + timedelta(days=start),
                requirements=(MEDICAL,) if draw(st.booleans()) else (),
            ),
        )
        for number, start in enumerate(starts, start=1)
    ]
    return record(
        draw(chains()),
        draw(evidence_rows()),
        versions,
        [OperatorStateRow(k, *_in_order(draw), draw(st.booleans())) for k in range(draw(st.integers(1, 3)))],
        [
            MachineStateRow(k, *_in_order(draw), replace(MACHINE, is_in_service=draw(st.booleans())))
            for k in range(draw(st.integers(1, 3)))
        ],
    )


def _in_order(draw):
    return sorted((draw(moments), draw(moments)))


def held_by(found, known_at):
    """A fresh register that holds only what was written down by then."""
    person, machine = found.person, found.machine
    return Record(
        replace(
            person,
            states=tuple(row for row in person.states if row.recorded_at <= known_at),
            tickets=tuple(
                replace(chain, events=tuple(row for row in chain.events if row.event.recorded_at <= known_at))
                for chain in person.tickets
            ),
            evidence=tuple(row for row in person.evidence if row.recorded_at <= known_at),
        ),
        replace(
            machine,
            states=tuple(row for row in machine.states if row.recorded_at <= known_at),
            standards=tuple(row for row in machine.standards if row.recorded_at <= known_at),
        ),
    )


@given(records(), st.integers(0, 20))
def test_the_changes_of_mind_are_exactly_where_a_plain_replay_changes(found, since):
    every_day = [day(number) for number in range(since, 31)]
    replayed = [verdict_as_known(held_by(found, moment), at=AT, known_at=END) for moment in every_day]
    expected = [
        (moment, before, after)
        for moment, before, after in zip(every_day[1:], replayed, replayed[1:], strict=False)
        if not same_answer(before, after)
    ]
    told = changes(found, since=day(since))
    assert [one.recorded_at for one in told] == [moment for moment, _, _ in expected]
    for one, (_, before, after) in zip(told, expected, strict=True):
        assert same_answer(one.before, before)
        assert same_answer(one.after, after)


@given(records())
def test_each_named_row_was_written_down_at_that_moment_and_without_any_the_answer_would_stay(found):
    when = written_down(found)
    for change in changes(found, since=BEGAN - timedelta(days=1)):
        assert change.rows
        assert {when[row] for row in change.rows} == {change.recorded_at}
        stripped = found
        for row, moment in when.items():
            if moment == change.recorded_at:
                stripped = without(stripped, row)
        kept = verdict_as_known(stripped, at=AT, known_at=change.recorded_at)
        assert same_answer(kept, change.before)
