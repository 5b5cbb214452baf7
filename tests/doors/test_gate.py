"""Asking the gate, on the page and from a terminal."""

import json
from datetime import UTC, datetime, timedelta
from io import StringIO
from zoneinfo import ZoneInfo

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from competence.forms.moments import NotAMoment, moment_in, moment_where_it_stood
from competence.models import Machine, MachineState
from tests.factories import (
    AccountFactory,
    DefectFactory,
    EvidenceFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    RoleFactory,
    SiteFactory,
    TicketEventFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)

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
def trainer(client, machine):
    account = AccountFactory(roles=[("trainer", machine.site)])
    client.force_login(account)
    return account


def ask(client, operator, machine, **more):
    return client.get(reverse("gate"), {"operator": operator.number, "machine": machine.fleet_number, **more})


def test_somebody_who_meets_everything_is_allowed(client, trainer, driver, machine):
    answer = ask(client, driver, machine)
    assert answer.context["verdict"].is_allowed
    assert b"Allowed" in answer.content


def test_somebody_with_nothing_reads_every_reason_and_whose_move_it_is(client, trainer, machine):
    answer = ask(client, OperatorFactory(site=machine.site), machine)
    assert not answer.context["verdict"].is_allowed
    assert len(answer.context["answer"].reasons) == 4
    text = answer.content.decode()
    for reason in answer.context["answer"].reasons:
        assert reason.sentence in text
        assert reason.move_label in text
    assert "Yours" not in text


def test_an_allowed_answer_warns_of_an_open_stop_use_defect(client, trainer, driver, machine):
    assert "is not to be used now" not in ask(client, driver, machine).content.decode()
    DefectFactory(machine=machine, grade="stop_use")
    answer = ask(client, driver, machine)
    assert answer.context["verdict"].is_allowed
    assert "is not to be used now" in answer.content.decode()


def test_the_page_answers_by_all_that_is_known_now(client, trainer, driver, machine):
    yesterday = timezone.now() - timedelta(days=1)
    TicketEventFactory(
        ticket=driver.tickets.get(), kind="suspended", effective_at=yesterday, recorded_at=timezone.now()
    )
    local = (timezone.now() - timedelta(hours=2)).astimezone(LONDON).strftime("%Y-%m-%dT%H:%M")
    answer = ask(client, driver, machine, at=local)
    assert not answer.context["verdict"].is_allowed
    assert "ask the record" in answer.content.decode()


def test_the_command_leaves_out_on_request_what_was_written_down_later(driver, machine):
    yesterday = timezone.now() - timedelta(days=1)
    TicketEventFactory(
        ticket=driver.tickets.get(), kind="suspended", effective_at=yesterday, recorded_at=timezone.now()
    )
    local = (timezone.now() - timedelta(hours=2)).astimezone(LONDON).strftime("%Y-%m-%dT%H:%M")
    asked = (driver.number, machine.fleet_number, "--at", local)
    assert run(*asked)[0] == 3
    assert run(*asked, "--known-at", local)[0] == 0


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("operator", "NOBODY"),
        ("operator", ""),
        ("machine", "NONE"),
        ("machine", "<b>"),
        ("at", "yesterday"),
        ("at", "2026-03-29T01:30"),
        ("at", "0001-01-01T00:00+14:00"),
        ("supervisor", "NOBODY"),
    ],
)
def test_what_cannot_be_understood_is_told_beside_its_field(client, trainer, driver, machine, field, value):
    asked = {"operator": driver.number, "machine": machine.fleet_number, field: value}
    answer = client.get(reverse("gate"), asked)
    assert list(answer.context["form"].errors) == [field]
    assert "answer" not in answer.context


def test_a_machine_of_another_site_is_not_ones_to_ask_about(client, trainer, driver):
    elsewhere = MachineFactory()
    answer = ask(client, driver, elsewhere)
    assert "not your site" in str(answer.context["form"].errors["machine"])


def moved(machine, to, days):
    """The machine stood where it was made; some days ago it went to another site."""
    since = timezone.now() - timedelta(days=days)
    return MachineStateFactory(
        machine=machine,
        site=to,
        category=machine.state.category,
        effective_at=since,
        recorded_at=since,
    )


def test_a_moment_is_read_on_the_clock_of_where_the_machine_stood_then(client, trainer, driver, machine):
    brisbane = SiteFactory(name="Far Quarry", zone="Australia/Brisbane")
    moved(machine, brisbane, days=10)
    RoleFactory(account=trainer, name="trainer", site=brisbane)
    before, after = (timezone.now() - timedelta(days=days) for days in (20, 5))
    for at, zone, name in (
        (before, "Europe/London", machine.states.earliest("pk").site.name),
        (after, "Australia/Brisbane", "Far Quarry"),
    ):
        local = at.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%dT%H:%M")
        answer = ask(client, driver, machine, at=local)
        expected = at.replace(second=0, microsecond=0)
        assert answer.context["form"].cleaned_data["at"] == expected
        assert f"clock of {name} ({zone})" in answer.content.decode()
        said = json.loads(run(driver.number, machine.fleet_number, "--at", local, "--json")[1])
        assert datetime.fromisoformat(said["at"]) == expected


