"""Standing: the fold of a chain at one moment, as known at another."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.conditions import Conditions
from competence.rules.standing import Event, EventKind, Level, Standing, State, effective_events, standing

START = datetime(2026, 1, 1, tzinfo=UTC)
LATER = START + timedelta(days=10_000)
FIRST, LAST = date(2026, 1, 1), date(2028, 12, 31)
ISSUED = Event(1, EventKind.ISSUED, START, START, Level.FULL, FIRST, LAST, Conditions())


def on_day(days):
    return START + timedelta(days=days)


def event(sequence, kind, *, effective, recorded=None, **parts):
    """An event by day number; recorded on the day it takes effect unless it says otherwise."""
    recorded = effective if recorded is None else recorded
    return Event(sequence, EventKind(kind), on_day(effective), on_day(recorded), **parts)


def state_of(events, *, at=1000, known=None, on=date(2026, 6, 1)):
    held = standing(events, at=on_day(at), known_at=on_day(at if known is None else known))
    return held and held.state_on(on)


class TestChains:
    def test_without_events_there_is_no_ticket(self):
        assert standing([], at=LATER, known_at=LATER) is None

    def test_before_its_issue_takes_effect_there_is_no_ticket(self):
        assert standing([ISSUED], at=START - timedelta(seconds=1), known_at=LATER) is None
        assert standing([ISSUED], at=START, known_at=START) is not None

    @pytest.mark.parametrize(
        ("day", "state"),
        [
            (FIRST - timedelta(days=1), State.NOT_STARTED),
            (FIRST, State.IN_FORCE),
            (LAST, State.IN_FORCE),
            (LAST + timedelta(days=1), State.ENDED),
        ],
    )
    def test_first_and_last_day_both_count(self, day, state):
        assert standing([ISSUED], at=LATER, known_at=LATER).state_on(day) is state

    def test_a_renewal_keeps_level_and_conditions(self):
        issued = replace(ISSUED, level=Level.TRAINEE, conditions=Conditions(daylight_only=True))
        renewal = event(2, "renewed", effective=900, first_day=FIRST, last_day=date(2031, 12, 31))
        held = standing([issued, renewal], at=LATER, known_at=LATER)
        assert held == Standing(
            Level.TRAINEE, FIRST, date(2031, 12, 31), Conditions(daylight_only=True), on_day(900)
        )

    def test_a_variation_can_lift_conditions(self):
        issued = replace(ISSUED, conditions=Conditions(daylight_only=True))
        lifted = event(2, "varied", effective=5, conditions=Conditions())
        assert standing([issued, lifted], at=LATER, known_at=LATER).conditions == Conditions()

    def test_suspended_then_reinstated(self):
        chain = [ISSUED, event(2, "suspended", effective=10), event(3, "reinstated", effective=20)]
        assert [state_of(chain, at=day) for day in (9, 10, 19, 20)] == [
            State.IN_FORCE,
            State.SUSPENDED,
            State.SUSPENDED,
            State.IN_FORCE,
        ]

    def test_nothing_but_a_new_issue_undoes_a_withdrawal(self):
        chain = [
            ISSUED,
            event(2, "withdrawn", effective=10),
            event(3, "reinstated", effective=11),
            event(4, "renewed", effective=12, first_day=FIRST, last_day=LAST),
            event(5, "varied", effective=13, level=Level.FULL),
        ]
        assert state_of(chain) is State.WITHDRAWN
        withdrawn = standing(chain[:2], at=LATER, known_at=LATER)
        assert standing(chain, at=LATER, known_at=LATER) == withdrawn
        anew = replace(ISSUED, sequence=6, effective_at=on_day(14), recorded_at=on_day(14))
        assert state_of([*chain, anew]) is State.IN_FORCE

    def test_a_suspension_outlives_a_renewal(self):
        renewal = event(3, "renewed", effective=11, first_day=FIRST, last_day=date(2031, 12, 31))
        assert state_of([ISSUED, event(2, "suspended", effective=10), renewal]) is State.SUSPENDED

    def test_an_issue_without_its_period_is_an_error(self):
        with pytest.raises(ValueError, match="event 1 issues a ticket without"):
            standing([replace(ISSUED, last_day=None)], at=LATER, known_at=LATER)

    def test_events_of_one_moment_take_effect_in_their_sequence(self):
        chain = [ISSUED, event(2, "suspended", effective=5), event(3, "reinstated", effective=5)]
        assert state_of(chain) is State.IN_FORCE


class TestTwoTimes:
    def test_was_she_authorised_then_and_what_did_the_register_say_then(self):
        """Suspended on day 10 for what was only entered on day 30."""
        chain = [ISSUED, event(2, "suspended", effective=10, recorded=30)]
        assert state_of(chain, at=20, known=20) is State.IN_FORCE
        assert state_of(chain, at=20, known=40) is State.SUSPENDED

    def test_an_issue_recorded_late_did_not_cover_the_day_as_known_then(self):
        late = replace(ISSUED, recorded_at=on_day(5))
        assert standing([late], at=on_day(2), known_at=on_day(2)) is None
        assert standing([late], at=on_day(2), known_at=on_day(5)) is not None


class TestCorrections:
    def test_a_correction_states_whole_what_should_have_been_said(self):
        right = event(
            2, "corrected", effective=0, recorded=8, corrects=1, level=Level.TRAINEE, first_day=FIRST,
            last_day=date(2026, 12, 31),
        )  # fmt: skip
        assert standing([ISSUED, right], at=on_day(9), known_at=on_day(7)).level is Level.FULL
        held = standing([ISSUED, right], at=on_day(9), known_at=on_day(9))
        assert (held.level, held.last_day, held.since) == (Level.TRAINEE, date(2026, 12, 31), START)

    def test_a_correction_can_move_the_moment_of_effect(self):
        chain = [
            ISSUED,
            event(2, "suspended", effective=10),
            event(3, "corrected", effective=5, recorded=12, corrects=2),
        ]
        assert state_of(chain, at=7, known=11) is State.IN_FORCE
        assert state_of(chain, at=7, known=12) is State.SUSPENDED
        later = [
            ISSUED,
            event(2, "suspended", effective=10),
            event(3, "corrected", effective=11, recorded=12, corrects=2),
        ]
        assert state_of(later, at=10, known=12) is State.IN_FORCE

    def test_a_struck_out_suspension_never_was(self):
        struck = event(3, "corrected", effective=10, recorded=12, corrects=2, strikes_out=True)
        chain = [ISSUED, event(2, "suspended", effective=10), struck]
        assert state_of(chain, at=11, known=11) is State.SUSPENDED
        assert state_of(chain, at=11, known=12) is State.IN_FORCE

    def test_a_struck_out_issue_leaves_no_ticket_whatever_came_after(self):
        struck = event(3, "corrected", effective=0, recorded=12, corrects=1, strikes_out=True)
        renewal = event(2, "renewed", effective=5, first_day=FIRST, last_day=LAST)
        assert standing([ISSUED, renewal, struck], at=LATER, known_at=LATER) is None

    def test_a_struck_out_withdrawal_gives_the_ticket_back(self):
        struck = event(3, "corrected", effective=10, recorded=12, corrects=2, strikes_out=True)
        assert state_of([ISSUED, event(2, "withdrawn", effective=10), struck]) is State.IN_FORCE

    def test_a_correction_of_a_correction_corrects_the_first_event(self):
        chain = [
            ISSUED,
            event(2, "suspended", effective=10),
            event(3, "corrected", effective=10, recorded=12, corrects=2, strikes_out=True),
            event(4, "corrected", effective=15, recorded=20, corrects=3),
        ]
        assert state_of(chain, at=16, known=19) is State.IN_FORCE
        assert state_of(chain, at=16, known=20) is State.SUSPENDED
        assert state_of(chain, at=14, known=20) is State.IN_FORCE

    def test_of_two_corrections_the_last_recorded_one_wins(self):
        chain = [
            ISSUED,
            event(2, "corrected", effective=0, recorded=5, corrects=1, level=Level.TRAINEE,
                  first_day=FIRST, last_day=LAST),
            event(3, "corrected", effective=0, recorded=6, corrects=1, level=Level.FULL,
                  first_day=FIRST, last_day=date(2026, 6, 30)),
        ]  # fmt: skip
        assert standing(chain, at=on_day(9), known_at=on_day(5)).level is Level.TRAINEE
        held = standing(chain, at=on_day(9), known_at=on_day(9))
        assert (held.level, held.last_day) == (Level.FULL, date(2026, 6, 30))

    def test_a_correction_keeps_the_kind_of_what_it_corrects(self):
        chain = [
            ISSUED,
            event(2, "suspended", effective=10),
            event(3, "corrected", effective=9, recorded=12, corrects=2),
        ]
        kinds = [e.kind for e in effective_events(chain, at=LATER, known_at=LATER)]
        assert kinds == [EventKind.ISSUED, EventKind.SUSPENDED]

    def test_a_correction_of_nothing_is_an_error(self):
        with pytest.raises(ValueError, match="event 2 corrects event 7, which is not before it"):
            standing(
                [ISSUED, event(2, "corrected", effective=0, recorded=1, corrects=7)],
                at=LATER,
                known_at=LATER,
            )


DAY_NUMBERS = st.integers(0, 60)


@st.composite
def chains(draw):
    """A chain as the register can hold it: recorded in sequence, never before it takes effect."""
    chain = [ISSUED]
    recorded = 0
    for sequence in range(2, 2 + draw(st.integers(0, 7))):
        recorded = min(60, recorded + draw(st.integers(0, 10)))
        effective = draw(st.integers(0, recorded))
        kind = draw(st.sampled_from(EventKind))
        period = {"level": draw(st.sampled_from(Level)), "first_day": FIRST,
                  "last_day": FIRST + timedelta(days=draw(st.integers(0, 900)))}  # fmt: skip
        parts = {
            EventKind.ISSUED: period,
            EventKind.RENEWED: {part: period[part] for part in ("first_day", "last_day")},
            EventKind.VARIED: {"conditions": Conditions(daylight_only=draw(st.booleans()))},
            EventKind.CORRECTED: {"strikes_out": draw(st.booleans()), **period},
        }.get(kind, {})
        if kind is EventKind.CORRECTED:
            parts["corrects"] = draw(st.integers(1, sequence - 1))
        chain.append(event(sequence, kind, effective=effective, recorded=recorded, **parts))
    return chain


@given(chains(), DAY_NUMBERS, DAY_NUMBERS)
def test_what_is_recorded_later_never_changes_what_was_known(chain, at, known):
    then = [e for e in chain if e.recorded_at <= on_day(known)]
    assert standing(chain, at=on_day(at), known_at=on_day(known)) == standing(
        then, at=on_day(at), known_at=LATER
    )


@given(chains(), DAY_NUMBERS, DAY_NUMBERS)
def test_without_corrections_what_takes_effect_later_never_changes_the_past(chain, at, known):
    plain = [e for e in chain if e.corrects is None]
    before = [e for e in plain if e.effective_at <= on_day(at)]
    assert standing(plain, at=on_day(at), known_at=on_day(known)) == standing(
        before, at=LATER, known_at=on_day(known)
    )


@given(st.data(), chains(), DAY_NUMBERS, DAY_NUMBERS)
def test_the_order_in_which_events_are_read_does_not_matter(data, chain, at, known):
    shuffled = data.draw(st.permutations(chain))
    assert standing(shuffled, at=on_day(at), known_at=on_day(known)) == standing(
        chain, at=on_day(at), known_at=on_day(known)
    )


@given(chains())
def test_a_suspension_recorded_last_and_effective_last_suspends_or_finds_nothing_to_suspend(chain):
    suspension = event(99, "suspended", effective=61)
    held = standing([*chain, suspension], at=on_day(61), known_at=on_day(61))
    assert held is None or held.is_withdrawn or held.is_suspended


@given(chains())
def test_striking_out_every_event_leaves_no_ticket(chain):
    roots = [e for e in chain if e.corrects is None]
    strikes = [
        event(100 + place, "corrected", effective=0, recorded=61, corrects=root.sequence, strikes_out=True)
        for place, root in enumerate(roots)
    ]
    assert standing([*chain, *strikes], at=on_day(61), known_at=on_day(61)) is None
