"""Booking assessments: by whom, of whom, when; all or none; and calling one off."""

from datetime import date, time

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from assessments.actions.bookings import book_assessment, book_assessments, call_off_booking
from assessments.models import Assessment, Booking
from competence.actions.errors import ActionRefused
from competence.actions.journal import seal
from competence.permissions import NotAllowed
from competence.queries.journal import verify
from tests.doors.people_world import people_world
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    ChecklistVersionFactory,
    MachineFactory,
    OperatorFactory,
    OperatorStateFactory,
)
from tests.factories.base import days_ago

from .journalled import journals
from .journalled_register import write_journal

pytestmark = pytest.mark.django_db

SOON = -7


@pytest.fixture
def world():
    found = people_world()
    found.machine = MachineFactory(fleet_number="DT-1", site=found.site, category=found.category)
    AppointmentFactory(account=found.trainer, category=found.category)
    return found


def booked(world, *operators, **more):
    whole = {
        "by": world.site_admin,
        "on": days_ago(SOON),
        "machine": world.machine,
        "assessor": world.trainer,
    }
    return book_assessments(operators=operators or [world.newcomer], **{**whole, **more})


def faults(call, *arguments, **more):
    """What was refused, by field, with nothing booked and nothing journalled."""
    before = Booking.objects.count()
    with journals(None), pytest.raises((ActionRefused, ValidationError)) as refused:
        call(*arguments, **more)
    assert Booking.objects.count() == before
    if isinstance(refused.value, ActionRefused):
        return {refused.value.field: [refused.value.sentence]}
    return refused.value.message_dict


def test_a_booking_is_at_the_site_where_the_machine_stands(world):
    write_journal()
    with journals("booking.made", rows={"assessments.booking"}):
        (booking,) = booked(world, starts_at=time(7, 30), note="At the gate")
    assert (booking.site, booking.starts_at, booking.made_by) == (world.site, time(7, 30), world.site_admin)
    seal()
    assert verify().problems == []


def test_one_operator_is_booked_by_the_same_rule(world):
    with journals("booking.made"):
        booking = book_assessment(
            by=world.trainer,
            on=days_ago(SOON),
            machine=world.machine,
            operator=world.newcomer,
            assessor=world.trainer,
        )
    assert booking.operator == world.newcomer


def test_several_people_follow_one_another_in_one_entry(world):
    third = OperatorFactory(site=world.site)
    with journals("booking.made") as entry:
        made = booked(world, third, world.newcomer, world.operator, starts_at=time(7, 30), minutes_each=45)
    assert [(b.operator, b.starts_at) for b in made] == [
        (third, time(7, 30)),
        (world.newcomer, time(8, 15)),
        (world.operator, time(9, 0)),
    ]
    assert entry().rows.count() == 3


def test_without_a_time_several_people_share_the_day(world):
    made = booked(world, world.newcomer, world.operator)
    assert {booking.starts_at for booking in made} == {None}


@pytest.mark.parametrize("minutes", [None, 0])
def test_several_people_at_one_time_need_to_know_how_long_each_takes(world, minutes):
    said = faults(booked, world, world.newcomer, world.operator, starts_at=time(7), minutes_each=minutes)
    assert list(said) == ["minutes_each"]


def test_nobody_begins_after_midnight(world):
    said = faults(booked, world, world.newcomer, world.operator, starts_at=time(23, 30), minutes_each=30)
    assert list(said) == ["minutes_each"]


def test_a_day_gone_by_on_the_sites_calendar_is_refused(world, time_machine):
    """11:30 in the evening of 10 March in UTC is 11 March in Auckland, and still the 10th in England."""
    time_machine.move_to("2026-03-10T23:30:00+00:00", tick=False)
    head = AccountFactory(roles=["site_admin", "trainer"])
    assessor = AccountFactory(roles=["trainer"])
    AppointmentFactory(account=assessor, category=world.category)
    far = MachineFactory(site__zone="Pacific/Auckland", category=world.category)
    people = {"by": head, "assessor": assessor, "on": date(2026, 3, 10)}
    assert booked(world, **people)
    there = OperatorFactory(site=far.site)
    assert list(faults(booked, world, there, machine=far, **people)) == ["on"]


def test_an_appointment_must_be_in_date_on_that_day(world):
    other = AccountFactory(roles=[("trainer", world.site)])
    assert "no appointment in date" in faults(booked, world, assessor=other)["assessor"][0]
    AppointmentFactory(
        account=other, category=world.category, first_day=days_ago(100), last_day=days_ago(SOON + 1)
    )
    assert list(faults(booked, world, assessor=other)) == ["assessor"]
    assert booked(world, assessor=other, on=days_ago(SOON + 1))


