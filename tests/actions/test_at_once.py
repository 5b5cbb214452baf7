"""Two people at the same moment: one wins, the other is told in plain words, and nothing is written twice.

On SQLite the second waits for the first one's transaction; on PostgreSQL it waits for a row's lock.
"""

import threading
import uuid
from decimal import Decimal

import pytest
from django.db import close_old_connections, connection

from competence.actions.checks import start_check, submit_check
from competence.actions.defects import close_defect
from competence.actions.errors import ActionRefused
from competence.actions.journal import seal
from competence.actions.tickets import issue_ticket, renew_ticket, suspend_ticket
from competence.models import DailyCheck, Defect, JournalEntry, Operator, Ticket, TicketEvent
from tests.doors.check_yard import a_yard
from tests.doors.people_world import people_world
from tests.factories import (
    AccountFactory,
    DefectFactory,
    EvidenceFactory,
    FindingFactory,
    MachineFactory,
    OperatorFactory,
    authorised_operator,
)
from tests.factories.base import days_ago, moment_ago

# Rows are written and committed for real: two connections see only that.
pytestmark = pytest.mark.django_db(transaction=True)


def at_once(*acts):
    """What each act gave or was refused with, all begun at the same moment on connections of their own."""
    start, answers = threading.Barrier(len(acts)), [None] * len(acts)

    def do(place, act):
        try:
            close_old_connections()
            connection.ensure_connection()
            start.wait(timeout=10)
            answers[place] = act()
        except Exception as error:
            answers[place] = error
        finally:
            connection.close()

    threads = [threading.Thread(target=do, args=each) for each in enumerate(acts)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60)
    assert not any(thread.is_alive() for thread in threads), "two people wait for one another"
    return answers


def one_wins(answers):
    """The winner's answer and the sentence that the other reads."""
    refused = [answer for answer in answers if isinstance(answer, Exception)]
    assert [type(answer) for answer in refused] == [ActionRefused], answers
    (won,) = (answer for answer in answers if not isinstance(answer, Exception))
    return won, refused[0].sentence


def entries(action):
    return JournalEntry.objects.filter(action=action).count()


def test_two_issuers_of_one_ticket():
    world = people_world()
    second = AccountFactory(roles=[("trainer", world.site)])

    def issue(by):
        return lambda: issue_ticket(
            by=by,
            operator=Operator.objects.get(pk=world.newcomer.pk),
            category=world.category,
            level="trainee",
            reason="Starts today.",
        )

    won, told = one_wins(at_once(issue(world.trainer), issue(second)))
    assert f"holds ticket {won.number}" in told
    assert Ticket.objects.filter(operator=world.newcomer).count() == 1
    assert TicketEvent.objects.filter(ticket=won).count() == entries("ticket.issued") == 1


def test_two_renewals_on_one_assessment():
    world = people_world()
    for kind in ("practical", "paper"):
        EvidenceFactory(
            operator=world.operator,
            kind=kind,
            category=world.category,
            occurred_on=days_ago(1),
            recorded_by=world.far_trainer,
        )

    def renew(by):
        return lambda: renew_ticket(
            by=by,
            ticket=Ticket.objects.get(pk=world.ticket.pk),
            assessed_on=days_ago(1),
            reason="Passed again.",
        )

    second = AccountFactory(roles=[("trainer", world.site)])
    _, told = one_wins(at_once(renew(world.trainer), renew(second)))
    assert "A renewal takes a practical assessment passed after that day" in told
    assert world.ticket.events.filter(kind="renewed").count() == entries("ticket.renewed") == 1


def test_two_who_suspend_one_ticket():
    world = people_world()

    def suspend(by):
        return lambda: suspend_ticket(
            by=by, ticket=Ticket.objects.get(pk=world.ticket.pk), reason="Seen driving with the body up."
        )

    _, told = one_wins(at_once(suspend(world.trainer), suspend(world.site_admin)))
    assert told == "The ticket is suspended already."
    assert world.ticket.events.filter(kind="suspended").count() == 1


def test_two_starts_of_one_operator_on_one_machine_are_one_draft():
    yard = a_yard()

    def press():
        return start_check(by=yard.account, check_id=uuid.uuid4(), machine=yard.machine)

    first, second = at_once(press, press)
    assert isinstance(first, DailyCheck), first
    assert first == second
    assert DailyCheck.objects.count() == entries("check.started") == 1


def test_two_submissions_of_one_check_count_once():
    yard = a_yard()
    draft = yard.draft()
    for place, listed in enumerate(yard.listed):
        FindingFactory(daily_check=draft, listed=listed, defect=place == 1)

    def submit(hours):
        return lambda: submit_check(
            by=yard.account,
            daily_check=DailyCheck.objects.get(pk=draft.pk),
            hour_meter=Decimal(hours),
        )

    first, second = at_once(submit("1200.0"), submit("1200.5"))
    assert isinstance(first, DailyCheck), first
    assert isinstance(second, DailyCheck), second
    # The second is shown the first one's check, as it was submitted.
    assert (first.submitted_at, first.hour_meter) == (second.submitted_at, second.hour_meter)
    assert Defect.objects.count() == entries("check.submitted") == 1


def test_two_operators_who_find_one_defect_on_one_machine_open_it_once():
    yard = a_yard()
    other = AccountFactory(operator=authorised_operator(yard.machine))
    drafts = []
    for account in (yard.account, other):
        draft = start_check(by=account, check_id=uuid.uuid4(), machine=yard.machine)
        for place, listed in enumerate(yard.listed):
            FindingFactory(daily_check=draft, listed=listed, defect=place == 1)
        drafts.append((account, draft))

    def submit(account, draft):
        return lambda: submit_check(by=account, daily_check=draft, hour_meter=Decimal("1200.0"))

    answers = at_once(*(submit(*pair) for pair in drafts))
    assert [getattr(answer, "status", answer) for answer in answers] == ["submitted", "submitted"]
    defect = Defect.objects.get()
    assert defect.sightings.count() == 1


def test_two_closers_of_one_defect():
    defect = DefectFactory(opened_by__daily_check__started_at=moment_ago(1))
    admins = [AccountFactory(roles=["site_admin"], first_name=name) for name in ("Ned", "Ina")]

    def close(by):
        return lambda: close_defect(
            by=by, defect=Defect.objects.get(pk=defect.pk), done=f"Mended by {by.name}."
        )

    won, told = one_wins(at_once(*map(close, admins)))
    assert told.startswith(f"{won.closed_by.name} closed this defect already, on ")
    assert told.endswith(f"and wrote: Mended by {won.closed_by.name}.")
    defect.refresh_from_db()
    assert (defect.closed_by, defect.done) == (won.closed_by, won.done)
    assert entries("defect.closed") == 1


def test_checks_of_many_machines_at_once_all_count_and_the_journal_holds_each():
    yard = a_yard()
    machines = [
        yard.machine,
        *MachineFactory.create_batch(3, site=yard.machine.site, category=yard.machine.state.category),
    ]
    people = [
        AccountFactory(operator=authorised_operator(machine, operator=OperatorFactory(site=machine.site)))
        for machine in machines
    ]

    def press(account, machine):
        return lambda: start_check(by=account, check_id=uuid.uuid4(), machine=machine)

    answers = at_once(*(press(*pair) for pair in zip(people, machines, strict=True)))
    assert all(isinstance(answer, DailyCheck) for answer in answers), answers
    assert DailyCheck.objects.count() == seal().size == entries("check.started") == 4
    assert sorted(JournalEntry.objects.values_list("position", flat=True)) == [0, 1, 2, 3]
