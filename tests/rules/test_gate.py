"""The gate: every reason by example, all of them together, and no in doubt."""

from dataclasses import fields, replace
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.conditions import Conditions
from competence.rules.dates import first_moment
from competence.rules.gate import Snapshot, Supervision, Verdict, decide, version_in_force
from competence.rules.reasons import Move, ReasonCode
from competence.rules.requirements import LASTING, Evidence
from competence.rules.standing import Level
from tests.rules.facts import (
    ADA,
    ALLOWED,
    DUMPER,
    EAST,
    EVIDENCE,
    HUGH,
    NOON,
    STANDARD,
    SUPERVISED,
    TODAY,
    TRAINEE,
    Kind,
    codes,
    limited,
    refused_for,
    supervised_by,
    ticket,
    with_machine,
    with_person,
    with_tickets,
    without,
)

Code = ReasonCode
NOWHERE = replace(EAST, latitude=None, longitude=None)
MIDNIGHT = datetime(2026, 6, 1, 0, tzinfo=UTC)
DAY = timedelta(days=1)

# One thing wrong, at noon unless it says otherwise, and the one reason that must come back.
ONE_THING_WRONG = {
    Code.OPERATOR_UNKNOWN: replace(ALLOWED, person=None),
    Code.OPERATOR_INACTIVE: with_person(is_active=False),
    Code.MACHINE_UNKNOWN: replace(ALLOWED, machine=None),
    Code.MACHINE_OUT_OF_SERVICE: with_machine(is_in_service=False),
    Code.STANDARD_MISSING: replace(ALLOWED, standards=()),
    Code.TICKET_MISSING: with_tickets(),
    Code.TICKET_NOT_STARTED: with_tickets(ticket(first_day=TODAY + DAY)),
    Code.TICKET_ENDED: with_tickets(ticket(last_day=TODAY - DAY)),
    Code.TICKET_SUSPENDED: with_tickets(ticket(is_suspended=True)),
    Code.TICKET_WITHDRAWN: with_tickets(ticket(is_withdrawn=True)),
    Code.CONDITION_SITE: with_tickets(limited(sites=frozenset({"WEST"}))),
    Code.CONDITION_MASS: with_tickets(limited(max_operating_mass_kg=23_999)),
    Code.CONDITION_MASS_UNKNOWN: with_machine(
        with_tickets(limited(max_operating_mass_kg=30_000)), operating_mass_kg=None
    ),
    Code.CONDITION_ATTACHMENT: with_tickets(limited(attachments=frozenset({"grader-blade"}))),
    Code.CONDITION_DAYLIGHT: with_tickets(limited(daylight_only=True)),
    Code.CONDITION_DAYLIGHT_UNKNOWN: with_machine(with_tickets(limited(daylight_only=True)), site=NOWHERE),
    Code.INDUCTION_NOT_MET: without(Kind.INDUCTION),
    Code.FAMILIARISATION_NOT_MET: without(Kind.FAMILIARISATION),
    Code.MEDICAL_NOT_MET: without(Kind.MEDICAL),
    Code.REFRESHER_NOT_MET: without(Kind.REFRESHER),
    Code.RECALL_NOT_MET: without(Kind.RECALL),
    Code.SUPERVISOR_MISSING: replace(SUPERVISED, supervision=None),
    Code.SUPERVISOR_IS_TRAINEE: supervised_by(TRAINEE),
    Code.SUPERVISOR_NOT_AUTHORISED: supervised_by(replace(HUGH, tickets=())),
    Code.SUPERVISOR_NOT_CONFIRMED: supervised_by(HUGH, is_confirmed=False),
}


def test_an_operator_who_meets_everything_is_allowed():
    verdict = decide(ALLOWED, NOON)
    assert verdict == Verdict((), ticket="T1", level=Level.FULL, standard_version=2)
    assert verdict.is_allowed


def test_a_trainee_with_a_confirmed_supervisor_is_allowed():
    verdict = decide(SUPERVISED, NOON)
    assert verdict.is_allowed
    assert verdict.level is Level.TRAINEE


def test_every_reason_has_its_example():
    assert set(ONE_THING_WRONG) == set(ReasonCode)


