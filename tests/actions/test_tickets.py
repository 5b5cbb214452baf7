"""What may happen to a ticket, by whom, and what it amounts to afterwards."""

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.utils import timezone

from competence.actions.clock import as_if_at
from competence.actions.corrections import Correction, correct_event
from competence.actions.errors import ActionRefused
from competence.actions.tickets import (
    issue_ticket,
    reinstate_ticket,
    renew_ticket,
    suspend_ticket,
    vary_ticket,
    withdraw_ticket,
)
from competence.models import TicketEvent
from competence.permissions import NotAllowed
from competence.queries.tickets import column_standing, fold
from competence.rules.conditions import Conditions
from competence.rules.dates import add_months, period_end
from competence.rules.standing import State
from tests.doors.people_world import people_world
from tests.factories import (
    AccountFactory,
    EvidenceFactory,
    RequirementFactory,
    RoleFactory,
    StandardVersionFactory,
    TicketFactory,
    plain_standard,
)
from tests.factories.base import days_ago, moment_ago

from .journalled import journals

pytestmark = pytest.mark.django_db
BOTH_ROWS = {"competence.ticket", "competence.ticketevent"}


@pytest.fixture
def world():
    return people_world()


def pass_all(world, operator, *, by=None, on=None, kinds=("practical", "paper")):
    return [
        EvidenceFactory(
            operator=operator,
            kind=kind,
            category=world.category,
            recorded_by=by or world.far_trainer,
            occurred_on=on or days_ago(30),
        )
        for kind in kinds
    ]


def fail_practical(world, operator, *, on):
    EvidenceFactory(
        operator=operator, kind="practical", category=world.category, is_met=False, occurred_on=on
    )


def issue(world, by=None, operator=None, **more):
    whole = {"category": world.category, "level": "full", "reason": "Passed", **more}
    return issue_ticket(by=by or world.trainer, operator=operator or world.newcomer, **whole)


def state_of(ticket):
    ticket.refresh_from_db()
    held = column_standing(ticket)
    assert held == fold(ticket, at=timezone.now(), known_at=timezone.now())
    return held.state_on(timezone.now().date()) if held else None


# Issue ---------------------------------------------------------------------------------------------------


def test_an_issue_is_journalled_and_runs_the_standards_term(world):
    pass_all(world, world.newcomer)
    with journals("ticket.issued", rows=BOTH_ROWS, reason="Passed"):
        ticket = issue(world, conditions=Conditions(max_operating_mass_kg=20_000))
    assert ticket.last_day == add_months(days_ago(0), 36) - timedelta(days=1)
    assert ticket.conditions == {"max_operating_mass_kg": 20_000}
    assert state_of(ticket) is State.IN_FORCE
    assert ticket.events.get().standard_version == world.standard


def test_nobody_issues_at_another_site_or_without_the_role(world):
    for account in (world.far_trainer, world.site_admin, world.auditor, world.operator_account):
        with journals(None), pytest.raises(NotAllowed):
            issue(world, by=account, level="trainee")


def test_nobody_decides_on_their_own_ticket(world):
    own = world.operator_account
    RoleFactory(account=own, name="trainer", site=world.site)
    pass_all(world, world.operator, on=days_ago(1))
    acts = [
        lambda: issue(world, by=own, operator=world.operator, level="trainee"),
        lambda: renew_ticket(by=own, ticket=world.ticket, assessed_on=days_ago(1), reason="x"),
        lambda: vary_ticket(by=own, ticket=world.ticket, level="trainee", reason="x"),
        lambda: reinstate_ticket(by=own, ticket=world.ticket, reason="x"),
        lambda: withdraw_ticket(by=own, ticket=world.ticket, reason="x"),
        lambda: correct_event(by=own, event=world.event, reason="x", should_say=None),
    ]
    for act in acts:
        with journals(None), pytest.raises(ActionRefused, match="their own ticket"):
            act()


def test_stopping_oneself_is_the_safe_side(world):
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    ticket = TicketFactory(operator=world.newcomer, category=world.category)
    suspend_ticket(by=own, ticket=ticket, reason="Not well")
    assert state_of(ticket) is State.SUSPENDED


