"""One's own calendar: a secret address, what stands at it, and who may read it."""

import re
from datetime import UTC, date, datetime, time, timedelta

import pytest
import time_machine
from django.core.management import call_command
from django.urls import reverse

from assessments.actions.bookings import call_off_booking
from assessments.actions.calendars import make_calendar_address, remove_calendar_address, sha256_of
from assessments.models import Booking, CalendarAddress
from assessments.queries.calendars import calendar_entries
from competence.queries.journal import verify
from tests.actions.journalled import journals
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    EvidenceFactory,
    MachineFactory,
    MinimumCoverFactory,
    OperatorFactory,
    RequirementFactory,
    SiteFactory,
    StandardVersionFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)
from tests.outside.rfc5545 import read

pytestmark = pytest.mark.django_db

DAY = timedelta(days=1)
MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def monday():
    with time_machine.travel(MONDAY, tick=False):
        yield


@pytest.fixture
def site():
    return SiteFactory(zone="Australia/Perth", name="Salt; Lake, North")


@pytest.fixture
def operator(site):
    operator = OperatorFactory(site=site)
    AccountFactory(operator=operator)
    return operator


def book(operator, machine, assessor, on=date(2026, 3, 9), starts_at=time(7, 30)):
    return Booking.objects.create(
        on=on,
        starts_at=starts_at,
        site=machine.site,
        machine=machine,
        operator=operator,
        assessor=assessor,
        made_at=MONDAY - DAY,
        made_by=assessor,
    )


def feed(client, account):
    answer = client.get(reverse("calendar-feed", args=[make_calendar_address(by=account)]))
    assert answer.status_code == 200
    assert answer["Content-Type"] == "text/calendar; charset=utf-8"
    return [event.properties for event in read(answer.content).parts]


def titled(events, words):
    (event,) = [event for event in events if words in event["SUMMARY"]]
    return event


# The address -------------------------------------------------------------------------------------


def test_the_address_is_shown_once_and_only_its_digest_is_kept(operator):
    browser = signed_in(operator.account)
    page = browser.post(reverse("my-calendar"), {"do": "make"})
    token = re.search(r"/calendar/([\w-]{43})\.ics", page.content.decode())[1]
    assert CalendarAddress.objects.get().token_sha256 == sha256_of(token)
    assert "no-store" in page["Cache-Control"]
    again = browser.get(reverse("my-calendar")).content.decode()
    assert token not in again
    assert ".ics" not in again


def test_another_address_closes_the_one_before_and_keeps_the_events_who_they_are(client, operator):
    TicketFactory(operator=operator, last_day=date(2026, 4, 30))
    first = make_calendar_address(by=operator.account)
    before = read(client.get(reverse("calendar-feed", args=[first])).content).parts[0].properties["UID"]
    (event,) = feed(client, operator.account)
    assert event["UID"] == before
    assert client.get(reverse("calendar-feed", args=[first])).status_code == 404


def test_a_removed_address_opens_nothing(client, operator):
    token = make_calendar_address(by=operator.account)
    signed_in(operator.account).post(reverse("my-calendar"), {"do": "remove"})
    assert client.get(reverse("calendar-feed", args=[token])).status_code == 404
    with journals("calendar_address.made", rows={"assessments.calendaraddress"}):
        make_calendar_address(by=operator.account)
    with journals("calendar_address.removed"):
        remove_calendar_address(by=operator.account)


@pytest.mark.parametrize("token", ["x", "0" * 43, "é" * 20, "a" * 2000])
def test_an_unknown_address_is_not_found(client, operator, token):
    make_calendar_address(by=operator.account)
    assert client.get(reverse("calendar-feed", args=[token])).status_code == 404


def test_a_closed_account_has_no_calendar(client, operator):
    token = make_calendar_address(by=operator.account)
    operator.account.is_active = False
    operator.account.save()
    assert client.get(reverse("calendar-feed", args=[token])).status_code == 404


def test_removing_what_is_not_there_is_told(operator):
    page = signed_in(operator.account).post(reverse("my-calendar"), {"do": "remove"}, follow=True)
    assert "There is no address to remove." in page.content.decode()


# What stands in it -------------------------------------------------------------------------------


def test_a_booking_stands_at_its_instant_whatever_the_readers_clock(client, operator, site):
    # 07:30 in Perth, which keeps UTC+8 all year, is 23:30 UTC of the day before.
    book(operator, MachineFactory(site=site), AccountFactory(first_name="Ida", last_name="Marsh"))
    event = titled(feed(client, operator.account), "Assessment")
    assert event["DTSTART"] == datetime(2026, 3, 8, 23, 30, tzinfo=UTC)
    assert event["LOCATION"] == "Salt; Lake, North"
    assert "Ida Marsh" in event["SUMMARY"]
    assert "07:30 on the clock of Salt; Lake, North (Australia/Perth)." in event["DESCRIPTION"]


def test_a_booking_without_a_time_is_the_whole_of_its_day(client, operator, site):
    book(operator, MachineFactory(site=site), AccountFactory(), starts_at=None)
    event = titled(feed(client, operator.account), "Assessment")
    assert (event["DTSTART"], event["DTEND"]) == (date(2026, 3, 9), date(2026, 3, 10))