@pytest.mark.parametrize("code", ReasonCode)
class TestEachReason:
    def verdict(self, code):
        return decide(ONE_THING_WRONG[code], MIDNIGHT if code is Code.CONDITION_DAYLIGHT else NOON)

    def test_one_thing_wrong_is_refused_for_that_thing_alone(self, code):
        verdict = self.verdict(code)
        assert codes(verdict) == [code]
        assert not verdict.is_allowed

    def test_it_says_what_is_wrong_what_puts_it_right_and_whose_move_it_is(self, code):
        (reason,) = self.verdict(code).reasons
        for text in (reason.sentence, reason.remedy):
            assert text.endswith(".")
            assert text[0].isupper() or text[0].isdigit()
            assert "None" not in text
            assert "{" not in text
        assert isinstance(reason.move, Move)

    def test_it_can_be_stored(self, code):
        plain = self.verdict(code).as_plain()
        assert plain["allowed"] is False
        assert plain["reasons"][0]["code"] == code.value
        assert set(plain["reasons"][0]) == {"code", "sentence", "since", "remedy", "move"}


@pytest.mark.parametrize(
    ("code", "since"),
    [
        (Code.TICKET_ENDED, TODAY),
        (Code.TICKET_SUSPENDED, date(2026, 1, 1)),
        (Code.TICKET_WITHDRAWN, date(2026, 1, 1)),
        (Code.REFRESHER_NOT_MET, date(2025, 3, 2)),
    ],
)
def test_a_reason_says_since_when(code, since):
    (reason,) = decide(ONE_THING_WRONG[code], NOON).reasons
    assert reason.since == since


class TestEveryReasonAtOnce:
    def test_nothing_stops_at_the_first_problem(self):
        spoilt = Snapshot(
            replace(
                ADA,
                is_active=False,
                evidence=(),
                tickets=(
                    ticket(
                        level=Level.TRAINEE,
                        is_suspended=True,
                        last_day=TODAY - DAY,
                        conditions=Conditions(frozenset({"WEST"}), 1, frozenset(), daylight_only=True),
                    ),
                ),
            ),
            replace(DUMPER, is_in_service=False),
            (STANDARD,),
        )
        assert refused_for(spoilt, MIDNIGHT) == [
            Code.MACHINE_OUT_OF_SERVICE,
            Code.OPERATOR_INACTIVE,
            Code.TICKET_SUSPENDED,
            Code.TICKET_ENDED,
            Code.CONDITION_SITE,
            Code.CONDITION_MASS,
            Code.CONDITION_ATTACHMENT,
            Code.CONDITION_DAYLIGHT,
            Code.MEDICAL_NOT_MET,
            Code.INDUCTION_NOT_MET,
            Code.FAMILIARISATION_NOT_MET,
            Code.REFRESHER_NOT_MET,
            Code.RECALL_NOT_MET,
            Code.SUPERVISOR_MISSING,
        ]

    def test_neither_person_nor_machine_known(self):
        assert refused_for(Snapshot(None, None)) == [Code.MACHINE_UNKNOWN, Code.OPERATOR_UNKNOWN]

    def test_an_unknown_machine_does_not_hide_an_inactive_operator(self):
        snapshot = replace(with_person(is_active=False), machine=None)
        assert refused_for(snapshot) == [Code.MACHINE_UNKNOWN, Code.OPERATOR_INACTIVE]

    def test_what_came_onto_the_register_later_is_told_apart_from_what_never_did(self):
        """The code stays; to look for a wrong number would be time lost."""
        person = with_person(is_active=False, was_entered=False)
        later = replace(person, machine=None, machine_came_later=True)
        assert refused_for(later) == [Code.MACHINE_UNKNOWN, Code.OPERATOR_INACTIVE]
        assert all("not on the register at that moment" in r.sentence for r in decide(later, NOON).reasons)
        never = replace(later, machine_came_later=False)
        assert decide(never, NOON).reasons[0].sentence.startswith("No machine with this fleet number")

    def test_where_no_ticket_serves_each_says_why(self):
        snapshot = with_tickets(ticket("T1", is_suspended=True), ticket("T3", last_day=TODAY - DAY))
        assert sorted(refused_for(snapshot)) == [Code.TICKET_ENDED, Code.TICKET_SUSPENDED]

    def test_both_supervision_reasons_come_back(self):
        snapshot = supervised_by(replace(HUGH, tickets=()), is_confirmed=False)
        assert refused_for(snapshot) == [Code.SUPERVISOR_NOT_AUTHORISED, Code.SUPERVISOR_NOT_CONFIRMED]