def test_a_full_ticket_takes_every_requirement_and_names_what_is_missing(world):
    pass_all(world, world.newcomer, kinds=["practical"])
    with journals(None), pytest.raises(ActionRefused, match="Not on record yet: Question paper"):
        issue(world)
    assert issue(world, level="trainee").level == "trainee"


def test_an_assessment_failed_since_outweighs_the_one_that_was_passed(world):
    """Dated back to a day when all was well, the issue would pass over what is known now."""
    pass_all(world, world.newcomer, on=days_ago(30))
    fail_practical(world, world.newcomer, on=days_ago(5))
    with journals(None), pytest.raises(ActionRefused, match="was not passed"):
        issue(world, first_day=days_ago(20))


def test_a_category_without_a_standard_in_force_has_no_tickets(world):
    other = StandardVersionFactory(in_force_from=days_ago(-10)).category
    with journals(None), pytest.raises(ActionRefused, match="No standard is in force"):
        issue(world, category=other, level="trainee")


@pytest.mark.parametrize(
    ("days", "said"),
    [({"last_day": -1096}, "at most"), ({"first_day": 0, "last_day": 1}, "before the first")],
)
def test_a_period_outside_the_standards_term_is_refused(world, days, said):
    with journals(None), pytest.raises(ActionRefused, match=said) as refused:
        issue(world, level="trainee", **{name: days_ago(number) for name, number in days.items()})
    assert refused.value.field == "last_day"


def test_two_people_where_the_standard_asks_for_it():
    world = people_world(issue_by_another=True)
    pass_all(world, world.newcomer, by=world.trainer)
    with journals(None), pytest.raises(ActionRefused, match="two people"):
        issue(world)
    second = AccountFactory(roles=[("trainer", world.site)])
    assert issue(world, by=second).level == "full"


def test_somebody_who_put_right_a_slip_does_not_become_the_assessor():
    """Else the assessor would have a colleague correct a word, and issue the ticket alone."""
    world = people_world(issue_by_another=True)
    practical, _ = pass_all(world, world.newcomer, by=world.trainer)
    second = AccountFactory(roles=[("trainer", world.site)])
    EvidenceFactory(
        operator=world.newcomer,
        kind="practical",
        category=world.category,
        recorded_by=second,
        corrects=practical,
        occurred_on=practical.occurred_on,
    )
    for account in (world.trainer, second):
        with journals(None), pytest.raises(ActionRefused, match="two people"):
            issue(world, by=account)


def test_one_operator_has_one_ticket_for_one_category(world):
    with journals(None), pytest.raises(ActionRefused, match="holds ticket OP1-1"):
        issue(world, operator=world.operator, level="trainee")


def test_a_ticket_that_can_still_be_renewed_is_not_issued_over(world):
    TicketFactory(operator=world.newcomer, category=world.category, last_day=days_ago(60))
    with journals(None), pytest.raises(ActionRefused, match="can still be renewed"):
        issue(world, level="trainee")


def test_a_ticket_lapsed_for_good_is_issued_anew_on_the_same_chain(world):
    lapsed = TicketFactory(operator=world.newcomer, category=world.category, last_day=days_ago(61))
    ticket = issue(world, level="trainee")
    assert ticket.pk == lapsed.pk
    assert state_of(ticket) is State.IN_FORCE


def test_a_new_issue_on_the_day_of_a_withdrawal_is_not_withdrawn_with_the_old_one(world):
    withdraw_ticket(by=world.trainer, ticket=world.ticket, reason="Ran over a bund")
    ticket = issue(world, operator=world.operator, level="trainee")
    assert state_of(ticket) is State.IN_FORCE


def test_a_new_issue_cannot_be_dated_before_the_withdrawal(world):
    withdraw_ticket(by=world.trainer, ticket=world.ticket, reason="Ran over a bund")
    with journals(None), pytest.raises(ActionRefused, match="starts on that day or later") as refused:
        issue(world, operator=world.operator, level="trainee", first_day=days_ago(3))
    assert refused.value.field == "first_day"


