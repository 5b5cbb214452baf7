"""Asking the record, on the page and from a terminal, and who looked."""

import json
import re
from datetime import UTC, datetime, timedelta
from html import unescape
from io import StringIO
from zoneinfo import ZoneInfo

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from competence.models import JournalEntry, Look
from tests.factories import (
    AccountFactory,
    DailyCheckFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    RefusalFactory,
    SiteFactory,
    TicketEventFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import moment_ago
from tests.factories.looks import LookFactory

pytestmark = pytest.mark.django_db
LONDON = ZoneInfo("Europe/London")


@pytest.fixture
def machine():
    made = MachineFactory(site=SiteFactory(zone="Europe/London"))
    plain_standard(category=made.state.category)
    return made


@pytest.fixture
def driver(machine):
    return authorised_operator(machine)


@pytest.fixture
def auditor(client, machine):
    account = AccountFactory(roles=[("auditor", machine.site)])
    client.force_login(account)
    return account


@pytest.fixture
def suspended_late(driver):
    return TicketEventFactory(
        ticket=driver.tickets.get(),
        kind="suspended",
        effective_at=moment_ago(12),
        recorded_at=moment_ago(8),
        recorded_by=AccountFactory(first_name="Idris", last_name="Penhale"),
        reason="Struck the hopper",
    )


def local(moment):
    return moment.astimezone(LONDON).strftime("%Y-%m-%dT%H:%M")


def ask(client, driver, machine, at=None, **more):
    at = local(moment_ago(10)) if at is None else at
    asked = {"operator": driver.number, "machine": machine.fleet_number, "at": at, **more}
    return client.get(reverse("record"), asked)


def test_both_answers_and_what_lies_between_them_are_on_the_page(
    client, auditor, driver, machine, suspended_late
):
    text = ask(client, driver, machine).content.decode()
    assert text.count("Allowed") == 1
    assert "Idris Penhale recorded that ticket" in text
    assert "Struck the hopper" in text
    assert "Until then the register said allowed; from then on it said refused." in text


def test_a_look_is_noted_before_the_answer_is_given(client, auditor, driver, machine):
    at = moment_ago(10).replace(second=0, microsecond=0)
    ask(client, driver, machine, at=local(at))
    look = Look.objects.get()
    assert (look.by, look.kind, look.operator, look.machine) == (auditor, "record", driver, machine)
    assert look.site == machine.site
    assert datetime.fromisoformat(look.asked["at"]) == at
    assert JournalEntry.objects.filter(action="record.looked_at").count() == 1


def test_a_question_that_is_not_understood_is_no_look(client, auditor, driver, machine):
    ask(client, driver, machine, at="yesterday")
    client.get(reverse("record"), {"operator": driver.number})
    assert not Look.objects.exists()


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("operator", "NOBODY"),
        ("machine", "NONE"),
        ("at", ""),
        ("at", "yesterday"),
        ("at", "2026-03-29T01:30"),
        ("known_at", "9998-01-01T00:00"),
        ("known_at", "soon"),
        ("supervisor", "NOBODY"),
    ],
)
def test_what_cannot_be_understood_is_told_beside_its_field(client, auditor, driver, machine, field, value):
    asked = {"operator": driver.number, "machine": machine.fleet_number, "at": "2026-03-05T06:30"}
    answer = client.get(reverse("record"), asked | {field: value})
    assert list(answer.context["form"].errors) == [field]
    assert "answer" not in answer.context


def test_an_hour_that_the_clocks_showed_twice_is_answered_for_the_first_and_the_second_offered(
    client, auditor, driver, machine
):
    answer = ask(client, driver, machine, at="2026-10-25T01:30")
    assert answer.context["answer"].at == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert answer.context["second_at"].isoformat() == "2026-10-25T01:30:00+00:00"
    assert "at=2026-10-25T01%3A30%3A00%2B00%3A00" in answer.content.decode()
    second = ask(client, driver, machine, at="2026-10-25T01:30:00+00:00")
    assert second.context["answer"].at == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)
    assert second.context["second_at"] is None


