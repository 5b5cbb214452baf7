"""What runs out: the list, its order, its file, its message, and the way into a booking."""

import csv
import io
from datetime import timedelta

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from assessments.queries.cover import site_forecasts
from assessments.queries.ends import EndsAsked, ends_asked
from competence.models import Evidence
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    AppointmentFactory,
    EmployerFactory,
    EvidenceFactory,
    MachineFactory,
    MachineUseFactory,
    MinimumCoverFactory,
    OperatorFactory,
    SiteFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)


@pytest.fixture
def machine():
    machine = MachineFactory(site=SiteFactory(zone="UTC", name="Bell Pit", code="BELL"))
    plain_standard(category=machine.state.category)
    return machine


@pytest.fixture
def admin(machine):
    return AccountFactory(roles=[("site_admin", machine.site)])


def somebody(machine, days, **person):
    """An operator whose ticket for the machine ends so many days from today."""
    operator = OperatorFactory(site=machine.site, **person)
    return authorised_operator(machine, operator=operator, last_day=days_ago(-days))


def listed(**asked):
    return ends_asked(EndsAsked(**asked), None, timezone.now()).rows


def page_of(account, name="end-list", **query):
    return signed_in(account).get(reverse(name), query).content.decode()


def test_a_loss_that_leaves_the_site_short_comes_before_one_that_is_sooner(machine):
    other = MachineFactory(site=machine.site)
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=3)
    soon = somebody(other, 3)
    somebody(machine, 900), somebody(machine, 900)
    needed = somebody(machine, 20)
    rows = listed(days=30)
    assert [row.number for row in rows] == [needed.number, soon.number]
    day = days_ago(-21)
    year = "" if day.year == days_ago(-20).year else f" {day.year}"
    assert rows[0].consequence.words == (
        f"Leaves Bell Pit one short of 3 for {machine.state.category.name} from {day.day} {day:%b}{year}"
    )


def test_every_shortage_told_is_the_forecasts_own(machine):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=2)
    for days in (4, 9, 9, 15, 40):
        somebody(machine, days)
    (forecast,) = site_forecasts(machine.site, moment=timezone.now(), days=60)
    for row in listed(days=30):
        left = int(forecast.certain[row.days_left + 1])
        assert row.is_short == (left < 2)


def test_what_ended_and_left_the_site_short_says_so(machine):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    somebody(machine, -4)
    (row,) = listed(days=0)
    assert row.consequence.words == f"Bell Pit is one short of 1 for {machine.state.category.name}"
    assert row.when_words == "4 days ago"


def test_a_medical_and_refresher_questions_are_ends_too(machine):
    operator = somebody(machine, 900)
    EvidenceFactory(operator=operator, kind="medical", occurred_on=days_ago(1), counts_to=days_ago(-12))
    assert [(row.kind, row.days_left) for row in listed(days=30)] == [("medical", 12)]
    assert listed(days=30, kind="ticket") == []
    (row,) = listed(days=30, kind="medical", category=machine.state.category.code)
    assert row.needed_for == machine.state.category.name


def test_a_corrected_medical_counts_as_corrected(machine):
    operator = somebody(machine, 900)
    wrong = EvidenceFactory(
        operator=operator, kind="medical", occurred_on=days_ago(1), counts_to=days_ago(-12)
    )
    Evidence.objects.create(
        operator=operator,
        kind="medical",
        occurred_on=days_ago(1),
        counts_to=days_ago(-300),
        came_from="Paper file.",
        recorded_at=timezone.now(),
        corrects=wrong,
        reason="Misread.",
    )
    assert listed(days=30) == []


def test_who_has_left_and_what_was_withdrawn_run_out_of_nothing(machine):
    somebody(machine, 5, is_active=False)
    TicketFactory(
        operator=OperatorFactory(site=machine.site),
        category=machine.state.category,
        last_day=days_ago(-5),
        is_withdrawn=True,
    )
    assert listed(days=30) == []