def test_an_issue_entered_late_counts_from_its_first_day_and_one_entered_early_is_known_now(world):
    late = issue(world, level="trainee", first_day=days_ago(3))
    assert late.since.astimezone(ZoneInfo("Europe/London")).date() == days_ago(3)
    withdraw_ticket(by=world.trainer, ticket=late, reason="Left")
    early = issue(world, level="trainee", first_day=days_ago(-3))
    assert state_of(early) is State.NOT_STARTED


# Renew ---------------------------------------------------------------------------------------------------


def held_to(world, last_day, **more):
    first = add_months(last_day + timedelta(days=1), -36)
    return TicketFactory(
        operator=world.newcomer, category=world.category, first_day=first, last_day=last_day, **more
    )


def test_renewing_inside_the_window_loses_no_time(world):
    ticket = held_to(world, days_ago(-40))
    pass_all(world, world.newcomer, on=days_ago(1))
    with journals("ticket.renewed", rows=BOTH_ROWS):
        renew_ticket(by=world.trainer, ticket=ticket, assessed_on=days_ago(1), reason="Re-assessed")
    ticket.refresh_from_db()
    assert ticket.last_day == add_months(days_ago(-41), 36) - timedelta(days=1)


def test_renewing_before_the_window_runs_from_the_assessment(world):
    ticket = held_to(world, days_ago(-120))
    pass_all(world, world.newcomer, on=days_ago(1))
    renew_ticket(by=world.trainer, ticket=ticket, assessed_on=days_ago(1), reason="Re-assessed")
    ticket.refresh_from_db()
    assert ticket.last_day == add_months(days_ago(1), 36) - timedelta(days=1)


def test_renewing_after_the_end_starts_at_the_assessment(world):
    ticket = held_to(world, days_ago(20))
    pass_all(world, world.newcomer, on=days_ago(1))
    renew_ticket(by=world.trainer, ticket=ticket, assessed_on=days_ago(1), reason="Re-assessed")
    ticket.refresh_from_db()
    assert ticket.first_day == days_ago(1)
    assert state_of(ticket) is State.IN_FORCE


def test_a_ticket_lapsed_too_long_takes_the_full_route(world):
    ticket = held_to(world, days_ago(70))
    pass_all(world, world.newcomer, on=days_ago(1))
    with journals(None), pytest.raises(ActionRefused, match="full route") as refused:
        renew_ticket(by=world.trainer, ticket=ticket, assessed_on=days_ago(1), reason="Re-assessed")
    assert refused.value.field == "assessed_on"


def test_a_renewal_rests_on_an_assessment_of_that_day_that_nothing_later_overturned(world):
    ticket = held_to(world, days_ago(-40))
    pass_all(world, world.newcomer, on=days_ago(3))
    for day, said in ((days_ago(2), "No practical"), (days_ago(-1), "still to come")):
        with journals(None), pytest.raises(ActionRefused, match=said):
            renew_ticket(by=world.trainer, ticket=ticket, assessed_on=day, reason="Re-assessed")
    fail_practical(world, world.newcomer, on=days_ago(1))
    with journals(None), pytest.raises(ActionRefused, match="was not passed"):
        renew_ticket(by=world.trainer, ticket=ticket, assessed_on=days_ago(3), reason="Re-assessed")


def test_the_assessment_that_a_ticket_was_issued_on_does_not_renew_it_when_it_has_ended(world):
    ticket = TicketFactory(
        operator=world.newcomer, category=world.category, first_day=days_ago(400), last_day=days_ago(9)
    )
    granted = ticket.events.get().effective_at.astimezone(ZoneInfo(world.site.zone)).date()
    for day in (granted - timedelta(days=3), granted):
        pass_all(world, world.newcomer, on=day)
        with journals(None), pytest.raises(ActionRefused, match="last issued or renewed") as refused:
            renew_ticket(by=world.trainer, ticket=ticket, assessed_on=day, reason="Once more")
        assert refused.value.field == "assessed_on"