def test_a_moment_before_the_register_is_answered_and_its_limit_told(client, auditor, driver, machine):
    text = ask(client, driver, machine, at="2001-03-05T06:30").content.decode()
    assert "The register knew nothing yet" in text
    assert "About both it can answer from" in text


def test_a_moment_to_come_is_answered_as_things_stand(client, auditor, driver, machine):
    text = ask(client, driver, machine, at=local(timezone.now() + timedelta(days=5))).content.decode()
    assert "This moment is still to come" in text


def test_a_machine_that_never_stood_at_ones_site_is_not_ones_to_ask_about(client, auditor, driver):
    elsewhere = MachineFactory()
    answer = ask(client, driver, elsewhere)
    assert "not your site" in str(answer.context["form"].errors["machine"])
    assert not Look.objects.exists()


def test_a_machine_that_left_ones_site_may_still_be_asked_about_for_when_it_stood_there(
    client, auditor, driver, machine
):
    MachineStateFactory(machine=machine, site=SiteFactory(), effective_at=moment_ago(5))
    assert "answer" in ask(client, driver, machine).context
    assert "not your site" in str(
        ask(client, driver, machine, at=local(moment_ago(2))).context["form"].errors
    )


def test_the_evidence_is_for_those_who_see_the_persons_records(client, auditor, machine):
    stranger = OperatorFactory(site=SiteFactory(name="Far Quarry"))
    answer = ask(client, stranger, machine)
    assert answer.context["answer"].chain is None
    assert "belongs to Far Quarry" in answer.content.decode()


def test_a_third_answer_as_known_in_between(client, auditor, driver, machine, suspended_late):
    answer = ask(client, driver, machine, known_at=local(moment_ago(9)))
    assert answer.context["answer"].third.verdict.is_allowed
    assert "As the register knew it later" in answer.content.decode()


def test_the_page_takes_as_many_questions_for_a_long_record(
    client, auditor, driver, machine, suspended_late, django_assert_max_num_queries
):
    ask(client, driver, machine)
    with django_assert_max_num_queries(40) as first:
        ask(client, driver, machine)
    for day in range(1, 5):
        TicketEventFactory(ticket=driver.tickets.first(), kind="varied", effective_at=moment_ago(day))
    with django_assert_max_num_queries(40) as second:
        ask(client, driver, machine)
    assert len(second) == len(first)


def test_the_gate_sends_on_who_asks_it_what_was_known_at_another_moment(client, auditor, driver, machine):
    asked = {"operator": driver.number, "machine": machine.fleet_number, "at": "2026-03-05T06:30"}
    answer = client.get(reverse("gate"), asked | {"known_at": "2026-03-06T06:30"}, follow=True)
    assert answer.resolver_match.url_name == "record"
    assert answer.context["form"].data["known_at"] == "2026-03-06T06:30"


def test_an_auditors_start_page_asks_first_what_the_record_says(client, auditor):
    assert client.get(reverse("home")).context["parts"][0].template == "competence/home_record.html"


def test_a_refusal_and_a_check_lead_to_what_the_record_says_of_their_very_moment(
    client, auditor, driver, machine
):
    refusal = RefusalFactory(machine=machine, operator=driver)
    check = DailyCheckFactory(machine=machine, operator=driver, submitted=True)
    for page, row, at in (("refusal", refusal, refusal.at), ("check-result", check, check.started_at)):
        text = client.get(reverse(page, args=[row.pk])).content.decode()
        (link,) = [unescape(one) for one in re.findall(r'href="([^"]+)"', text) if "/record/?" in one]
        answer = client.get(link).context["answer"]
        assert answer.at == at
        assert answer.stored[0].row == row


# Looks ----------------------------------------------------------------------------------------------------


def test_looks_are_listed_with_who_and_what_the_newest_first(client, auditor, driver, machine):
    ask(client, driver, machine)
    answer = client.get(reverse("look-list"))
    text = answer.content.decode()
    assert [look.by for look, _ in answer.context["rows"]] == [auditor]
    assert "Asked the record" in text
    assert driver.name in text


