"""Bookings on screen, and the start pages of who assesses and who is assessed."""

from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from assessments.models import Assessment, Booking
from assessments.queries.due import trainer_day
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    ChecklistVersionFactory,
    EvidenceFactory,
    MachineFactory,
    OperatorFactory,
    SiteFactory,
    TicketFactory,
)
from tests.factories.base import days_ago

from .people_world import people_world

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    found = people_world()
    found.machine = MachineFactory(fleet_number="DT-1", site=found.site, category=found.category)
    found.trainer.first_name, found.trainer.last_name = "Tess", "Thornby"
    found.trainer.save()
    AppointmentFactory(account=found.trainer, category=found.category)
    return found


@pytest.fixture
def get(client):
    def ask(account, name, *args, **query):
        client.force_login(account)
        return client.get(reverse(name, args=args), query)

    return ask


@pytest.fixture
def post(client):
    def send(account, name, *args, query="", **data):
        client.force_login(account)
        return client.post(reverse(name, args=args) + query, data, follow=True)

    return send


def errors(page):
    return {field: list(said) for field, said in page.context["form"].errors.items()}


def a_booking(world, **more):
    whole = {
        "on": days_ago(-3),
        "site": world.site,
        "machine": world.machine,
        "operator": world.newcomer,
        "assessor": world.trainer,
        "made_at": timezone.now(),
        "made_by": world.trainer,
    }
    return Booking.objects.create(**{**whole, **more})


def an_assessment(world, status="marking", **more):
    whole = {
        "operator": world.newcomer,
        "machine": world.machine,
        "site": world.site,
        "category": world.category,
        "checklist": world.category.checklist_versions.first()
        or ChecklistVersionFactory(category=world.category),
        "standard_version": world.standard,
        "assessor": world.trainer,
        "started_at": timezone.now(),
        "status": status,
    }
    if status in ("finished", "confirmed"):
        whole |= {"finished_at": timezone.now(), "outcome": {}, "is_competent": True}
    if status == "confirmed":
        whole |= {"assessor_confirmed_at": timezone.now(), "operator_confirmed_at": timezone.now()}
    return Assessment.objects.create(**{**whole, **more})


def typed(world, **more):
    return {
        "operators": [world.newcomer.pk],
        "machine": world.machine.pk,
        "assessor": world.trainer.pk,
        "on": days_ago(-3).isoformat(),
        **more,
    }


def part_of(page, template):
    return next(
        (p.content for p in page.context["parts"] if p.template == f"assessments/bookings/{template}.html"),
        None,
    )


# The list ------------------------------------------------------------------------------------------------


def test_an_assessor_sees_their_own_bookings_first_and_the_sites_on_asking(get, world):
    mine = a_booking(world)
    other = a_booking(world, operator=world.operator, assessor=world.head_trainer)
    a_booking(world, site=world.other_site, machine=MachineFactory(site=world.other_site))

    def shown(account, **query):
        return [row["booking"] for row in get(account, "booking-list", **query).context["rows"]]

    assert shown(world.trainer) == [mine]
    assert set(shown(world.trainer, whose="all")) == {mine, other}
    assert set(shown(world.site_admin)) == {mine, other}
    assert len(shown(world.auditor)) == 2


def test_the_list_begins_today_by_the_sites_calendar_and_leaves_out_what_was_called_off(
    get, world, time_machine
):
    """At 12:30 in UTC the 11th has begun in Auckland, and the 10th is over there."""
    time_machine.move_to("2026-03-10T12:30:00+00:00", tick=False)
    auckland = SiteFactory(zone="Pacific/Auckland")
    there = MachineFactory(site=auckland, category=world.category)
    days = [datetime(2026, 3, day).date() for day in (9, 10, 11)]
    for on in days:
        a_booking(world, on=on)
        a_booking(world, on=on, site=auckland, machine=there)
    a_booking(world, operator=world.operator, called_off_at=timezone.now(), called_off_why="Rain")
    rows = get(world.head_trainer, "booking-list", whose="all").context["rows"]
    assert [(row["booking"].site.zone, row["booking"].on.day, row["is_today"]) for row in rows] == [
        ("Europe/London", 10, True),
        ("Europe/London", 11, False),
        ("Pacific/Auckland", 11, True),
    ]


def test_the_list_is_narrowed(get, world):
    a_booking(world)
    other = a_booking(world, operator=world.operator)

    def shown(**query):
        return [row["booking"] for row in get(world.trainer, "booking-list", **query).context["rows"]]

    assert shown(q="ashworth") == [other]
    assert len(shown(q="DT-1")) == 2
    assert len(shown(category="dumper", site="HOME")) == 2
    assert shown(category="grader") == []
    assert len(shown(site="HOME", q="\x00")) == 2