def test_an_assessment_renews_once_also_after_the_renewal_was_corrected_to_an_earlier_day(world):
    ticket = held_to(world, days_ago(-40))
    pass_all(world, world.newcomer, on=days_ago(1))
    told = {"by": world.trainer, "ticket": ticket, "assessed_on": days_ago(1), "reason": "Re-assessed"}
    renew_ticket(**told)
    renewal = ticket.events.get(kind="renewed")
    earlier = Correction(moment_ago(5), None, renewal.first_day, renewal.last_day - timedelta(days=400))
    correct_event(by=world.trainer, event=renewal, reason="Wrong end", should_say=earlier)
    with pytest.raises(ActionRefused, match="last issued or renewed"):
        renew_ticket(**told)
    correct_event(by=world.trainer, event=renewal, reason="Not renewed at all", should_say=None)
    renew_ticket(**told)


def test_a_renewal_asks_for_what_the_standard_in_force_today_newly_asks_for(world):
    ticket = held_to(world, days_ago(-40))
    pass_all(world, world.newcomer, on=days_ago(4))
    newer = plain_standard(world.category, number=2, in_force_from=days_ago(2))
    RequirementFactory(version=newer, kind="supervised_hours", hours=40)
    told = {"by": world.trainer, "ticket": ticket, "assessed_on": days_ago(4), "reason": "Re-assessed"}
    with journals(None), pytest.raises(ActionRefused, match="0 of 40 h"):
        renew_ticket(**told)
    EvidenceFactory(
        operator=world.newcomer,
        kind="supervised_hours",
        category=world.category,
        hours=40,
        occurred_on=days_ago(5),
    )
    renew_ticket(**told)


def test_a_suspended_ticket_is_reinstated_before_it_is_renewed(world):
    ticket = held_to(world, days_ago(-40), is_suspended=True)
    pass_all(world, world.newcomer, on=days_ago(1))
    with journals(None), pytest.raises(ActionRefused, match="Reinstate it first"):
        renew_ticket(by=world.trainer, ticket=ticket, assessed_on=days_ago(1), reason="Re-assessed")


# Vary, suspend, reinstate, withdraw ----------------------------------------------------------------------


def test_a_variation_changes_what_it_says_and_leaves_the_rest(world):
    before = world.ticket.last_day
    with journals("ticket.varied", rows=BOTH_ROWS):
        vary_ticket(
            by=world.trainer, ticket=world.ticket, conditions=Conditions(daylight_only=True), reason="x"
        )
    world.ticket.refresh_from_db()
    assert (world.ticket.last_day, world.ticket.conditions) == (before, {"daylight_only": True})


def test_a_trainee_ticket_becomes_full_by_the_evidence_only(world):
    ticket = TicketFactory(operator=world.newcomer, category=world.category, level="trainee")
    with journals(None), pytest.raises(ActionRefused, match="Not on record yet"):
        vary_ticket(by=world.trainer, ticket=ticket, level="full", reason="Good enough")
    pass_all(world, world.newcomer)
    vary_ticket(by=world.trainer, ticket=ticket, level="full", reason="Passed")
    ticket.refresh_from_db()
    assert ticket.level == "full"


@pytest.mark.parametrize("last_day", [days_ago(-2000), days_ago(101)])
def test_a_variation_only_brings_the_last_day_forward(world, last_day):
    with journals(None), pytest.raises(ActionRefused) as refused:
        vary_ticket(by=world.trainer, ticket=world.ticket, last_day=last_day, reason="x")
    assert refused.value.field == "last_day"


