"""Plans of re-assessments: asked for, worked out, accepted; and the same from a terminal."""

import json
from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import models
from django.urls import reverse
from django.utils import timezone

from assessments.actions.plans import ask_for_plan, stop_plan
from assessments.models import Booking, Plan
from assessments.queries.planning import Asked, planning_task
from competence.models import Evidence, JournalEntry
from competence.permissions import NotAllowed
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    EvidenceFactory,
    MachineFactory,
    MinimumCoverFactory,
    OperatorStateFactory,
    SiteFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db


@pytest.fixture
def machine():
    machine = MachineFactory(site=SiteFactory(zone="UTC", name="Bell Pit"))
    plain_standard(category=machine.state.category, renewal_window_days=60, lapse_limit_days=180)
    return machine


@pytest.fixture
def trainer(machine):
    account = AccountFactory(roles=[("trainer", machine.site)])
    AppointmentFactory(account=account, category=machine.state.category)
    return account


def due_operator(machine, **ticket):
    """Somebody authorised, whose practical assessment is the one that the ticket was issued on."""
    operator = authorised_operator(machine, **ticket)
    practical = models.QuerySet(Evidence).filter(operator=operator, kind="practical")
    practical.update(occurred_on=days_ago(1000))
    return operator


def asked(machine, days=30, **more):
    whole = {
        "sites": (machine.site.code,),
        "first": days_ago(-1),
        "last": days_ago(-days),
        "at_weekends": True,
    }
    return Asked(**whole | more)


def needs_of(machine, **more):
    return planning_task(asked(machine, **more), timezone.now()).needs


def test_what_falls_due_is_planned_and_nothing_else(machine):
    def due(**parts):
        return due_operator(machine, **parts).tickets.get().number

    soon, lapsed = due(last_day=days_ago(-10)), due(last_day=days_ago(20))
    due(last_day=days_ago(-400))
    due(first_day=days_ago(1000), last_day=days_ago(300))
    due(last_day=days_ago(-10), is_suspended=True)
    due(last_day=days_ago(-10), is_withdrawn=True)
    due(last_day=days_ago(-10), level="trainee")
    TicketFactory(last_day=days_ago(-10), category=machine.state.category)
    assert [need.key for need in needs_of(machine)] == [lapsed, soon]


def test_who_is_booked_already_is_not_planned_again(machine, trainer):
    operator = due_operator(machine, last_day=days_ago(-10))
    Booking.objects.create(
        on=days_ago(-3),
        site=machine.site,
        machine=machine,
        operator=operator,
        assessor=trainer,
        made_at=timezone.now(),
        made_by=trainer,
    )
    task = planning_task(asked(machine), timezone.now())
    assert task.needs == ()
    (assessor,) = task.assessors
    assert assessor.away == frozenset({days_ago(-3)})


def test_a_renewal_is_planned_inside_its_window(machine):
    ends = due_operator(machine, last_day=days_ago(-80)).tickets.get()
    (need,) = needs_of(machine, days=60)
    assert need.earliest == ends.last_day - timedelta(days=60)
    assert need.latest == ends.last_day + timedelta(days=180)


def test_what_a_site_is_missing_is_counted_from_the_plans_first_day(machine):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=2)
    due_operator(machine, last_day=days_ago(-2))
    task = planning_task(asked(machine, days=4), timezone.now())
    assert task.missing == {(machine.site.code, machine.state.category.code): [1, 1, 2, 2]}


def test_a_task_takes_as_many_statements_for_many_as_for_one(machine, trainer, django_assert_max_num_queries):
    for _ in range(6):
        due_operator(machine, last_day=days_ago(-10))
    AppointmentFactory.create_batch(3, category=machine.state.category)
    with django_assert_max_num_queries(27):
        assert len(planning_task(asked(machine), timezone.now()).needs) == 6


def post(account, machine, **more):
    typed = {
        "sites": [machine.site.code],
        "first": days_ago(-1).isoformat(),
        "last": days_ago(-30).isoformat(),
        "capacity": "4",
        "at_weekends": "on",
        "seconds": "15",
    }
    return signed_in(account).post(reverse("plan-list"), typed | more, follow=True)


def test_from_asking_to_bookings(machine, trainer):
    people = [due_operator(machine, last_day=days_ago(-10)) for _ in range(3)]
    page = post(trainer, machine).content.decode()
    made = Plan.objects.get()
    assert made.status == "finished"
    assert all(person.name in page for person in people)
    tickets = [one["ticket"] for one in made.found["placements"]]
    assert len(tickets) == 3
    answer = signed_in(trainer).post(
        reverse("plan-accept", args=[made.pk]), {"ticket": tickets[:2]}, follow=True
    )
    assert "2 booked" in answer.content.decode()
    assert Booking.objects.count() == 2
    assert {booking.assessor for booking in Booking.objects.all()} == {trainer}
    assert JournalEntry.objects.filter(action="booking.made").exists()
    # The page shows which are booked, and books the rest.
    signed_in(trainer).post(reverse("plan-accept", args=[made.pk]), {"ticket": tickets[2:]})
    assert Booking.objects.count() == 3