class TestCover:
    def test_a_ticket_for_another_category_does_not_cover(self):
        assert refused_for(with_tickets(ticket(category="loader"))) == [Code.TICKET_MISSING]

    def test_a_category_that_the_standard_accepts_covers(self):
        accepting = replace(STANDARD, accepts=frozenset({"dumper-rigid"}))
        snapshot = replace(with_tickets(ticket(category="dumper-rigid")), standards=(accepting,))
        assert decide(snapshot, NOON).is_allowed

    def test_cover_is_not_passed_on(self):
        """A covers B and B covers C; A does not cover C, because C's author did not say so."""
        accepts_b = replace(ALLOWED, standards=(replace(STANDARD, accepts=frozenset({"b"})),))
        holder_of_a = replace(accepts_b, person=replace(ADA, tickets=(ticket(category="a"),)))
        holder_of_b = replace(accepts_b, person=replace(ADA, tickets=(ticket(category="b"),)))
        assert decide(holder_of_b, NOON).is_allowed
        assert refused_for(holder_of_a) == [Code.TICKET_MISSING]

    def test_cover_is_not_returned(self):
        """The dumper's standard accepts the loader; that gives a dumper ticket nothing on a loader."""
        loader = replace(DUMPER, category="loader", category_name="Loader")
        assert refused_for(replace(ALLOWED, machine=loader)) == [Code.TICKET_MISSING, Code.RECALL_NOT_MET]

    def test_a_full_ticket_serves_before_a_trainee_one(self):
        both = (ticket("T1", level=Level.TRAINEE), ticket("T3", "dumper-rigid"))
        accepting = replace(STANDARD, accepts=frozenset({"dumper-rigid"}))
        for tickets in (both, both[::-1]):
            verdict = decide(replace(with_tickets(*tickets), standards=(accepting,)), NOON)
            assert (verdict.is_allowed, verdict.ticket, verdict.level) == (True, "T3", Level.FULL)

    def test_a_trainee_ticket_serves_where_the_full_one_does_not(self):
        tickets = (ticket("T1", last_day=TODAY - DAY), ticket("T3", "dumper-rigid", level=Level.TRAINEE))
        accepting = replace(STANDARD, accepts=frozenset({"dumper-rigid"}))
        snapshot = replace(with_tickets(*tickets), standards=(accepting,))
        assert refused_for(snapshot) == [Code.SUPERVISOR_MISSING]
        confirmed = replace(snapshot, supervision=Supervision(HUGH, is_confirmed=True))
        assert decide(confirmed, NOON).ticket == "T3"


class TestRefresherQuestions:
    def reason(self, **parts):
        told = Evidence(Kind.RECALL, date(2026, 2, 1), category="dumper", **parts)
        (reason,) = decide(with_person(evidence=(*without(Kind.RECALL).person.evidence, told)), NOON).reasons
        return reason

    def test_they_were_due_by_the_last_day_on_which_recall_was_enough(self):
        reason = self.reason(counts_to=date(2026, 5, 3))
        assert reason.sentence == "The refresher questions were due by 3 May 2026."
        assert (reason.since, reason.move) == (date(2026, 5, 4), Move.OPERATOR)
        assert "your own phone" in reason.remedy

    def test_they_may_have_been_answered_wrong(self):
        reason = self.reason(is_met=False)
        assert reason.sentence == "Too few of the last refresher questions were answered right."
        assert reason.since == date(2026, 2, 1)

    def test_there_may_be_none(self):
        (reason,) = decide(without(Kind.RECALL), NOON).reasons
        assert (reason.sentence, reason.since) == ("No refresher questions are on record.", None)

    def test_what_is_known_of_another_category_does_not_count(self):
        other = tuple(replace(e, category=e.category and "loader") for e in EVIDENCE)
        assert refused_for(with_person(evidence=other)) == [Code.RECALL_NOT_MET]
        accepting = replace(STANDARD, accepts=frozenset({"loader"}))
        assert not refused_for(replace(with_person(evidence=other), standards=(accepting,)))