def test_suspended_reinstated_withdrawn_each_once(world):
    ticket = world.ticket
    with journals(None), pytest.raises(ActionRefused, match="not suspended"):
        reinstate_ticket(by=world.trainer, ticket=ticket, reason="x")
    with journals("ticket.suspended", rows=BOTH_ROWS):
        suspend_ticket(by=world.site_admin, ticket=ticket, reason="Seen on the phone")
    assert state_of(ticket) is State.SUSPENDED
    with journals(None), pytest.raises(ActionRefused, match="suspended already"):
        suspend_ticket(by=world.trainer, ticket=ticket, reason="x")
    with journals("ticket.reinstated", rows=BOTH_ROWS):
        reinstate_ticket(by=world.trainer, ticket=ticket, reason="Spoken to")
    assert state_of(ticket) is State.IN_FORCE
    with journals("ticket.withdrawn", rows=BOTH_ROWS):
        withdraw_ticket(by=world.trainer, ticket=ticket, reason="Ran over a bund")
    assert state_of(ticket) is State.WITHDRAWN
    for act in (suspend_ticket, reinstate_ticket, withdraw_ticket):
        with journals(None), pytest.raises(ActionRefused, match="was withdrawn"):
            act(by=world.trainer, ticket=ticket, reason="x")


def test_a_site_admin_stops_but_does_not_decide(world):
    for act in (withdraw_ticket, reinstate_ticket):
        with journals(None), pytest.raises(NotAllowed):
            act(by=world.site_admin, ticket=world.ticket, reason="x")
    for account in (world.far_admin, world.far_trainer, world.auditor, world.operator_account):
        with journals(None), pytest.raises(NotAllowed):
            suspend_ticket(by=account, ticket=world.ticket, reason="x")


@pytest.mark.parametrize("act", [suspend_ticket, withdraw_ticket])
def test_a_stop_dated_before_the_issue_would_stop_nobody_and_is_refused(world, act):
    with journals(None), pytest.raises(ActionRefused, match="would stop nobody") as refused:
        act(by=world.trainer, ticket=world.ticket, reason="x", effective_at=moment_ago(300))
    assert refused.value.field == "effective_at"
    assert state_of(world.ticket) is State.IN_FORCE


def test_a_suspension_dated_before_a_reinstatement_would_stop_nobody_and_is_refused(world):
    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="x", effective_at=moment_ago(9))
    reinstate_ticket(by=world.trainer, ticket=world.ticket, reason="x")
    with journals(None), pytest.raises(ActionRefused, match="would stop nobody"):
        suspend_ticket(by=world.trainer, ticket=world.ticket, reason="x", effective_at=moment_ago(2))


def test_a_stop_said_by_word_of_mouth_counts_from_when_it_was_said(world):
    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="x", effective_at=moment_ago(2))
    then = fold(world.ticket, at=moment_ago(1), known_at=timezone.now())
    assert then.is_suspended
    assert not fold(world.ticket, at=moment_ago(1), known_at=moment_ago(1)).is_suspended


def test_no_event_is_without_a_reason(world):
    from django.core.exceptions import ValidationError

    for act in (suspend_ticket, withdraw_ticket):
        with journals(None), pytest.raises(ValidationError):
            act(by=world.trainer, ticket=world.ticket, reason="")
    assert TicketEvent.objects.filter(ticket=world.ticket).count() == 1


# Corrections ---------------------------------------------------------------------------------------------


def says(world, **more):
    event = world.event
    whole = {
        "effective_at": event.effective_at,
        "level": event.level,
        "first_day": event.first_day,
        "last_day": event.last_day,
        "conditions": Conditions(),
    }
    return Correction(**{**whole, **more})


def correct(world, event=None, by=None, **more):
    return correct_event(
        by=by or world.trainer, event=event or world.event, reason="Misread", should_say=says(world, **more)
    )


def test_a_correction_is_journalled_and_the_event_stays(world):
    sooner = world.event.last_day - timedelta(days=10)
    with journals("ticket.corrected", rows=BOTH_ROWS, reason="Misread"):
        ticket = correct(world, last_day=sooner)
    assert ticket.last_day == sooner
    assert TicketEvent.objects.get(pk=world.event.pk).last_day != sooner


