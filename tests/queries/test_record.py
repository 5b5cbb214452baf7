"""Asking the record: what was true then, what the register said then, and what changed its mind."""

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from competence.actions.journal import record as journal
from competence.queries.record import ask_record
from competence.queries.record_chain import CHAIN_LINKS, Source
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    DailyCheckFactory,
    EvidenceFactory,
    FeatureFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorStateFactory,
    RefusalFactory,
    SiteFactory,
    StandardVersionFactory,
    TicketEventFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import days_ago, moment_ago

pytestmark = pytest.mark.django_db


@pytest.fixture
def machine():
    made = MachineFactory(site=SiteFactory(zone="Europe/London"))
    plain_standard(category=made.state.category)
    return made


@pytest.fixture
def driver(machine):
    """Authorised since 100 days, with evidence of 30 days ago that was written down then."""
    return authorised_operator(machine)


@pytest.fixture
def trainer(machine):
    return AccountFactory(roles=["trainer"], first_name="Idris", last_name="Penhale")


def asked(driver, machine, at, **more):
    return ask_record(
        operator=driver, machine=machine, site=machine.site, at=at, asked_at=timezone.now(), **more
    )


def said(answer):
    return [line for turn in answer.turns for line in (*turn.sentences, turn.turned)]


def test_where_nothing_was_written_down_since_both_answers_are_one(driver, machine):
    answer = asked(driver, machine, moment_ago(2))
    assert answer.now.verdict == answer.then.verdict
    assert answer.now.verdict.is_allowed
    assert answer.turns == ()
    assert answer.later_rows == 0


def test_a_suspension_recorded_late_turns_an_allowed_into_a_refused(driver, machine, trainer):
    then, told = moment_ago(10), moment_ago(5)
    began = then - timedelta(days=1)
    ticket = driver.tickets.get()
    TicketEventFactory(
        ticket=ticket,
        kind="suspended",
        effective_at=began,
        recorded_at=told,
        recorded_by=trainer,
        reason="Struck the hopper",
    )
    answer = asked(driver, machine, then)
    assert answer.then.verdict.is_allowed
    assert [reason.code for reason in answer.now.verdict.reasons] == ["ticket_suspended"]
    (turn,) = answer.turns
    assert turn.change.recorded_at == told
    zone = ZoneInfo("Europe/London")
    day, since = told.astimezone(zone), began.astimezone(zone)
    assert turn.sentences == (
        f"On {day.day} {day:%B %Y, %H:%M}, Idris Penhale recorded that ticket {ticket.number} "
        f"({ticket.category.name}) was suspended from {since.day} {since:%B %Y, %H:%M}.",
    )
    assert turn.turned == "Until then the register said allowed; from then on it said refused."
    assert turn.links[0].worded.why == "Struck the hopper"


def test_a_correction_dated_back_is_told_with_what_it_corrects(driver, machine, trainer):
    ticket = driver.tickets.get()
    issue = ticket.events.get()
    TicketEventFactory(
        ticket=ticket,
        kind="corrected",
        corrects=issue,
        level="full",
        first_day=ticket.first_day,
        last_day=days_ago(20),
        effective_at=issue.effective_at,
        recorded_at=moment_ago(3),
        recorded_by=trainer,
    )
    answer = asked(driver, machine, moment_ago(10))
    assert answer.then.verdict.is_allowed
    assert [reason.code for reason in answer.now.verdict.reasons] == ["ticket_ended"]
    assert "corrected the issue of " in said(answer)[0]


def test_evidence_recorded_late_turns_a_refused_into_an_allowed(driver, machine):
    at = moment_ago(10)
    induction = driver.evidence.get(kind="induction")
    model = type(induction)
    model.objects.filter(pk=induction.pk)._raw_delete("default")
    EvidenceFactory(
        operator=driver,
        kind="induction",
        site=machine.site,
        occurred_on=days_ago(20),
        recorded_at=moment_ago(4),
    )
    answer = asked(driver, machine, at)
    assert [reason.code for reason in answer.then.verdict.reasons] == ["induction_not_met"]
    assert answer.now.verdict.is_allowed
    assert said(answer)[-1] == "Until then the register said refused; from then on it said allowed."