class TestConditions:
    @pytest.mark.parametrize("mass", [24_000, 24_001, 100_000])
    def test_the_mass_limit_counts(self, mass):
        assert not refused_for(with_tickets(limited(max_operating_mass_kg=mass)))

    def test_an_empty_list_of_sites_allows_none(self):
        assert refused_for(with_tickets(limited(sites=frozenset()))) == [Code.CONDITION_SITE]

    def test_a_machine_with_nothing_fitted_fits_any_list(self):
        bare = with_machine(with_tickets(limited(attachments=frozenset())), attachments=frozenset())
        assert not refused_for(bare)

    def test_one_attachment_too_many_is_named(self):
        snapshot = with_machine(
            with_tickets(limited(attachments=frozenset({"tow-hitch"}))),
            attachments=frozenset({"tow-hitch", "crane-jib"}),
        )
        (reason,) = decide(snapshot, NOON).reasons
        assert "crane-jib" in reason.sentence
        assert "tow-hitch" not in reason.sentence

    def test_daylight_is_judged_where_the_machine_stands(self):
        day_shift = with_tickets(limited(daylight_only=True))
        assert not refused_for(day_shift, NOON)
        far = replace(EAST, code="FAR", zone="Pacific/Auckland", latitude=-37.0, longitude=174.8)
        assert Code.CONDITION_DAYLIGHT in refused_for(with_machine(day_shift, site=far), NOON)


class TestSupervision:
    def test_a_supervisor_who_is_not_on_the_register_is_no_supervisor(self):
        assert refused_for(supervised_by(None)) == [Code.SUPERVISOR_MISSING]

    @pytest.mark.parametrize(
        "spoilt",
        [
            {"is_active": False},
            {"evidence": ()},
            {"tickets": (ticket("T2", level=Level.TRAINEE),)},
            {"tickets": (ticket("T2", is_suspended=True),)},
            {"tickets": (ticket("T2", category="loader"),)},
            {"tickets": (ticket("T2", conditions=Conditions(max_operating_mass_kg=10_000)),)},
        ],
        ids=["inactive", "no evidence", "a trainee too", "suspended", "other category", "too heavy"],
    )
    def test_a_supervisor_passes_the_gate_at_full_level_or_does_not_supervise(self, spoilt):
        assert refused_for(supervised_by(replace(HUGH, **spoilt))) == [Code.SUPERVISOR_NOT_AUTHORISED]

    def test_the_sentence_says_why_the_supervisor_may_not(self):
        (reason,) = decide(supervised_by(replace(HUGH, is_active=False)), NOON).reasons
        assert reason.sentence == (
            "Supervising operator Hugh Garside (OP2) is not authorised: "
            "Hugh Garside (OP2) is not active on the register."
        )
        (reason,) = decide(supervised_by(replace(TRAINEE, number="OP3")), NOON).reasons
        assert "holds a trainee ticket too" in reason.sentence

    def test_a_supervisor_lends_the_trainee_nothing_but_supervision(self):
        without_induction = tuple(e for e in EVIDENCE if e.kind is not Kind.INDUCTION)
        snapshot = replace(SUPERVISED, person=replace(TRAINEE, evidence=without_induction))
        assert refused_for(snapshot) == [Code.INDUCTION_NOT_MET]

    def test_a_full_ticket_needs_no_supervisor_and_one_does_no_harm(self):
        named = replace(ALLOWED, supervision=Supervision(None))
        assert decide(named, NOON).is_allowed


class TestStandards:
    def test_the_version_with_the_latest_start_is_in_force(self):
        old, new = replace(STANDARD, number=1, in_force_from=date(2020, 1, 1)), STANDARD
        to_come = replace(STANDARD, number=3, in_force_from=TODAY + DAY)
        for versions in ((old, new, to_come), (to_come, new, old)):
            assert version_in_force(versions, TODAY) is new
            assert version_in_force(versions, TODAY + DAY) is to_come
            assert version_in_force(versions, date(2021, 1, 1)) is old
        assert version_in_force((to_come,), TODAY) is None

    def test_a_standard_that_has_not_started_is_no_standard(self):
        snapshot = replace(ALLOWED, standards=(replace(STANDARD, in_force_from=TODAY + DAY),))
        assert refused_for(snapshot) == [Code.STANDARD_MISSING]

    def test_what_was_shown_once_is_not_asked_again_at_the_machine(self):
        assert Kind.PRACTICAL in {requirement.kind for requirement in STANDARD.requirements}
        assert Kind.PRACTICAL not in {fact.kind for fact in EVIDENCE}
        assert decide(ALLOWED, NOON).is_allowed