def test_an_hour_that_todays_clock_skips_is_plain_where_the_machine_stood_then():
    brisbane = SiteFactory(zone="Australia/Brisbane")
    machine = MachineFactory(site=brisbane)
    moved(machine, SiteFactory(zone="Europe/London"), days=0)
    skipped = "2026-03-29T01:30"
    MachineState.objects.bulk_create(
        [
            MachineState(
                machine=machine,
                site=brisbane,
                category=machine.state.category,
                make_and_model="Invented 30",
                reason="Stood there then",
                effective_at=datetime(2026, 1, 1, tzinfo=UTC),
                recorded_at=timezone.now(),
            )
        ]
    )
    assert Machine.objects.get(pk=machine.pk).site.zone == "Europe/London"
    found = moment_where_it_stood(skipped, Machine.objects.get(pk=machine.pk))
    assert found == (datetime(2026, 3, 28, 15, 30, tzinfo=UTC), brisbane)


def test_before_it_was_entered_a_machine_was_not_on_the_register(client, trainer, driver, machine):
    answer = ask(client, driver, machine, at="2001-03-05T06:30")
    told = [reason.sentence for reason in answer.context["answer"].reasons]
    assert told[0] == "This machine was not on the register at that moment."
    assert told[1] == f"{driver.name} ({driver.number}) was not on the register at that moment."
    assert answer.context["verdict"].reasons[0].code == "machine_unknown"


def test_a_trainee_is_allowed_with_a_supervising_operator_named(client, trainer, driver, machine):
    trainee = authorised_operator(machine, level="trainee")
    assert not ask(client, trainee, machine).context["verdict"].is_allowed
    assert ask(client, trainee, machine, supervisor=driver.number).context["verdict"].is_allowed


def test_the_answer_takes_as_many_questions_for_a_long_record(
    client, trainer, driver, machine, django_assert_num_queries
):
    ask(client, driver, machine)
    with django_assert_num_queries(11):
        ask(client, driver, machine)
    for _ in range(4):
        TicketEventFactory(ticket=driver.tickets.first(), kind="varied")
        EvidenceFactory(operator=driver)
        TicketFactory(operator=driver)
    with django_assert_num_queries(11):
        ask(client, driver, machine)


# The command --------------------------------------------------------------------------------------------


def run(*arguments):
    """The command's exit code and what it printed."""
    printed = StringIO()
    try:
        call_command("gate", *arguments, stdout=printed)
    except SystemExit as end:
        return end.code, printed.getvalue()
    except CommandError as error:
        return error.returncode, str(error)
    return 0, printed.getvalue()


def test_the_command_ends_with_0_for_allowed(driver, machine):
    code, said = run(driver.number, machine.fleet_number)
    assert code == 0
    assert said.startswith(f"Allowed: {driver.name}")


def test_the_command_ends_with_3_for_refused_and_says_every_reason(machine):
    code, said = run(OperatorFactory().number, machine.fleet_number)
    assert code == 3
    assert said.startswith("Refused: ")
    assert said.count("Whose move: ") == said.count("What puts it right: ") == 4


@pytest.mark.parametrize(
    "arguments",
    [
        ("NOBODY", "{machine}"),
        ("{operator}", "NONE"),
        ("{operator}", "{machine}", "--at", "yesterday"),
        ("{operator}", "{machine}", "--at", "2026-03-29T01:30"),
        ("{operator}", "{machine}", "--at", "2026-10-25T01:30"),
        ("{operator}", "{machine}", "--known-at", "9998-01-01"),
        ("{operator}", "{machine}", "--supervisor", "NOBODY"),
        ("{operator}", "{machine}", "--confirmed"),
    ],
)
def test_the_command_ends_with_2_for_what_it_cannot_understand(driver, machine, arguments):
    filled = [one.format(operator=driver.number, machine=machine.fleet_number) for one in arguments]
    code, said = run(*filled)
    assert code == 2
    assert len(said.splitlines()) == 1


def test_the_command_s_json_holds_the_whole_verdict(machine):
    operator = OperatorFactory()
    code, said = run(operator.number, machine.fleet_number, "--json", "--at", "2026-07-01T06:30")
    told = json.loads(said)
    assert code == 3
    assert told["allowed"] is False
    assert told["at"] == "2026-07-01T05:30:00+00:00"
    assert {reason["code"] for reason in told["reasons"]} >= {"ticket_missing", "medical_not_met"}


def test_the_command_takes_a_trainee_with_a_supervising_operator_who_confirmed(driver, machine):
    trainee = authorised_operator(machine, level="trainee")
    asked = (trainee.number, machine.fleet_number, "--supervisor", driver.number)
    assert run(*asked)[0] == 3
    assert run(*asked, "--confirmed")[0] == 0


# Moments ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("2026-07-01T06:30", datetime(2026, 7, 1, 5, 30, tzinfo=UTC)),
        ("2026-01-01T06:30", datetime(2026, 1, 1, 6, 30, tzinfo=UTC)),
        ("2026-07-01", datetime(2026, 6, 30, 23, 0, tzinfo=UTC)),
        ("2026-10-25T01:30+00:00", datetime(2026, 10, 25, 1, 30, tzinfo=UTC)),
        ("2026-10-25T01:30+01:00", datetime(2026, 10, 25, 0, 30, tzinfo=UTC)),
    ],
)
def test_a_moment_without_an_offset_is_local(text, expected):
    assert moment_in(text, LONDON) == expected


def test_an_hour_that_the_clocks_show_twice_is_asked_about_unless_the_first_is_meant():
    with pytest.raises(NotAMoment, match="twice"):
        moment_in("2026-10-25T01:30", LONDON)
    assert moment_in("2026-10-25T01:30", LONDON, takes_first=True) == datetime(
        2026, 10, 25, 0, 30, tzinfo=UTC
    )


def test_an_hour_that_the_clocks_skip_is_no_moment():
    with pytest.raises(NotAMoment, match="skip"):
        moment_in("2026-03-29T01:30", LONDON, takes_first=True)