def test_a_standard_published_later_with_effect_from_before_is_named(driver, machine, trainer):
    StandardVersionFactory(
        category=machine.state.category,
        in_force_from=days_ago(15),
        recorded_at=moment_ago(6),
        recorded_by=trainer,
        requirements={"refresher": {"months": 1}},
    )
    answer = asked(driver, machine, moment_ago(10))
    assert answer.then.verdict.is_allowed
    assert not answer.now.verdict.is_allowed
    assert "Idris Penhale published version 2 of the standard" in said(answer)[0]


def test_a_reason_that_changed_while_the_verdict_stayed_is_a_change_of_mind_too(driver, machine):
    OperatorStateFactory(
        operator=driver, is_active=False, effective_at=moment_ago(12), recorded_at=moment_ago(8)
    )
    MachineStateFactory(
        machine=machine, is_in_service=False, effective_at=moment_ago(11), recorded_at=moment_ago(4)
    )
    answer = asked(driver, machine, moment_ago(10))
    assert [turn.change.turned for turn in answer.turns] == [True, False]
    assert said(answer)[-1].startswith("It went on saying refused; now also because: ")


def test_a_third_moment_of_knowledge_stands_between(driver, machine):
    ticket = driver.tickets.get()
    for kind, effective, recorded in (("suspended", 12, 8), ("reinstated", 11, 4)):
        TicketEventFactory(
            ticket=ticket, kind=kind, effective_at=moment_ago(effective), recorded_at=moment_ago(recorded)
        )
    answer = asked(driver, machine, moment_ago(10), known_at=moment_ago(6))
    allowed = [known.verdict.is_allowed for known in answer.answers]
    assert allowed == [True, True, False]
    assert len(answer.turns) == 2


def test_of_rows_written_down_together_only_those_that_turned_the_answer_are_named(driver, machine):
    told = moment_ago(5)
    for kind in ("medical", "refresher"):
        EvidenceFactory(operator=driver, kind=kind, occurred_on=days_ago(12), recorded_at=told)
    suspension = TicketEventFactory(
        ticket=driver.tickets.get(), kind="suspended", effective_at=moment_ago(12), recorded_at=told
    )
    (turn,) = asked(driver, machine, moment_ago(10)).turns
    assert [link.row for link in turn.links] == [suspension]


def test_before_the_register_began_it_knew_nothing_and_says_from_when_it_can_answer(driver, machine):
    answer = asked(driver, machine, moment_ago(10), known_at=moment_ago(2000))
    assert answer.third.is_blank
    assert answer.third.gap.startswith("The register knew nothing yet")
    assert "About both it can answer from" in answer.third.gap
    assert not answer.third.verdict.is_allowed
    assert answer.notes == ()


def test_a_moment_before_all_that_counts_is_refused_and_the_limit_told(driver, machine):
    answer = asked(driver, machine, moment_ago(900))
    assert not answer.now.verdict.is_allowed
    assert answer.notes[0].startswith("What the register holds of the two counts from")
    assert answer.then.gap.startswith("Nothing was written down of")


def test_a_moment_to_come_is_answered_as_things_stand(driver, machine):
    answer = asked(driver, machine, timezone.now() + timedelta(days=3))
    assert answer.then == answer.now
    assert answer.notes[0].startswith("This moment is still to come")


def test_a_first_day_put_right_in_place_is_found_in_the_journal(driver, machine, trainer):
    StandardVersionFactory(
        category=machine.state.category,
        in_force_from=days_ago(200),
        recorded_at=moment_ago(200),
        requirements={"refresher": {"months": 12}},
    )
    driver.started_on = days_ago(100)
    driver.save()
    journal(by=trainer, action="operator.entered", rows=[driver], at=moment_ago(100))
    driver.started_on = days_ago(700)
    driver.save()
    entry = journal(by=trainer, action="operator.corrected", rows=[driver], at=moment_ago(5))
    answer = asked(driver, machine, moment_ago(10))
    assert answer.then.verdict.is_allowed
    assert [reason.code for reason in answer.now.verdict.reasons] == ["refresher_not_met"]
    assert answer.turns[0].links[0].place.entry == entry.pk
    assert "put the first day at work" in said(answer)[0]


# What happened that day --------------------------------------------------------------------------------


def test_a_check_of_that_day_is_held_against_what_was_known_then(driver, machine):
    check = DailyCheckFactory(machine=machine, operator=driver, submitted=True)
    (stored,) = asked(driver, machine, check.started_at + timedelta(minutes=5)).stored
    assert stored.row == check
    assert stored.is_same
    assert stored.result == "Fit for use"