def test_the_list_takes_as_many_statements_however_long(client, world):
    client.force_login(world.trainer)

    def statements():
        with CaptureQueriesContext(connection) as captured:
            assert client.get(reverse("booking-list")).status_code == 200
        return len(captured)

    a_booking(world)
    few = statements()
    for person in OperatorFactory.create_batch(12, site=world.site):
        an_assessment(world, operator=person, booking=a_booking(world, operator=person))
    assert statements() == few
    assert few <= 14


def test_only_the_assessor_starts_and_only_today(get, world):
    today = datetime.now(ZoneInfo(world.site.zone)).date()
    a_booking(world, on=today)
    a_booking(world, on=today + timedelta(days=1))

    def starts(account):
        rows = get(account, "booking-list", whose="all").context["rows"]
        return [row["may_start"] for row in rows]

    assert starts(world.trainer) == [True, False]
    assert starts(world.site_admin) == [False, False]


# Making one ----------------------------------------------------------------------------------------------


def test_the_form_comes_filled_in_from_the_link(get, world):
    page = get(world.trainer, "booking-new", operator="OP2", category="dumper")
    form = page.context["form"]
    assert form["operators"].value() == [world.newcomer.pk]
    assert form["assessor"].value() == world.trainer.pk
    assert list(form.fields["machine"].queryset) == [world.machine]
    text = page.content.decode()
    assert f'value="{world.newcomer.pk}" class="form-check-input" id="id_operators_' in text


def test_somebody_of_another_site_is_not_in_the_form(get, world):
    OperatorFactory(number="FAR1", site=world.other_site)
    assert get(world.trainer, "booking-new", operator="FAR1").status_code == 403
    form = get(world.trainer, "booking-new", site="OTHER").context["form"]
    assert set(form.fields["operators"].queryset) == {world.operator, world.newcomer}


def test_several_people_are_booked_in_one_go(post, world):
    page = post(
        world.trainer,
        "booking-new",
        **typed(
            world, operators=[world.newcomer.pk, world.operator.pk], starts_at="07:30", minutes_each="45"
        ),
    )
    assert page.redirect_chain[-1][0] == reverse("booking-list") + "?whose=mine"
    assert [booking.starts_at for booking in Booking.objects.order_by("starts_at")] == [
        time(7, 30),
        time(8, 15),
    ]
    assert "Ada Ashworth at 07:30, Bram Bellamy at 08:15" in page.content.decode()


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"on": days_ago(2).isoformat()}, "on"),
        ({"on": "31 February"}, "on"),
        ({"on": ""}, "on"),
        ({"starts_at": "half past"}, "starts_at"),
        ({"operators": []}, "operators"),
        ({"operators": ["x"]}, "operators"),
        ({"operators": ["999999"]}, "operators"),
        ({"machine": ""}, "machine"),
        ({"assessor": "999999"}, "assessor"),
        ({"minutes_each": "-5"}, "minutes_each"),
        ({"note": "n" * 301}, "note"),
    ],
)
def test_bad_input_is_told_beside_its_field_and_the_rest_is_kept(post, world, more, field):
    page = post(world.trainer, "booking-new", **{**typed(world, note="By the weighbridge"), **more})
    assert page.status_code == 200
    assert list(errors(page)) == [field]
    if field != "note":
        assert "By the weighbridge" in page.content.decode()
    assert not Booking.objects.exists()


def test_an_appointment_that_is_not_in_date_is_told_beside_the_assessor_and_ticks_are_kept(post, world):
    page = post(
        world.trainer, "booking-new", **typed(world, on=days_ago(-1000).isoformat(), note="By the gate")
    )
    (said,) = errors(page)["assessor"]
    assert "no appointment in date for Dumper" in said
    assert page.context["form"]["operators"].value() == [str(world.newcomer.pk)]
    assert "checked" in page.content.decode()


def test_booking_twice_is_told_beside_the_people(post, world):
    a_booking(world)
    (said,) = errors(post(world.trainer, "booking-new", **typed(world)))["operators"]
    assert said == "Bram Bellamy (OP2) is booked on DT-1 for that day already."


def test_oneself_is_told_beside_the_people(post, world):
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    AppointmentFactory(account=own, category=world.category)
    page = post(own, "booking-new", **typed(world, assessor=own.pk))
    assert "nobody assesses themself" in errors(page)["operators"][0]


# Calling off ---------------------------------------------------------------------------------------------


def test_a_booking_is_called_off_with_a_reason(post, world):
    booking = a_booking(world)
    assert list(errors(post(world.trainer, "booking-call-off", booking.pk, reason=" "))) == ["reason"]
    post(world.trainer, "booking-call-off", booking.pk, reason="Machine down")
    booking.refresh_from_db()
    assert booking.called_off_why == "Machine down"
    page = post(world.trainer, "booking-call-off", booking.pk, reason="Machine down")
    assert "called off already" in page.content.decode()


def test_an_unknown_booking_is_a_page_that_says_so(get, world):
    assert get(world.trainer, "booking-call-off", 999).status_code == 404