class TestNotices:
    @pytest.mark.parametrize(
        ("days", "told"), [(0, "midnight tonight"), (1, "tomorrow"), (2, "in 2 days"), (30, "in 30 days")]
    )
    def test_a_ticket_near_its_end_says_so(self, days, told):
        verdict = decide(with_tickets(ticket(last_day=TODAY + days * DAY)), NOON)
        assert verdict.is_allowed
        (notice,) = verdict.notices
        assert told in notice

    def test_a_ticket_far_from_its_end_says_nothing(self):
        assert decide(with_tickets(ticket(last_day=TODAY + 31 * DAY)), NOON).notices == ()


# Zones and days where clocks change, midnight is missing, or a leap day is near.
DAYS_THAT_TRIP = [
    ("Europe/London", date(2026, 3, 28)),
    ("Europe/London", date(2026, 3, 29)),
    ("Europe/London", date(2026, 10, 24)),
    ("Europe/London", date(2026, 10, 25)),
    ("America/Santiago", date(2026, 9, 5)),
    ("America/Santiago", date(2026, 9, 6)),
    ("Africa/Cairo", date(2026, 4, 23)),
    ("Asia/Beirut", date(2026, 3, 28)),
    ("Australia/Lord_Howe", date(2026, 4, 4)),
    ("Australia/Lord_Howe", date(2026, 10, 3)),
    ("America/New_York", date(2026, 3, 7)),
    ("Asia/Kathmandu", date(2026, 5, 31)),
    ("Europe/London", date(2028, 2, 28)),
    ("Europe/London", date(2028, 2, 29)),
    ("Pacific/Apia", date(2027, 2, 28)),
]


def _ticket_to(zone, last_day):
    """Somebody at a site in ``zone`` whose full ticket ends on ``last_day``; nothing else can run out."""
    site = replace(EAST, zone=zone)
    standard = replace(STANDARD, requirements=(), in_force_from=date(1990, 1, 1))
    held = ticket(first_day=last_day - 300 * DAY, last_day=last_day)
    return Snapshot(replace(ADA, tickets=(held,)), replace(DUMPER, site=site), (standard,))


@pytest.mark.parametrize(("zone", "last_day"), DAYS_THAT_TRIP)
def test_a_ticket_counts_on_all_of_its_last_day_and_none_of_the_next(zone, last_day):
    snapshot = _ticket_to(zone, last_day)
    next_day = first_moment(last_day + DAY, ZoneInfo(zone))
    assert refused_for(snapshot, next_day - timedelta(microseconds=1)) == []
    assert refused_for(snapshot, next_day) == [Code.TICKET_ENDED]


@pytest.mark.parametrize(("zone", "first_day"), DAYS_THAT_TRIP)
def test_a_ticket_counts_from_the_first_moment_of_its_first_day(zone, first_day):
    snapshot = _ticket_to(zone, first_day + 300 * DAY)
    start = first_moment(first_day, ZoneInfo(zone))
    assert refused_for(snapshot, start - timedelta(microseconds=1)) == [Code.TICKET_NOT_STARTED]
    assert refused_for(snapshot, start) == []


@given(
    st.sampled_from(["Europe/London", "America/Santiago", "Australia/Lord_Howe", "Asia/Kathmandu"]),
    st.dates(date(2013, 1, 1), date(2036, 12, 31)),
    st.integers(-3 * 86_400, 3 * 86_400),
)
def test_a_ticket_ends_by_the_site_s_calendar_whatever_the_offset(zone, last_day, seconds):
    moment = first_moment(last_day + DAY, ZoneInfo(zone)) + timedelta(seconds=seconds)
    expected = moment.astimezone(ZoneInfo(zone)).date() <= last_day
    assert decide(_ticket_to(zone, last_day), moment).is_allowed is expected


# Properties over snapshots that are right in some parts and wrong in others.
CONDITIONS = st.builds(
    Conditions,
    sites=st.sampled_from([None, frozenset({"EAST"}), frozenset({"WEST"})]),
    max_operating_mass_kg=st.sampled_from([None, 24_000, 10_000]),
    attachments=st.sampled_from([None, frozenset({"tow-hitch"}), frozenset()]),
    daylight_only=st.booleans(),
)
TICKETS = st.builds(
    lambda category, **parts: ticket(category=category, **parts),
    category=st.sampled_from(["dumper", "dumper", "dumper-rigid", "loader"]),
    level=st.sampled_from(Level),
    last_day=st.sampled_from([TODAY - DAY, TODAY, TODAY + 100 * DAY]),
    is_suspended=st.sampled_from([False, False, True]),
    conditions=st.just(Conditions()) | CONDITIONS,
)
FACTS = st.builds(
    Evidence,
    kind=st.sampled_from(sorted(LASTING)),
    occurred_on=st.sampled_from([date(2024, 1, 5), date(2026, 5, 5), date(2027, 1, 1)]),
    is_met=st.booleans(),
    counts_to=st.sampled_from([None, TODAY, date(2028, 1, 1)]),
    category=st.sampled_from([None, "dumper", "dumper-rigid", "loader"]),
    site=st.sampled_from(["EAST", "WEST"]),
    machine_model=st.sampled_from(["Invented 30", "Invented 40"]),
)


