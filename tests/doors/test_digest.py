"""The digest: told once per change, kept through quiet hours and a server that is down, never lost."""

import smtplib
from datetime import UTC, date, datetime, timedelta
from io import StringIO

import pytest
import time_machine
from django.core.mail.backends.locmem import EmailBackend
from django.core.management import CommandError, call_command
from django.utils import timezone

from assessments.actions import mail as post
from assessments.models import Booking, DigestLine, OutgoingMail
from assessments.queries.digest import digest_lines
from assessments.queries.receivers import receivers
from assessments.rules.digest import Section
from competence.models import Site
from tests.factories import (
    AccountFactory,
    DefectFactory,
    EvidenceFactory,
    MachineFactory,
    MinimumCoverFactory,
    OperatorFactory,
    SiteFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.assessments import AssessmentFactory

pytestmark = pytest.mark.django_db

DAY, HOUR = timedelta(days=1), timedelta(hours=1)
# A Monday morning at work in England and in the east of Australia, where it is afternoon.
MONDAY = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def monday(settings):
    settings.MAIL_IS_SET = True
    with time_machine.travel(MONDAY, tick=False) as clock:
        yield clock


@pytest.fixture
def site():
    return SiteFactory(name="Bell Pit")


@pytest.fixture
def ending(site):
    """An operator whose ticket ends in 40 days, with an address."""
    operator = OperatorFactory(site=site)
    TicketFactory(operator=operator, last_day=MONDAY.date() + 40 * DAY)
    AccountFactory(operator=operator, email="ada@example.com")
    return operator


def digest(**options):
    """What it printed, and its exit code."""
    out = StringIO()
    try:
        call_command("digest", stdout=out, **options)
    except SystemExit as end:
        return out.getvalue(), end.code
    return out.getvalue(), 0


def book(operator, machine, on, assessor=None, **more):
    assessor = assessor or AccountFactory()
    return Booking.objects.create(
        on=on,
        site=machine.site,
        machine=machine,
        operator=operator,
        assessor=assessor,
        made_at=timezone.now(),
        made_by=assessor,
        **more,
    )


def told_to(account_email, mailoutbox):
    return "\n".join(mail.body for mail in mailoutbox if mail.to == [account_email])


# Whom it tells what ------------------------------------------------------------------------------


def test_an_operator_is_told_what_ends_and_what_is_booked(ending, mailoutbox):
    machine = MachineFactory(site=ending.site)
    EvidenceFactory(operator=ending, kind="medical")
    book(ending, machine, date(2026, 3, 9), AccountFactory(first_name="Ida", last_name="Marsh"))
    assert digest() == ("1 mail sent.\n", 0)
    (mail,) = mailoutbox
    assert mail.to == ["ada@example.com"]
    assert "ends on 11 April 2026" in mail.body
    assert f"9 March 2026: with Ida Marsh, {machine.fleet_number}, Bell Pit" in mail.body
    assert mail.subject == "2 things for you from the competence register"


def test_the_html_says_the_same_and_fetches_nothing(ending, mailoutbox):
    digest()
    (mail,) = mailoutbox
    ((html, kind),) = mail.alternatives
    assert kind == "text/html"
    assert "ends on 11 April 2026" in html
    for outside in ("<img", "<script", "<link", "url(", "@import"):
        assert outside not in html
    assert mail.message().get_content_type() == "multipart/alternative"


def test_a_ticket_that_ends_later_is_no_news_yet(site, mailoutbox):
    operator = OperatorFactory(site=site)
    AccountFactory(operator=operator, email="ada@example.com")
    TicketFactory(operator=operator, last_day=MONDAY.date() + 61 * DAY)
    assert digest() == ("0 mails sent.\n", 0)


def test_a_trainer_is_told_who_is_due_what_waits_and_what_is_booked(site, ending, mailoutbox):
    machine = MachineFactory(site=site)
    trainer = AccountFactory(roles=[("trainer", site)], email="marsh@example.com")
    other = AccountFactory(roles=[("trainer", SiteFactory())], email="elsewhere@example.com")
    AssessmentFactory(machine=machine, operator=ending, assessor=trainer, stage="finished")
    book(ending, machine, date(2026, 3, 9), trainer)
    digest()
    told = told_to("marsh@example.com", mailoutbox)
    for section in (Section.BOOKED_WITH, Section.UNCONFIRMED, Section.DUE):
        assert section.value in told
    assert f"{ending.name} ({ending.number}), Bell Pit" in told
    assert told_to(other.email, mailoutbox) == ""


def test_a_site_admin_is_told_what_is_stopped_who_ends_and_where_cover_falls_short(site, mailoutbox):
    machine = MachineFactory(site=site)
    plain_standard(category=machine.state.category)
    authorised_operator(machine, last_day=MONDAY.date() + 20 * DAY)
    MinimumCoverFactory(site=site, category=machine.state.category, operators=1)
    AccountFactory(roles=[("site_admin", site)], email="office@example.com")
    defect = DefectFactory(machine=machine, grade="stop_use")
    DefectFactory(machine=MachineFactory(), grade="stop_use")
    digest()
    told = told_to("office@example.com", mailoutbox)
    assert told.count(Section.STOPPED.value) == 1
    assert defect.point_title in told
    assert f"{machine.state.category.name}, Bell Pit: short from 23 March 2026 of the minimum of 1" in told
    assert "ends on 22 March 2026" in told


@pytest.mark.parametrize("how", ["no address", "declined", "closed", "no role"])
def test_nobody_is_written_to_who_cannot_or_would_not_be(ending, how, mailoutbox):
    account = ending.account
    if how == "no address":
        account.email = ""
    elif how == "declined":
        account.mail_declined_at = MONDAY
    elif how == "closed":
        account.is_active = False
    else:
        account.operator = None
        account.roles.update(ended_at=MONDAY)
    account.save()
    assert digest() == ("0 mails sent.\n", 0)
    assert not OutgoingMail.objects.exists()


# Once per change ---------------------------------------------------------------------------------


def test_the_same_thing_is_told_once_however_often_it_runs(ending, mailoutbox, monday):
    for _ in range(3):
        digest()
        monday.shift(DAY)
    assert len(mailoutbox) == 1


def test_what_changes_is_told_again_and_alone(ending, mailoutbox):
    TicketFactory(operator=ending, last_day=MONDAY.date() + 50 * DAY)
    digest()
    ticket = ending.tickets.get(last_day=MONDAY.date() + 40 * DAY)
    ticket.last_day = MONDAY.date() + 30 * DAY
    ticket.save()
    digest()
    assert "ends on 1 April 2026" in mailoutbox[1].body
    assert "21 April" not in mailoutbox[1].body


def test_that_a_ticket_has_ended_is_told_after_it_was_told_to_end(ending, mailoutbox, monday):
    digest()
    monday.shift(41 * DAY)
    digest()
    assert ["ended on 11 April 2026" in mail.body for mail in mailoutbox] == [False, True]


def test_a_booking_that_is_called_off_is_told_with_its_reason(ending, mailoutbox):
    booking = book(ending, MachineFactory(site=ending.site), date(2026, 3, 9))
    digest()
    booking.called_off_at, booking.called_off_why = timezone.now(), "Rain."
    booking.save()
    digest()
    assert "Called off: 9 March 2026" in mailoutbox[1].body
    assert "Rain." in mailoutbox[1].body
    assert "ends on" not in mailoutbox[1].body


def test_what_went_and_comes_back_is_news_again(ending, mailoutbox):
    digest()
    ending.tickets.update(is_withdrawn=True)
    digest()
    assert not DigestLine.objects.exists()
    ending.tickets.update(is_withdrawn=False)
    digest()
    assert len(mailoutbox) == 2


def test_cover_that_is_short_already_is_not_news_every_morning(site, mailoutbox, monday):
    machine = MachineFactory(site=site)
    MinimumCoverFactory(site=site, category=machine.state.category, operators=1)
    AccountFactory(roles=[("site_admin", site)], email="office@example.com")
    for _ in range(3):
        digest()
        monday.shift(DAY)
    assert len(mailoutbox) == 1
    assert "short already" in mailoutbox[0].body


def test_a_dry_run_says_what_it_would_tell_and_keeps_nothing(ending, mailoutbox):
    out, code = digest(dry_run=True)
    assert "ada@example.com" in out
    assert "ends on 11 April 2026" in out
    assert (code, len(mailoutbox), OutgoingMail.objects.count()) == (0, 0, 0)


# Quiet hours -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "at", "is_sent"),
    [
        ("Europe/London", "2026-03-02T19:59:59+00:00", True),
        ("Europe/London", "2026-03-02T20:00:00+00:00", False),
        # Summer time from 29 March 2026: five o'clock there is four in UTC.
        ("Europe/London", "2026-03-30T03:59:59+00:00", False),
        ("Europe/London", "2026-03-30T04:00:00+00:00", True),
        ("Australia/Perth", "2026-03-02T12:00:00+00:00", False),
        ("Australia/Perth", "2026-03-02T21:00:00+00:00", True),
        ("America/Denver", "2026-03-02T12:00:00+00:00", True),
        ("America/Denver", "2026-03-02T11:59:00+00:00", False),
    ],
)
def test_nobody_is_woken_on_the_clock_of_their_own_site(zone, at, is_sent, mailoutbox):
    operator = OperatorFactory(site=SiteFactory(zone=zone))
    TicketFactory(operator=operator, last_day=MONDAY.date() + 40 * DAY)
    AccountFactory(operator=operator, email="ada@example.com")
    digest(at=at)
    assert len(mailoutbox) == is_sent
    if not is_sent:
        # Nothing counts as told, so the next run tells it.
        digest(at="2026-03-03T18:00:00+00:00" if zone != "Australia/Perth" else "2026-03-03T01:00:00+00:00")
        assert len(mailoutbox) == 1