def test_a_correction_of_a_correction_is_one_of_the_event_itself(world):
    correct(world, last_day=world.event.last_day - timedelta(days=10))
    second = world.ticket.events.get(sequence=2)
    ticket = correct(world, event=second, last_day=world.event.last_day - timedelta(days=20))
    assert ticket.last_day == world.event.last_day - timedelta(days=20)
    assert ticket.events.get(sequence=3).corrects == world.event


def test_a_correction_that_changes_nothing_is_refused(world):
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        correct(world)
    sooner = world.event.last_day - timedelta(days=10)
    correct(world, last_day=sooner)
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        correct(world, last_day=sooner)
    correct_event(by=world.trainer, event=world.event, reason="Wrong person", should_say=None)
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        correct_event(by=world.trainer, event=world.event, reason="Once more", should_say=None)
    assert correct(world, last_day=sooner).last_day == sooner


def test_a_struck_out_issue_is_no_ticket_and_can_be_issued_anew(world):
    ticket = correct_event(by=world.trainer, event=world.event, reason="Wrong person", should_say=None)
    assert state_of(ticket) is None
    with journals(None), pytest.raises(ActionRefused, match="struck out"):
        suspend_ticket(by=world.trainer, ticket=ticket, reason="x")
    assert state_of(issue(world, operator=world.operator, level="trainee")) is State.IN_FORCE


def test_a_struck_out_suspension_never_was(world):
    suspend_ticket(by=world.site_admin, ticket=world.ticket, reason="Wrong man")
    stop = world.ticket.events.get(sequence=2)
    assert (
        state_of(correct_event(by=world.trainer, event=stop, reason="Wrong man", should_say=None))
        is State.IN_FORCE
    )


def test_a_correction_gives_full_level_by_the_evidence_only(world):
    trainee = TicketFactory(operator=world.newcomer, category=world.category, level="trainee")
    event = trainee.events.get()
    with journals(None), pytest.raises(ActionRefused, match="Not on record for full level") as refused:
        correct(world, event=event, level="full")
    assert refused.value.field == "level"
    pass_all(world, world.newcomer, on=days_ago(120))
    assert correct(world, event=event, level="full").level == "full"


def test_the_assessor_does_not_give_full_level_by_correction_either():
    world = people_world(issue_by_another=True)
    trainee = TicketFactory(operator=world.newcomer, category=world.category, level="trainee")
    pass_all(world, world.newcomer, on=days_ago(120), by=world.trainer)
    with journals(None), pytest.raises(ActionRefused, match="two people"):
        correct(world, event=trainee.events.get(), level="full")


def test_a_correction_runs_no_longer_than_its_event_could_have(world):
    term = period_end(world.event.first_day, 36, "day_before")
    with journals(None), pytest.raises(ActionRefused, match="at most"):
        correct(world, last_day=term + timedelta(days=1))
    vary_ticket(by=world.trainer, ticket=world.ticket, last_day=days_ago(-50), reason="x")
    varied = world.ticket.events.get(sequence=2)
    with journals(None), pytest.raises(ActionRefused, match="at most"):
        correct(
            world,
            event=varied,
            effective_at=varied.effective_at,
            last_day=world.event.last_day + timedelta(days=9),
        )


def test_a_correction_that_leaves_out_what_an_issue_states_is_refused(world):
    for part in ("level", "first_day", "last_day"):
        with journals(None), pytest.raises(ActionRefused, match="An issue states"):
            correct(world, **{part: None})
    with journals(None), pytest.raises(ActionRefused) as refused:
        correct(world, last_day=world.event.first_day - timedelta(days=1))
    assert refused.value.field == "last_day"


def test_only_a_trainer_of_the_site_corrects(world):
    for account in (world.site_admin, world.far_trainer, world.auditor):
        with journals(None), pytest.raises(NotAllowed):
            correct(world, by=account, level="trainee")


def test_an_invented_history_is_dated_as_it_is_told(world):
    with as_if_at(datetime(2025, 6, 1, 9, 0, tzinfo=UTC)):
        ticket = issue(world, level="trainee", first_day=date(2025, 6, 1))
    assert ticket.events.get().recorded_at == datetime(2025, 6, 1, 9, 0, tzinfo=UTC)