def _numbered(tickets):
    return tuple(replace(held, number=f"T{place}") for place, held in enumerate(tickets))


def people(number):
    return st.builds(
        replace,
        st.just(replace(ADA, number=number)),
        is_active=st.sampled_from([True, True, True, False]),
        tickets=st.lists(TICKETS, max_size=3).map(_numbered),
        evidence=st.just(EVIDENCE) | st.lists(FACTS, max_size=6).map(tuple),
    )


STANDARDS = st.builds(
    replace,
    st.just(STANDARD),
    accepts=st.sampled_from([frozenset(), frozenset({"dumper-rigid"})]),
    requirements=st.sampled_from([STANDARD.requirements, STANDARD.requirements[:2], ()]),
)
SNAPSHOTS = st.builds(
    Snapshot,
    person=people("OP1"),
    machine=st.sampled_from([DUMPER, DUMPER, replace(DUMPER, is_in_service=False)]),
    standards=st.lists(STANDARDS, max_size=1).map(tuple),
    supervision=st.none() | st.builds(Supervision, people("OP2") | people("OP1"), is_confirmed=st.booleans()),
)
MOMENTS = st.sampled_from([NOON, MIDNIGHT])


def _each_ticket(snapshot, **worse):
    tickets = tuple(replace(t, standing=replace(t.standing, **worse)) for t in snapshot.person.tickets)
    return replace(snapshot, person=replace(snapshot.person, tickets=tickets))


def _first_ticket(snapshot, **worse):
    held = snapshot.person.tickets
    if not held:
        return snapshot
    spoilt = replace(held[0], standing=replace(held[0].standing, **worse))
    return replace(snapshot, person=replace(snapshot.person, tickets=(spoilt, *held[1:])))


def _without_kind(snapshot, kind):
    left = tuple(e for e in snapshot.person.evidence if e.kind is not kind)
    return replace(snapshot, person=replace(snapshot.person, evidence=left))


def _failed_today(snapshot, kind):
    failed = Evidence(kind, TODAY, is_met=False, site="EAST", machine_model="Invented 30")
    person = snapshot.person
    return replace(snapshot, person=replace(person, evidence=(*person.evidence, failed)))


def _recall_ended(snapshot):
    """Answered today too, and worked out to have ended already."""
    ended = Evidence(Kind.RECALL, TODAY, counts_to=TODAY - DAY, category="dumper")
    person = snapshot.person
    return replace(snapshot, person=replace(person, evidence=(*person.evidence, ended)))


def _tighter(snapshot):
    """Every ticket limited, on top of what limits it already, to places and loads that are none."""
    nothing = Conditions(frozenset(), 0, frozenset(), daylight_only=True)
    return _each_ticket(snapshot, conditions=nothing)


def _spoilt_supervisor(snapshot):
    if snapshot.supervision is None or snapshot.supervision.person is None:
        return snapshot
    supervisor = replace(snapshot.supervision.person, is_active=False)
    return replace(snapshot, supervision=replace(snapshot.supervision, person=supervisor))