def test_one_that_cannot_be_booked_any_more_books_none(machine, trainer):
    people = [due_operator(machine, last_day=days_ago(-10)) for _ in range(2)]
    post(trainer, machine)
    made = Plan.objects.get()
    OperatorStateFactory(operator=people[0], is_active=False)
    tickets = [one["ticket"] for one in made.found["placements"]]
    answer = signed_in(trainer).post(reverse("plan-accept", args=[made.pk]), {"ticket": tickets}, follow=True)
    assert "Nothing was booked" in answer.content.decode()
    assert not Booking.objects.exists()


def test_what_found_no_place_says_why(machine):
    account = AccountFactory(roles=[("trainer", machine.site)])
    due_operator(machine, last_day=days_ago(-10))
    page = post(account, machine).content.decode()
    assert "No assessor is appointed" in page


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"first": "2020-01-01"}, "Plan from tomorrow on"),
        ({"last": days_ago(0).isoformat()}, "before the first"),
        ({"last": "2999-01-01"}, "a year at most"),
        ({"sites": []}, "at least one site"),
        ({"capacity": "0"}, "greater than or equal to 1"),
    ],
)
def test_what_cannot_be_planned_is_said_and_what_was_typed_stays(machine, trainer, typed, said):
    page = post(trainer, machine, **typed).content.decode()
    assert said in page
    assert not Plan.objects.exists()


def test_a_plan_of_another_site_is_refused(machine):
    elsewhere = AccountFactory(roles=[("trainer", SiteFactory())])
    with pytest.raises(NotAllowed):
        ask_for_plan(by=elsewhere, asked=asked(machine), seconds=5)


def test_a_search_that_runs_is_shown_and_stopped(machine, trainer):
    made = Plan.objects.create(
        made_by=trainer,
        made_at=timezone.now(),
        asked=asked(machine).as_plain() | {"seconds": 30.0},
        progress={"seconds": 3.2, "gap": 0.0123, "cost": 10},
    )
    page = signed_in(trainer).get(reverse("plan", args=[made.pk])).content.decode()
    assert "3.2 of 30 seconds" in page
    assert "1.3 %" in page
    stop_plan(by=trainer, made=made)
    made.refresh_from_db()
    assert made.is_to_stop


def test_a_search_that_died_is_shown_as_failed(machine, trainer):
    made = Plan.objects.create(
        made_by=trainer,
        made_at=timezone.now() - timedelta(minutes=10),
        asked=asked(machine).as_plain() | {"seconds": 30.0},
    )
    page = signed_in(trainer).get(reverse("plan", args=[made.pk])).content.decode()
    assert "The search failed" in page
    assert "look_again.js" not in page


def test_a_trainer_who_operates_is_not_planned_to_assess_themself(machine, trainer):
    trainer.operator = due_operator(machine, last_day=days_ago(-10))
    trainer.save()
    (need,) = needs_of(machine)
    assert need.not_by == str(trainer.pk)


def told(*arguments):
    out = StringIO()
    call_command("plan", *arguments, stdout=out)
    return out.getvalue()


def test_the_terminal_plans_the_same_and_books_nothing(machine, trainer):
    operator = due_operator(machine, last_day=days_ago(-10))
    arguments = ["--site", machine.site.code, "--weekends", "--seconds", "5"]
    assert "1 of 1 placed" in told(*arguments)
    found = json.loads(told(*arguments, "--json"))
    (one,) = found["placements"]
    assert one["ticket"] == operator.tickets.get().number
    assert one["assessor"] == trainer.username
    assert not Booking.objects.exists()


@pytest.mark.parametrize(
    "arguments", [["--site", "NOWHERE"], ["--days", "0"], ["--capacity", "0"], ["--first", "2020-01-01"]]
)
def test_the_terminal_says_what_it_does_not_understand(machine, arguments):
    with pytest.raises(CommandError):
        told(*arguments)


def test_who_passed_already_waits_for_a_renewal_and_not_for_an_assessor(machine):
    operator = due_operator(machine, last_day=days_ago(-10))
    EvidenceFactory(
        operator=operator, kind="practical", category=machine.state.category, occurred_on=days_ago(2)
    )
    assert needs_of(machine) == ()


def test_what_was_renewed_since_the_plan_was_made_is_not_booked(machine, trainer):
    ticket = due_operator(machine, last_day=days_ago(-10)).tickets.get()
    post(trainer, machine)
    made = Plan.objects.get()
    ticket.last_day = days_ago(-1000)
    ticket.save()
    address = reverse("plan", args=[made.pk])
    assert "Changed since" in signed_in(trainer).get(address).content.decode()
    answer = signed_in(trainer).post(
        reverse("plan-accept", args=[made.pk]), {"ticket": [ticket.number]}, follow=True
    )
    assert "Renewed or changed since the plan was made" in answer.content.decode()
    assert not Booking.objects.exists()