def test_a_stored_answer_that_the_record_does_not_bear_out_is_told(driver, machine):
    refusal = RefusalFactory(machine=machine, operator=driver)
    (stored,) = asked(driver, machine, refusal.at).stored
    assert not stored.is_same
    assert stored.computed.is_allowed


def test_the_supervising_operator_of_that_day_counts_as_the_check_says(machine, driver):
    trainee = authorised_operator(machine, level="trainee")
    supervision = {"person": {"number": driver.number}, "is_confirmed": True}
    check = DailyCheckFactory(
        machine=machine,
        operator=trainee,
        submitted=True,
        supervisor=driver,
        verdict={"allowed": True, "reasons": [], "facts": {"supervision": supervision}},
    )
    answer = asked(trainee, machine, check.started_at)
    assert answer.supervisor == driver
    assert answer.supervisor_was_stored
    assert answer.now.verdict.is_allowed
    alone = asked(trainee, machine, moment_ago(20))
    assert [reason.code for reason in alone.now.verdict.reasons] == ["supervisor_missing"]


# The chain ---------------------------------------------------------------------------------------------


def test_the_chain_names_who_issued_and_what_met_each_requirement(machine, driver, trainer):
    ticket = driver.tickets.get()
    AppointmentFactory(account=trainer, category=ticket.category)
    version = machine.state.category.standard_versions.get()
    practical = EvidenceFactory(
        operator=driver,
        kind="practical",
        category=ticket.category,
        occurred_on=days_ago(3),
        recorded_by=trainer,
    )
    TicketEventFactory(
        ticket=ticket,
        kind="renewed",
        first_day=ticket.first_day,
        last_day=ticket.last_day,
        standard_version=version,
        effective_at=moment_ago(2),
        recorded_by=trainer,
    )
    chain = asked(driver, machine, moment_ago(1)).chain
    (grounds,) = chain.tickets
    assert [link.worded.recorded_by for link in grounds.events] == [None, trainer]
    once = {ground.kind: ground for ground in grounds.once}
    assert [link.row for link in once["practical"].links] == [practical]
    assert once["practical"].links[0].appointment.startswith("Idris Penhale was appointed from")
    assert once["paper"].is_met
    lasting = {ground.kind: ground for ground in chain.lasting}
    assert set(lasting) == {"medical", "induction", "familiarisation"}
    assert all(ground.is_met and ground.links for ground in lasting.values())


def test_an_app_above_says_what_evidence_came_from(machine, driver, monkeypatch):
    medical = driver.evidence.get(kind="medical")
    source = Source("assessment", "Walk-around", "assessment-record", "x", (("Score", "90 %"),))
    monkeypatch.setattr(
        "competence.queries.record_chain.CHAIN_LINKS", [*CHAIN_LINKS, lambda keys: {medical.pk: source}]
    )
    lasting = asked(driver, machine, moment_ago(1)).chain.lasting
    assert [link.source for ground in lasting for link in ground.links if ground.kind == "medical"] == [
        source
    ]


def test_the_record_takes_as_many_questions_however_long(machine, driver, django_assert_max_num_queries):
    def add():
        ticket = driver.tickets.get()
        version = StandardVersionFactory(
            category=ticket.category, recorded_at=moment_ago(1), accepts=[ticket.category]
        )
        renewal = {"kind": "renewed", "first_day": ticket.first_day, "last_day": ticket.last_day}
        TicketEventFactory(ticket=ticket, standard_version=version, **renewal)
        EvidenceFactory(operator=driver, kind="medical")
        OperatorStateFactory(operator=driver)
        MachineStateFactory(machine=machine, features=[FeatureFactory()])
        DailyCheckFactory(machine=machine, operator=driver, submitted=True)
        RefusalFactory(machine=machine, operator=driver)

    plain_standard(category=machine.state.category, recorded_at=moment_ago(1))
    add()
    with django_assert_max_num_queries(MOST_QUERIES) as first:
        asked(driver, machine, timezone.now())
    for _ in range(4):
        add()
    with django_assert_max_num_queries(MOST_QUERIES) as second:
        asked(driver, machine, timezone.now())
    assert len(second) == len(first)


# One of them reads supervising operators, where a stored check names one.
MOST_QUERIES = 24
