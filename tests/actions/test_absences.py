"""Who is away: entered, called off, refused; and what plans, bookings and cover make of it."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.urls import reverse
from django.utils import timezone

from assessments.actions.bookings import book_assessment
from assessments.models import Booking
from assessments.queries.cover import site_forecasts
from assessments.queries.planning import Asked, planning_task
from assessments.rules.planning import why_not
from competence.actions.absences import call_off_absence, record_absence, remarks_on
from competence.actions.errors import ActionRefused
from competence.models import Absence, JournalEntry
from competence.permissions import NotAllowed
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    MachineFactory,
    MinimumCoverFactory,
    SiteFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.absences import AbsenceFactory
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)
FIRST, LAST = days_ago(-3), days_ago(-6)


@pytest.fixture
def machine():
    machine = MachineFactory(site=SiteFactory(zone="UTC", name="Bell Pit"))
    plain_standard(category=machine.state.category, renewal_window_days=60, lapse_limit_days=180)
    return machine


@pytest.fixture
def admin(machine):
    return AccountFactory(roles=[("site_admin", machine.site)])


@pytest.fixture
def trainer(machine):
    account = AccountFactory(first_name="Tess", last_name="Trant", roles=[("trainer", machine.site)])
    AppointmentFactory(account=account, category=machine.state.category)
    return account


def enter(by, **more):
    return record_absence(by=by, **{"first_day": FIRST, "last_day": LAST, "kind": "leave"} | more)


def test_several_are_entered_at_once_in_one_entry(machine, admin, trainer):
    people = [authorised_operator(machine) for _ in range(2)]
    made = enter(admin, operators=people, accounts=[trainer], note="Back on Monday")
    assert {one.person for one in made} == {*people, trainer}
    assert JournalEntry.objects.filter(action="absence.entered").count() == 1


def test_an_assessor_who_operates_is_entered_as_an_operator(machine, admin, trainer):
    trainer.operator = authorised_operator(machine)
    trainer.save()
    (made,) = enter(admin, operators=[trainer.operator], accounts=[trainer])
    assert (made.operator, made.account) == (trainer.operator, None)


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"last_day": FIRST - DAY}, "last_day"),
        ({"last_day": FIRST + 366 * DAY}, "last_day"),
        ({"first_day": days_ago(900), "last_day": days_ago(890)}, "last_day"),
        ({"kind": "  "}, "kind"),
        ({"operators": []}, "operators"),
    ],
)
def test_what_is_no_absence_is_refused_at_its_field(machine, admin, wrong, field):
    with pytest.raises(ActionRefused) as refused:
        enter(admin, **{"operators": [authorised_operator(machine)]} | wrong)
    assert refused.value.field == field
    assert not Absence.objects.exists()


def test_nobody_is_away_twice_on_one_day_and_all_are_refused_for_one(machine, admin):
    first, second = authorised_operator(machine), authorised_operator(machine)
    enter(admin, operators=[first])
    with pytest.raises(ValidationError, match=f"{first.name} is away from"):
        enter(admin, operators=[second, first], first_day=LAST, last_day=LAST + DAY)
    assert Absence.objects.count() == 1
    enter(admin, operators=[second, first], first_day=LAST + DAY, last_day=LAST + DAY)


def test_who_is_called_off_is_there_and_can_be_away_again(machine, admin):
    person = authorised_operator(machine)
    (made,) = enter(admin, operators=[person])
    call_off_absence(by=admin, absence=made)
    with pytest.raises(ActionRefused, match="called off already"):
        call_off_absence(by=admin, absence=made)
    enter(admin, operators=[person])
    assert Absence.objects.filter(called_off_at=None).count() == 1


def test_another_site_enters_and_calls_off_nothing(machine, admin, trainer):
    elsewhere = AccountFactory(roles=[("site_admin", SiteFactory())])
    person = authorised_operator(machine)
    for whom in ({"operators": [person]}, {"accounts": [trainer]}):
        with pytest.raises(NotAllowed):
            enter(elsewhere, **whom)
    for (made,) in (enter(admin, operators=[person]), enter(admin, accounts=[trainer])):
        with pytest.raises(NotAllowed):
            call_off_absence(by=elsewhere, absence=made)


def test_who_is_away_is_authorised_and_not_counted_on(machine, admin):
    people = [authorised_operator(machine) for _ in range(2)]
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=2)
    enter(admin, operators=people[:1])
    (found,) = site_forecasts(machine.site, moment=timezone.now(), days=10)
    assert found.certain.tolist() == [2] * 10
    assert found.available.tolist() == [2, 2, 2, 1, 1, 1, 1, 2, 2, 2]
    assert found.first_short == FIRST
    assert found.is_short_by_absence
    assert [(change.on, change.available) for change in found.changes] == [
        (days_ago(0), 2),
        (FIRST, 1),
        (LAST + DAY, 2),
    ]
    assert (found.short > 0).tolist() == [False] * 3 + [True] * 4 + [False] * 3


def asked(machine):
    return Asked((machine.site.code,), FIRST, LAST, at_weekends=True)


def test_nobody_is_planned_on_a_day_away_and_the_plan_says_so(machine, admin, trainer):
    person = authorised_operator(machine, last_day=days_ago(-10))
    person.evidence.model._base_manager.filter(kind="practical")._raw_delete("default")
    enter(admin, operators=[person], last_day=LAST - DAY)
    enter(admin, accounts=[trainer], first_day=LAST, last_day=LAST)
    task = planning_task(asked(machine), timezone.now())
    (need,), (assessor,) = task.needs, task.assessors
    assert need.away == {FIRST, FIRST + DAY, FIRST + 2 * DAY}
    assert assessor.away == {LAST}
    assert (
        why_not(task, need) == "Every assessor who may is away, or booked already, on the days of its window."
    )
    enter(admin, operators=[person], first_day=LAST, last_day=LAST)
    task = planning_task(asked(machine), timezone.now())
    assert why_not(task, task.needs[0]).startswith("The person is away, or booked already")


@pytest.mark.parametrize("who", ["operator", "assessor"])
def test_nobody_is_booked_on_a_day_away(machine, admin, trainer, who):
    person = authorised_operator(machine)
    enter(admin, **({"operators": [person]} if who == "operator" else {"accounts": [trainer]}))
    booking = {"by": trainer, "operator": person, "machine": machine, "assessor": trainer}
    with pytest.raises(ValidationError, match="is away from") as refused:
        book_assessment(on=LAST, **booking)
    assert list(refused.value.message_dict) == ["operators" if who == "operator" else "assessor"]
    assert not Booking.objects.exists()
    book_assessment(on=LAST + DAY, **booking)


def test_a_booking_that_stands_is_told_of(machine, admin, trainer):
    person = authorised_operator(machine)
    book_assessment(by=trainer, operator=person, machine=machine, assessor=trainer, on=LAST)
    for made in (enter(admin, operators=[person]), enter(admin, accounts=[trainer])):
        (said,) = remarks_on(made)
        assert person.name in said
        assert "Tess Trant" in said


def test_a_site_admin_enters_several_and_sees_the_month(machine, admin, trainer):
    people = [authorised_operator(machine) for _ in range(2)]
    client, site = signed_in(admin), machine.site
    typed = {
        "operators": [person.pk for person in people],
        "assessors": [trainer.pk],
        "first_day": FIRST.isoformat(),
        "last_day": FIRST.isoformat(),
        "kind": "course",
    }
    answer = client.post(f"{reverse('absence-new')}?site={site.code}", typed, follow=True)
    assert "3 people are away then" in answer.content.decode()
    rows = answer.context["rows"]
    assert {row.person for row in rows} == {*people, trainer}
    assert all([cell.on for cell in row.cells if cell.is_away] == [FIRST] for row in rows)
    shown = client.get(reverse("operator", args=[people[0].number])).content.decode()
    assert "course" in shown
    absence = people[0].absences.get()
    client.post(reverse("absence-call-off", args=[absence.pk]))
    assert "No days away" in client.get(reverse("operator", args=[people[0].number])).content.decode()


def test_what_was_typed_stays_where_it_is_refused(machine, admin):
    url = f"{reverse('absence-new')}?site={machine.site.code}"
    person = authorised_operator(machine)
    typed = {
        "first_day": LAST.isoformat(),
        "last_day": FIRST.isoformat(),
        "kind": "leave",
        "operators": [person.pk],
    }
    answer = signed_in(admin).post(url, typed)
    assert "before the first day" in answer.content.decode()
    assert 'value="leave"' in answer.content.decode()
    assert not Absence.objects.exists()


def test_an_auditor_does_not_see_who_is_away(machine):
    absence = AbsenceFactory(operator=authorised_operator(machine), kind="sick")
    auditor = AccountFactory(roles=[("auditor", machine.site)])
    page = signed_in(auditor).get(reverse("operator", args=[absence.operator.number])).content.decode()
    assert "sick" not in page
    assert signed_in(auditor).get(reverse("absence-list")).status_code == 403


def test_the_month_takes_as_many_statements_for_many_as_for_one(
    machine, admin, django_assert_max_num_queries
):
    for _ in range(5):
        AbsenceFactory(operator=authorised_operator(machine))
    client = signed_in(admin)
    with django_assert_max_num_queries(8):
        client.get(reverse("absence-list"))