SPOIL = {
    "operator inactive": lambda s: replace(s, person=replace(s.person, is_active=False)),
    "operator unknown": lambda s: replace(s, person=None),
    "machine unknown": lambda s: replace(s, machine=None),
    "machine out of service": lambda s: replace(s, machine=replace(s.machine, is_in_service=False)),
    "standard gone": lambda s: replace(s, standards=()),
    "standard accepts nothing": lambda s: replace(
        s, standards=tuple(replace(v, accepts=frozenset()) for v in s.standards)
    ),
    "first ticket suspended": lambda s: _first_ticket(s, is_suspended=True),
    "first ticket withdrawn": lambda s: _first_ticket(s, is_withdrawn=True),
    "first ticket ended": lambda s: _first_ticket(s, last_day=TODAY - DAY),
    "first ticket for daylight only": lambda s: (
        _first_ticket(s, conditions=replace(s.person.tickets[0].standing.conditions, daylight_only=True))
        if s.person.tickets
        else s
    ),
    "tickets limited to nothing": _tighter,
    "tickets gone": lambda s: replace(s, person=replace(s.person, tickets=())),
    "operating mass not entered": lambda s: replace(s, machine=replace(s.machine, operating_mass_kg=None)),
    "place not entered": lambda s: replace(s, machine=replace(s.machine, site=NOWHERE)),
    "one more attachment": lambda s: replace(
        s, machine=replace(s.machine, attachments=s.machine.attachments | {"crane-jib"})
    ),
    "no medical": lambda s: _without_kind(s, Kind.MEDICAL),
    "no induction": lambda s: _without_kind(s, Kind.INDUCTION),
    "no familiarisation": lambda s: _without_kind(s, Kind.FAMILIARISATION),
    "no refresher": lambda s: _without_kind(s, Kind.REFRESHER),
    "no refresher questions": lambda s: _without_kind(s, Kind.RECALL),
    "medical failed today": lambda s: _failed_today(s, Kind.MEDICAL),
    "induction failed today": lambda s: _failed_today(s, Kind.INDUCTION),
    "recall ended yesterday": _recall_ended,
    "supervisor not named": lambda s: replace(s, supervision=None),
    "supervisor inactive": _spoilt_supervisor,
    "supervision not confirmed": lambda s: replace(
        s, supervision=s.supervision and replace(s.supervision, is_confirmed=False)
    ),
}
# What alone refuses a check that would otherwise be allowed, whoever asks.
ALWAYS_REFUSES = [
    "operator inactive",
    "operator unknown",
    "machine unknown",
    "machine out of service",
    "standard gone",
    "tickets limited to nothing",
    "tickets gone",
]


@pytest.mark.parametrize("spoil", SPOIL.values(), ids=SPOIL.keys())
@given(snapshot=SNAPSHOTS, at=MOMENTS)
def test_a_bad_fact_more_never_turns_a_refusal_into_an_allowance(spoil, snapshot, at):
    if not decide(snapshot, at).is_allowed:
        assert not decide(spoil(snapshot), at).is_allowed


@pytest.mark.parametrize("name", ALWAYS_REFUSES)
@given(snapshot=st.just(ALLOWED) | st.just(SUPERVISED) | SNAPSHOTS, at=MOMENTS)
def test_the_gravest_facts_refuse_on_their_own(name, snapshot, at):
    assert not decide(SPOIL[name](snapshot), at).is_allowed


@given(SNAPSHOTS, MOMENTS)
def test_allowed_is_the_absence_of_reasons_on_a_ticket_that_serves(snapshot, at):
    verdict = decide(snapshot, at)
    assert verdict.is_allowed == (not verdict.reasons)
    if verdict.is_allowed:
        (serving,) = (held for held in snapshot.person.tickets if held.number == verdict.ticket)
        assert snapshot.person.is_active
        assert snapshot.machine.is_in_service
        assert verdict.standard_version == STANDARD.number
        assert serving.category in snapshot.standards[0].accepts | {"dumper"}
        assert serving.standing.last_day >= TODAY
        assert not serving.standing.is_suspended
        if verdict.level is Level.TRAINEE:
            assert snapshot.supervision.is_confirmed
            assert snapshot.supervision.person.number != snapshot.person.number


@given(st.data(), SNAPSHOTS, MOMENTS)
def test_the_order_of_tickets_and_evidence_does_not_decide(data, snapshot, at):
    person = snapshot.person
    shuffled = replace(
        person,
        tickets=tuple(data.draw(st.permutations(person.tickets))),
        evidence=tuple(data.draw(st.permutations(person.evidence))),
    )
    there = decide(replace(snapshot, person=shuffled), at)
    here = decide(snapshot, at)
    assert there.is_allowed == here.is_allowed


def test_a_snapshot_of_nothing_is_refused():
    """Each fact taken away on its own: what the register does not hold, it does not assume."""
    for part in fields(Snapshot):
        if part.name == "machine_came_later":
            # Says only in which words a missing machine is told.
            continue
        nothing = () if part.name == "standards" else None
        snapshot = replace(SUPERVISED, **{part.name: nothing})
        assert not decide(snapshot, NOON).is_allowed, part.name