def test_a_booking_called_off_stays_cancelled_under_its_own_uid(client, operator, site):
    trainer = AccountFactory(roles=["trainer"])
    booking = book(operator, MachineFactory(site=site), trainer)
    before = titled(feed(client, operator.account), "Assessment")
    call_off_booking(by=trainer, booking=booking, reason="Rain, all day.")
    after = titled(feed(client, operator.account), "Assessment")
    assert (before["STATUS"], before["SEQUENCE"]) == ("CONFIRMED", 0)
    assert (after["STATUS"], after["SEQUENCE"], after["UID"]) == ("CANCELLED", 1, before["UID"])
    assert "Rain, all day." in after["DESCRIPTION"]
    assert after["LAST-MODIFIED"] == MONDAY


def test_the_last_day_of_a_ticket_and_of_a_medical_are_whole_days(client, operator):
    ticket = TicketFactory(operator=operator, last_day=date(2026, 12, 31))
    version = StandardVersionFactory(category=ticket.category)
    RequirementFactory(version=version, kind="medical", months=12)
    EvidenceFactory(operator=operator, kind="medical", counts_to=date(2026, 6, 30))
    events = feed(client, operator.account)
    last = titled(events, "Last day of ticket")
    assert (last["DTSTART"], last["DTEND"]) == (date(2026, 12, 31), date(2027, 1, 1))
    medical = titled(events, "Last day of medical")
    assert (medical["DTSTART"], medical["DTEND"]) == (date(2026, 6, 30), date(2026, 7, 1))


def test_a_trainer_sees_whom_they_assess_and_nobody_elses_bookings(client, operator, site):
    trainer = AccountFactory(roles=[("trainer", site)])
    machine = MachineFactory(site=site)
    book(operator, machine, trainer)
    book(OperatorFactory(site=site), machine, AccountFactory())
    (event,) = feed(client, trainer)
    assert str(operator) in event["SUMMARY"]


def test_a_site_admin_sees_whose_tickets_end_and_the_first_short_day(client, site):
    machine = MachineFactory(site=site)
    plain_standard(category=machine.state.category)
    MinimumCoverFactory(site=site, category=machine.state.category, operators=1)
    person = authorised_operator(machine, last_day=date(2026, 8, 31))
    TicketFactory(operator=OperatorFactory(), last_day=date(2026, 8, 31))
    events = feed(client, AccountFactory(roles=[("site_admin", site)]))
    assert titled(events, "Ticket ends")["DTSTART"] == date(2026, 8, 31)
    assert str(person) in titled(events, "Ticket ends")["SUMMARY"]
    assert titled(events, "Cover short")["DTSTART"] == date(2026, 9, 1)


def test_it_asks_as_often_for_many_people_as_for_one(site, operator, django_assert_max_num_queries):
    machine = MachineFactory(site=site)
    account = operator.account
    account.roles.create(name="site_admin", site=site)
    for _ in range(12):
        book(authorised_operator(machine, last_day=date(2026, 5, 1)), machine, account)
    calendar_entries(account, MONDAY)
    with django_assert_max_num_queries(24 + 15):
        assert len(calendar_entries(account, MONDAY)) == 24


# Mail of one's own -------------------------------------------------------------------------------


def test_somebody_says_where_to_write_to_and_that_nobody_should(operator):
    browser, account = signed_in(operator.account), operator.account
    browser.post(reverse("my-calendar"), {"do": "mail", "email": "ada@example.com"})
    account.refresh_from_db()
    assert (account.email, account.mail_declined_at) == ("ada@example.com", None)
    browser.post(reverse("my-calendar"), {"do": "mail", "email": "ada@example.com", "declines_mail": "on"})
    account.refresh_from_db()
    assert account.mail_declined_at == MONDAY


def test_an_address_that_is_none_is_told_beside_its_field(operator):
    page = signed_in(operator.account).post(reverse("my-calendar"), {"do": "mail", "email": "ada at home"})
    assert "Enter a valid email address" in page.content.decode()
    assert "ada at home" in page.content.decode()


def test_the_office_can_say_no_mail_for_somebody(operator, site):
    admin = AccountFactory(roles=[("site_admin", site)])
    browser, account = signed_in(admin), operator.account
    asked = {"do": "contact", "phone": "1", "email": "ada@example.com", "declines_mail": "on"}
    browser.post(reverse("account", args=[account.username]), asked)
    account.refresh_from_db()
    assert account.mail_declined_at == MONDAY
    browser.post(reverse("account", args=[account.username]), {**asked, "declines_mail": ""})
    account.refresh_from_db()
    assert account.mail_declined_at is None


def test_the_journal_tells_of_addresses_and_takes_no_digest_for_a_record(operator, mailoutbox, settings):
    settings.MAIL_IS_SET = True
    operator.account.email = "ada@example.com"
    operator.account.save()
    TicketFactory(operator=operator, last_day=date(2026, 4, 1))
    make_calendar_address(by=operator.account)
    call_command("digest")
    assert len(mailoutbox) == 1
    told = [problem.subject for problem in verify().problems]
    assert not [one for one in told if re.search("mail|digest|calendar", one, re.IGNORECASE)]
    CalendarAddress.objects.update(made_at=MONDAY - DAY)
    assert any("calendar address" in problem.subject for problem in verify().problems)