def test_the_last_appointment_to_assess_a_category_says_that_nobody_is_left(machine):
    category = machine.state.category
    trainer = AccountFactory(roles=[("trainer", machine.site)], first_name="Tess", last_name="Thornby")
    AppointmentFactory(account=trainer, category=category, last_day=days_ago(-8))
    (row,) = listed(days=30)
    assert row.consequence.words == f"Leaves nobody appointed to assess {category.name}"
    AppointmentFactory(account=AccountFactory(roles=["trainer"]), category=category)
    (row,) = listed(days=30)
    assert row.consequence.words == "Others stay appointed"


def test_an_appointment_renewed_is_no_end(machine):
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    AppointmentFactory(account=trainer, category=machine.state.category, last_day=days_ago(-8))
    AppointmentFactory(
        account=trainer, category=machine.state.category, last_day=days_ago(-800), recorded_at=timezone.now()
    )
    assert listed(days=30) == []


def test_a_list_is_narrowed_to_the_account_s_sites_and_by_its_filter(machine, admin):
    firm = EmployerFactory(name="Marl & Sons")
    here = somebody(machine, 5, employer=firm)
    other = somebody(machine, 6)
    elsewhere = somebody(MachineFactory(category=machine.state.category), 5)
    page = page_of(admin)
    assert here.number in page
    assert other.number in page
    assert elsewhere.number not in page
    assert elsewhere.number not in page_of(admin, site=elsewhere.site.code)
    page = page_of(admin, employer=firm.pk)
    assert here.number in page
    assert other.number not in page


@pytest.mark.parametrize(
    "query",
    [
        {"days": "x", "employer": "9" * 40, "kind": "nothing", "page": "-1"},
        {"employer": "²", "site": "NOWHERE", "category": "none"},
        {"q": "\x00", "days": "-5"},
    ],
)
def test_a_filter_that_makes_no_sense_is_no_error(machine, admin, query):
    assert signed_in(admin).get(reverse("end-list"), query).status_code == 200


def test_with_too_many_sites_one_is_chosen_before_cover_is_worked_out(machine):
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    somebody(machine, 5)
    SiteFactory.create_batch(6)
    account = AccountFactory(roles=["site_admin"])
    assert "Choose a site to see what each end does" in page_of(account)
    assert "Leaves Bell Pit one short of 1" in page_of(account, site="BELL")


def test_a_list_takes_as_many_statements_for_many_people_as_for_one(machine, admin):
    def statements():
        client = signed_in(admin)
        with CaptureQueriesContext(
            connection,
        ) as taken:
            assert client.get(reverse("end-list"), {"days": "90"}).status_code == 200
        return len(taken)

    somebody(machine, 5)
    MinimumCoverFactory(site=machine.site, category=machine.state.category, operators=1)
    one = statements()
    for days in range(1, 12):
        person = somebody(machine, days)
        EvidenceFactory(operator=person, kind="medical", occurred_on=days_ago(1), counts_to=days_ago(-days))
    assert statements() == one
    assert one <= 36


def test_the_file_is_rfc_4180_and_no_cell_of_it_is_a_formula(machine, admin):
    firm = EmployerFactory(name='=cmd|"/c calc"!A1')
    somebody(machine, 5, employer=firm, given_name="Zoë, of", family_name='"Hill"')
    answer = signed_in(admin).get(reverse("end-export"), {"days": "30"})
    assert answer["Content-Type"].startswith("text/csv")
    text = answer.content.decode("utf-8-sig")
    assert text.count("\r\n") == text.count("\n") == 2
    heading, line = csv.reader(io.StringIO(text, newline=""))
    row = dict(zip(heading, line, strict=True))
    assert row["Name"] == 'Zoë, of "Hill"'
    assert row["Employer"].startswith("'=cmd")
    assert row["Last day"] == days_ago(-5).isoformat()


def test_the_file_holds_those_ticked_or_else_everybody(machine, admin):
    first, second = somebody(machine, 5), somebody(machine, 6)
    every = page_of(admin, "end-export")
    assert first.number in every
    assert second.number in every
    ticked = page_of(admin, "end-export", operator=[second.number])
    assert first.number not in ticked
    assert second.number in ticked