# The start pages -----------------------------------------------------------------------------------------


def test_the_trainers_day_shows_what_is_unfinished_and_who_is_booked(get, world):
    draft = an_assessment(world)
    waiting = an_assessment(world, "finished", operator=world.operator)
    an_assessment(world, assessor=world.head_trainer)
    today = datetime.now(ZoneInfo(world.site.zone)).date()
    booking = a_booking(world, on=today, starts_at=time(7, 30))
    a_booking(world, on=today + timedelta(days=1))
    page = get(world.trainer, "home")
    day = part_of(page, "home_trainer")
    assert (day.drafts, day.waiting, day.today) == ([draft], [waiting], [booking])
    assert "Yours is missing" in page.content.decode()


def test_who_is_due_is_sorted_by_last_day_and_says_whether_they_are_booked(get, world):
    """In 89 days, in 92; lapsed within the standard's 60 days, and beyond; withdrawn; inactive; elsewhere."""

    def held(last, **more):
        person = more.pop("operator", None) or OperatorFactory(site=world.site)
        return TicketFactory(operator=person, category=world.category, last_day=days_ago(-last), **more)

    soon, lapsed = held(89), held(-59)
    held(92), held(-62), held(10, is_withdrawn=True)
    held(10, operator=OperatorFactory(site=world.site, is_active=False))
    held(10, operator=OperatorFactory(site=world.other_site))
    booking = a_booking(world, operator=soon.operator)
    page = get(world.trainer, "home")
    due = part_of(page, "home_trainer").due
    assert [(one.ticket, one.booking) for one in due] == [(lapsed, None), (soon, booking)]
    assert f"?operator={lapsed.operator.number}&amp;category=dumper" in page.content.decode()
    assert [one.state.word for one in due] == ["Ended", "In force"]


def test_who_has_passed_is_renewed_and_not_booked_again(get, world):
    person = OperatorFactory(site=world.site)
    ticket = TicketFactory(operator=person, category=world.category, last_day=days_ago(-10))
    EvidenceFactory(operator=person, kind="practical", category=world.category, occurred_on=days_ago(1))
    page = get(world.trainer, "home")
    (due,) = part_of(page, "home_trainer").due
    assert due.ready.passed_on == days_ago(1)
    assert reverse("ticket-renew", args=[ticket.number]) in page.content.decode()


def test_a_booking_for_another_category_does_not_count_as_booked(get, world):
    ticket = TicketFactory(operator=world.newcomer, category=world.category, last_day=days_ago(-10))
    a_booking(world, machine=MachineFactory(site=world.site))
    (due,) = part_of(get(world.trainer, "home"), "home_trainer").due
    assert (due.ticket, due.booking) == (ticket, None)


def test_the_trainers_day_takes_eleven_statements_however_full(world, django_assert_num_queries):
    account = type(world.trainer).objects.get(pk=world.trainer.pk)
    today = datetime.now(ZoneInfo(world.site.zone)).date()
    for _ in range(2):
        for person in OperatorFactory.create_batch(9, site=world.site):
            TicketFactory(operator=person, category=world.category, last_day=days_ago(-10))
            an_assessment(world, operator=person, booking=a_booking(world, operator=person, on=today))
            an_assessment(world, "finished", operator=person)
        with django_assert_num_queries(11):
            day = trainer_day(account, frozenset({world.site.pk}), timezone.now())
    assert (len(day.due), day.has_more_due, len(day.today)) == (8, True, 18)


def test_an_operator_reads_what_they_are_booked_for(get, world):
    a_booking(world, operator=world.operator, starts_at=time(7, 30), on=datetime(2099, 12, 3).date())
    page = get(world.operator_account, "home")
    text = " ".join(page.content.decode().split())
    assert "You are booked for 3 December at 07:30<" in text
    assert "Home Quarry, DT-1 with Tess Thornby." in text
    assert page.context["is_for_phone"]


def test_an_operator_who_is_booked_for_nothing_has_no_such_part(get, world):
    a_booking(world)
    a_booking(world, operator=world.operator, called_off_at=timezone.now(), called_off_why="Rain")
    assert part_of(get(world.operator_account, "home"), "home_operator") is None


def test_who_books_but_does_not_assess_has_the_ways_in(get, world):
    assert "home_ways" in str([part.template for part in get(world.site_admin, "home").context["parts"]])
    assert "home_ways" not in str([part.template for part in get(world.auditor, "home").context["parts"]])


@pytest.mark.parametrize(
    ("state", "words"),
    [
        ("marking", "Begun: open it"),
        ("finished", "Finished, to be confirmed"),
        ("confirmed", "Finished and confirmed"),
    ],
)
def test_a_booking_says_how_far_its_assessment_has_come(get, world, state, words):
    booking = a_booking(world)
    an_assessment(world, state, booking=booking)
    assert words in get(world.trainer, "booking-list").content.decode()