def test_a_mail_that_was_kept_is_not_sent_in_quiet_hours_either(ending, mailoutbox, settings):
    settings.EMAIL_BACKEND = f"{__name__}.Down"
    digest()
    settings.EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
    assert digest(at="2026-03-02T22:00") == ("1 mail kept until quiet hours are over.\n0 mails sent.\n", 0)
    assert digest(at="2026-03-03T05:00") == ("1 mail sent.\n", 0)


# When things go wrong ----------------------------------------------------------------------------


class Killed(BaseException):
    """The process is gone: nothing catches it."""


class Down(EmailBackend):
    def send_messages(self, messages):
        raise ConnectionRefusedError("nobody listens")


class KilledBefore(EmailBackend):
    def send_messages(self, messages):
        raise Killed


class KilledAfter(EmailBackend):
    """The server took it; the sender died before it could say so."""

    def send_messages(self, messages):
        super().send_messages(messages)
        raise Killed


class RefusesAda(EmailBackend):
    code = 550

    def send_messages(self, messages):
        if messages[0].to == ["ada@example.com"]:
            raise smtplib.SMTPRecipientsRefused({"ada@example.com": (self.code, b"no such mailbox")})
        return super().send_messages(messages)


class ComeBackLater(RefusesAda):
    code = 451