def test_a_message_goes_to_those_with_an_address_and_names_those_without(machine, admin):
    first, second = somebody(machine, 5), somebody(machine, 6)
    AccountFactory(operator=first, email="first@example.org")
    page = page_of(admin, "end-message", operator=[first.number, second.number])
    assert "mailto:?bcc=first@example.org&amp;subject=" in page
    assert f"<li>{second.name}</li>" in page
    assert f"Ticket: {machine.state.category.name}, ends on" in page


def test_the_start_page_of_an_office_counts_what_ends_and_what_was_missed(machine, admin):
    somebody(machine, 5), somebody(machine, 50)
    MachineUseFactory(machine=machine)
    page = page_of(admin, "home")
    assert f'<strong>1</strong> <a href="{reverse("end-list")}?days=30">runs out within 30 days' in page
    assert f'<strong>1</strong> <a href="{reverse("missed-check-list")}">shift worked' in page
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    assert "runs out within 30 days" not in page_of(trainer, "home")


def test_several_people_ticked_are_ticked_in_the_booking(machine, admin):
    first, second = somebody(machine, 5), somebody(machine, 6)
    client = signed_in(admin)
    page = client.get(reverse("booking-new"), {"operator": [first.number, second.number]})
    assert sorted(page.context["form"]["operators"].value()) == sorted([first.pk, second.pk])


def test_of_two_sites_the_booking_takes_the_first_and_names_the_others(machine):
    here = somebody(machine, 5)
    there = somebody(MachineFactory(category=machine.state.category), 5, given_name="Ottoline")
    both = AccountFactory(roles=["site_admin"])
    page = signed_in(both).get(reverse("booking-new"), {"operator": [here.number, there.number]})
    assert page.context["form"]["operators"].value() == [here.pk]
    assert "Ottoline" in page.content.decode()
    only_here = AccountFactory(roles=[("site_admin", machine.site)])
    answer = signed_in(only_here).get(reverse("booking-new"), {"operator": [here.number, there.number]})
    assert answer.status_code == 403


def test_who_passed_already_is_ready_to_renew_and_not_to_be_booked(machine, admin):
    operator = somebody(machine, 10)
    ticket = operator.tickets.get()
    EvidenceFactory(
        operator=operator, kind="practical", category=machine.state.category, occurred_on=days_ago(2)
    )
    (row,) = listed(days=30)
    assert (row.passed_on, row.ticket, row.is_bookable) == (days_ago(2), ticket.number, False)
    assert "Ready to renew" in page_of(admin)
    trainer = AccountFactory(roles=[("trainer", machine.site)])
    assert reverse("ticket-renew", args=[ticket.number]) in page_of(trainer)
    assert b"Passed on, ready to renew" in signed_in(admin).get(reverse("end-export")).content


@pytest.mark.parametrize(
    ("change", "later"),
    [
        # Older than the period that it gave; before the window opened; failed since; suspended meanwhile.
        ({}, [(100, True)]),
        ({"last_day": days_ago(-400)}, [(2, True)]),
        ({}, [(3, True), (2, False)]),
        ({"is_suspended": True}, [(2, True)]),
    ],
)
def test_nobody_is_called_ready_who_is_not(machine, change, later):
    operator = somebody(machine, 10)
    operator.tickets.update(**change)
    for days, is_met in later:
        EvidenceFactory(
            operator=operator,
            kind="practical",
            category=machine.state.category,
            occurred_on=days_ago(days),
            is_met=is_met,
        )
    assert [row.passed_on for row in listed(days=365 * 2) if row.kind == "ticket"] == [None]


def test_the_start_page_leaves_both_counts_to_the_lists_where_they_are_too_many(
    client: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    site = SiteFactory()
    OperatorFactory(site=site)
    client.force_login(AccountFactory(roles=[("site_admin", site)]))
    shown = client.get(reverse("home")).content.decode()
    assert "<strong>0</strong>" in shown
    assert "shifts worked with no daily check" in shown
    monkeypatch.setattr("assessments.views.ends.MOST_ON_START_PAGE", 0)
    shown = client.get(reverse("home")).content.decode()
    assert "What runs out" in shown
    assert "Shifts worked with no daily check" in shown
    assert "shifts worked with no daily check" not in shown