def test_the_assessor_is_a_trainer_where_the_machine_stands(world):
    AppointmentFactory(account=world.far_trainer, category=world.category)
    assert "no trainer at Home Quarry" in faults(booked, world, assessor=world.far_trainer)["assessor"][0]


def test_an_assessor_whose_account_is_closed_assesses_nobody(world):
    world.trainer.is_active = False
    world.trainer.save()
    assert list(faults(booked, world)) == ["assessor"]


def test_nobody_is_booked_with_themself(world):
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    AppointmentFactory(account=own, category=world.category)
    said = faults(booked, world, world.newcomer, world.operator, assessor=own)
    assert said == {"operators": ["Bram Bellamy (OP2): nobody assesses themself; choose another assessor."]}


def test_somebody_who_is_not_active_is_refused_by_name(world):
    OperatorStateFactory(operator=world.newcomer, is_active=False)
    said = faults(booked, world, world.operator, world.newcomer)
    assert said == {"operators": ["Bram Bellamy (OP2) is not active on the register."]}


def test_a_booking_takes_the_right_at_the_machines_site_and_at_the_operators(world):
    for account in (world.far_admin, world.far_trainer, world.auditor, world.operator_account):
        with journals(None), pytest.raises(NotAllowed):
            booked(world, by=account)
    stranger = OperatorFactory(site=world.other_site)
    with journals(None), pytest.raises(NotAllowed):
        booked(world, stranger)


def test_nobody_is_booked_twice_on_a_machine_on_one_day(world):
    booked(world)
    said = faults(booked, world, world.operator, world.newcomer)
    assert said == {"operators": ["Bram Bellamy (OP2) is booked on DT-1 for that day already."]}
    assert booked(world, on=days_ago(SOON - 1))


def test_nobody_is_in_two_cabs_at_the_same_time(world):
    booked(world, starts_at=time(7, 30))
    other = MachineFactory(site=world.site, category=world.category)
    assessor = AccountFactory(roles=[("trainer", world.site)])
    AppointmentFactory(account=assessor, category=world.category)
    more = {"machine": other, "assessor": assessor}
    said = faults(booked, world, starts_at=time(7, 30), **more)
    assert said == {"operators": ["Bram Bellamy (OP2) is booked on DT-1 at 07:30 already."]}
    assert booked(world, starts_at=time(9), **more)


def test_an_assessor_is_with_one_person_at_a_time(world):
    booked(world, starts_at=time(8, 30))
    said = faults(
        booked,
        world,
        world.operator,
        OperatorFactory(site=world.site),
        starts_at=time(7, 30),
        minutes_each=60,
    )
    assert list(said) == ["starts_at"]
    assert "at 08:30 with Bram Bellamy (OP2)" in said["starts_at"][0]


def test_a_booking_that_was_called_off_makes_room(world):
    write_journal()
    (booking,) = booked(world, starts_at=time(7, 30))
    with journals("booking.called_off", rows={"assessments.booking"}, reason="Machine down"):
        call_off_booking(by=world.trainer, booking=booking, reason=" Machine down ")
    assert booked(world, starts_at=time(7, 30))
    seal()
    assert verify().problems == []


def test_a_booking_is_called_off_once_and_with_a_reason(world):
    (booking,) = booked(world)
    assert list(faults(call_off_booking, by=world.trainer, booking=booking, reason="  ")) == ["reason"]
    call_off_booking(by=world.trainer, booking=booking, reason="Rain")
    said = faults(call_off_booking, by=world.trainer, booking=booking, reason="Rain")
    assert "already" in said[None][0]


def test_a_booking_of_another_site_is_not_called_off(world):
    (booking,) = booked(world)
    for account in (world.far_trainer, world.far_admin, world.auditor):
        with journals(None), pytest.raises(NotAllowed):
            call_off_booking(by=account, booking=booking, reason="No")


def test_what_was_begun_is_not_called_off(world):
    (booking,) = booked(world)
    assessment = Assessment.objects.create(
        operator=world.newcomer,
        machine=world.machine,
        site=world.site,
        category=world.category,
        checklist=ChecklistVersionFactory(category=world.category),
        standard_version=world.standard,
        assessor=world.trainer,
        booking=booking,
        started_at=timezone.now(),
    )
    said = faults(call_off_booking, by=world.trainer, booking=booking, reason="Rain")
    assert "was begun" in said[None][0]
    assessment.status, assessment.abandoned_why = Assessment.Status.ABANDONED, "Rain"
    assessment.save()
    call_off_booking(by=world.trainer, booking=booking, reason="Rain")