@pytest.fixture
def another(site):
    operator = OperatorFactory(site=site)
    TicketFactory(operator=operator, last_day=MONDAY.date() + 40 * DAY)
    return AccountFactory(operator=operator, email="bram@example.com")


def through(settings, backend):
    settings.EMAIL_BACKEND = f"{__name__}.{backend.__name__}"


def test_a_server_that_is_down_keeps_everything_and_says_so(ending, another, mailoutbox, settings):
    usual = settings.EMAIL_BACKEND
    through(settings, Down)
    out, code = digest()
    assert code == 1
    assert "cannot be used" in out
    assert "nobody listens" in out
    assert "2 mails kept for the next run" in out
    assert set(OutgoingMail.objects.values_list("status", flat=True)) == {"waiting"}
    settings.EMAIL_BACKEND = usual
    assert digest() == ("2 mails sent.\n", 0)
    assert digest() == ("0 mails sent.\n", 0)
    assert len(mailoutbox) == 2


def test_dying_between_writing_and_sending_loses_nothing(ending, mailoutbox, monkeypatch):
    def dies(*args):
        raise Killed

    with monkeypatch.context() as broken:
        broken.setattr("assessments.management.commands.digest.deliver", dies)
        with pytest.raises(Killed):
            digest()
    assert OutgoingMail.objects.get().status == "waiting"
    assert digest() == ("1 mail sent.\n", 0)
    assert len(mailoutbox) == 1


def test_dying_while_writing_tells_nothing_and_counts_nothing_as_told(ending, mailoutbox, monkeypatch):
    def dies(*args, **kwargs):
        raise Killed

    with monkeypatch.context() as broken:
        broken.setattr(DigestLine.objects, "bulk_create", dies)
        with pytest.raises(Killed):
            digest()
    assert not OutgoingMail.objects.exists()
    digest()
    assert len(mailoutbox) == 1


def test_dying_while_sending_leaves_it_for_a_run_after_the_lease(ending, mailoutbox, settings, monday):
    usual = settings.EMAIL_BACKEND
    through(settings, KilledBefore)
    with pytest.raises(Killed):
        digest()
    settings.EMAIL_BACKEND = usual
    # Whoever claimed it might be sending still.
    assert digest() == ("0 mails sent.\n", 0)
    monday.shift(post.LEASE + timedelta(seconds=1))
    assert digest() == ("1 mail sent.\n", 0)
    assert len(mailoutbox) == 1