def test_looks_are_narrowed_by_person_who_and_kind(client, auditor, driver, machine):
    ask(client, driver, machine)
    LookFactory(kind="workbook", site=machine.site, by=AccountFactory(username="sofia"))

    def found(**asked):
        return [look.kind for look, _ in client.get(reverse("look-list"), asked).context["rows"]]

    assert found() == ["workbook", "record"]
    assert found(q=driver.number) == ["record"]
    assert found(by="sofia") == ["workbook"]
    assert found(kind="record") == ["record"]
    assert found(last="2020-01-01") == []


def test_looks_at_another_site_are_not_for_these_eyes(client, auditor):
    LookFactory(site=SiteFactory())
    LookFactory(site=None)
    assert client.get(reverse("look-list")).context["rows"] == []
    client.force_login(AccountFactory(roles=["auditor"]))
    assert len(client.get(reverse("look-list")).context["rows"]) == 2


def test_looks_take_as_many_questions_however_many(client, auditor, machine, django_assert_max_num_queries):
    def add():
        LookFactory(site=machine.site, operator=OperatorFactory(), machine=machine)

    add()
    with django_assert_max_num_queries(12) as first:
        client.get(reverse("look-list"))
    for _ in range(4):
        add()
    with django_assert_max_num_queries(12) as second:
        client.get(reverse("look-list"))
    assert len(second) == len(first)


def test_an_operators_page_leads_to_who_looked(client, auditor, driver):
    text = client.get(reverse("operator", args=[driver.number])).content.decode()
    assert f"{reverse('look-list')}?q={driver.number}" in text


# The command ----------------------------------------------------------------------------------------------


def run(*arguments):
    """The command's exit code and what it printed."""
    printed = StringIO()
    try:
        call_command("record", *arguments, stdout=printed)
    except SystemExit as end:
        return end.code, printed.getvalue()
    except CommandError as error:
        return error.returncode, str(error)
    return 0, printed.getvalue()


def test_the_command_ends_with_0_for_allowed_as_known_now(driver, machine):
    code, said = run(driver.number, machine.fleet_number, "--at", local(moment_ago(10)))
    assert code == 0
    assert "As we know it now: allowed." in said
    assert "Nothing changed its mind" in said


def test_the_command_ends_with_3_for_refused_and_says_what_turned_it(driver, machine, suspended_late):
    asked = (driver.number, machine.fleet_number, "--at", local(moment_ago(10)))
    code, said = run(*asked, "--known-at", local(moment_ago(9)))
    assert code == 3
    assert "As we know it now: refused." in said
    assert "As the register knew it then: allowed." in said
    assert "1. On " in said
    code, said = run(*asked, "--json")
    told = json.loads(said)
    assert (code, told["as_known_now"]["allowed"], told["as_known_then"]["allowed"]) == (3, False, True)
    assert len(told["changes_of_mind"]) == 1


@pytest.mark.parametrize(
    "arguments",
    [
        ("NOBODY", "{machine}", "--at", "2026-03-05T06:30"),
        ("{operator}", "NONE", "--at", "2026-03-05T06:30"),
        ("{operator}", "{machine}", "--at", "yesterday"),
        ("{operator}", "{machine}", "--at", "2026-10-25T01:30"),
        ("{operator}", "{machine}", "--at", "2026-03-05T06:30", "--known-at", "9998-01-01"),
        ("{operator}", "{machine}", "--at", "2026-03-05T06:30", "--by", "nobody"),
    ],
)
def test_the_command_ends_with_2_for_what_it_cannot_understand(driver, machine, arguments):
    filled = [one.format(operator=driver.number, machine=machine.fleet_number) for one in arguments]
    assert run(*filled)[0] == 2


def test_the_command_under_a_name_is_noted_and_asks_for_the_right(driver, machine, auditor):
    asked = (driver.number, machine.fleet_number, "--at", local(moment_ago(10)), "--by")
    assert run(*asked, auditor.username)[0] == 0
    assert Look.objects.get().by == auditor
    assert run(*asked, AccountFactory(roles=["operator"]).username)[0] == 2