def test_dying_between_sending_and_marking_sends_a_copy_that_can_be_told_for_one(
    ending, mailoutbox, settings, monday
):
    usual = settings.EMAIL_BACKEND
    through(settings, KilledAfter)
    with pytest.raises(Killed):
        digest()
    settings.EMAIL_BACKEND = usual
    monday.shift(post.LEASE + timedelta(seconds=1))
    digest()
    first, again = (mail.message() for mail in mailoutbox)
    assert first["Message-ID"] == again["Message-ID"]
    assert first["Date"] == again["Date"]
    assert mailoutbox[0].body == mailoutbox[1].body
    monday.shift(DAY)
    digest()
    assert len(mailoutbox) == 2


def test_no_two_mails_share_a_message_id(ending, another, mailoutbox):
    digest()
    assert len({mail.message()["Message-ID"] for mail in mailoutbox}) == 2


def test_an_address_that_is_refused_holds_up_nobody_else_and_is_tried_when_put_right(
    ending, another, mailoutbox, settings
):
    through(settings, RefusesAda)
    out, code = digest()
    assert code == 1
    assert "Refused for ada@example.com: 550 no such mailbox" in out
    assert [mail.to for mail in mailoutbox] == [["bram@example.com"]]
    assert digest() == ("0 mails sent.\n", 0)
    account = ending.account
    account.email = "ada.new@example.com"
    account.save()
    assert digest() == ("1 mail sent.\n", 0)
    assert mailoutbox[-1].to == ["ada.new@example.com"]


def test_a_server_that_says_later_is_asked_later(ending, another, mailoutbox, settings):
    usual = settings.EMAIL_BACKEND
    through(settings, ComeBackLater)
    out, code = digest()
    assert (code, len(mailoutbox)) == (1, 1)
    assert "1 mail kept for the next run" in out
    settings.EMAIL_BACKEND = usual
    assert digest() == ("1 mail sent.\n", 0)


def test_a_mail_kept_for_somebody_who_now_declines_is_dropped_and_counts_as_not_told(
    ending, mailoutbox, settings
):
    usual = settings.EMAIL_BACKEND
    through(settings, Down)
    digest()
    settings.EMAIL_BACKEND = usual
    account = ending.account
    account.mail_declined_at = MONDAY
    account.save()
    out, _ = digest()
    assert "1 mail dropped" in out
    account.mail_declined_at = None
    account.save()
    digest()
    assert len(mailoutbox) == 1


def test_without_a_server_it_writes_nothing_down_and_says_what_is_missing(ending, settings):
    settings.MAIL_IS_SET = False
    with pytest.raises(CommandError, match="REGISTER_MAIL_URL") as told:
        call_command("digest")
    assert told.value.returncode == 2
    assert not DigestLine.objects.exists()


@pytest.mark.parametrize("wrong", [{"at": "soon"}, {"quiet": "late"}])
def test_what_is_not_understood_is_said(ending, settings, wrong):
    if "quiet" in wrong:
        settings.QUIET_HOURS = wrong.pop("quiet")
    with pytest.raises(CommandError) as told:
        call_command("digest", **wrong)
    assert told.value.returncode == 2


def test_a_mail_that_another_run_has_claimed_is_left_to_it(ending, settings):
    through(settings, Down)
    digest()
    (mail,) = post.to_send()
    (same,) = post.to_send()
    assert post.claim(mail, to=mail.to)
    assert not post.claim(same, to=same.to)


def test_it_asks_as_often_for_many_people_as_for_one(ending, site, django_assert_max_num_queries):
    machine = MachineFactory(site=site)
    AccountFactory(roles=[("site_admin", site), ("trainer", site)], email="office@example.com")
    for _ in range(12):
        operator = authorised_operator(machine, last_day=MONDAY.date() + 20 * DAY)
        AccountFactory(operator=operator, email=f"{operator.number.lower()}@example.com")
        book(operator, machine, date(2026, 3, 9))
    sites = list(Site.objects.all())
    people = receivers(sites).values()
    # The first question about JSON that a test asks of SQLite costs three more.
    digest_lines(people, sites, MONDAY)
    with django_assert_max_num_queries(33 + 15):
        assert len(digest_lines(people, sites, MONDAY)) == 14
