"""The host's clock is set back by a day: nobody starts by it, and the journal stands."""

import uuid
from datetime import timedelta
from decimal import Decimal

import pytest
import time_machine
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from competence.actions.checks import start_check, submit_check
from competence.actions.errors import ActionRefused
from competence.actions.journal import seal
from competence.actions.tickets import suspend_ticket
from competence.models import Checkpoint, JournalEntry, Refusal, Ticket
from competence.queries.checkpoints import statement_of
from competence.queries.journal import verify
from tests.actions.test_practical import journal_what_is_there
from tests.doors.check_yard import a_yard
from tests.factories import AccountFactory, FindingFactory

pytestmark = pytest.mark.django_db
DAY = timedelta(days=1)


def a_check(yard, hours):
    draft = start_check(by=yard.account, check_id=uuid.uuid4(), machine=yard.machine)
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    said = {"hour_meter": Decimal(hours), "hour_meter_note": "Read twice."}
    return submit_check(by=yard.account, daily_check=draft, **said)


@pytest.fixture
def yard(trainer):
    made = a_yard()
    journal_what_is_there()
    a_check(made, "1200.0")
    return made


@pytest.fixture
def trainer():
    return AccountFactory(roles=["trainer"])


def test_nobody_starts_by_a_clock_that_was_set_back(yard, trainer):
    """By that clock a suspension of today has not happened yet."""
    suspend_ticket(by=trainer, ticket=Ticket.objects.get(), reason="Seen driving with the body up.")
    seal()
    with time_machine.travel(timezone.now() - DAY):
        with pytest.raises(ActionRefused, match="clock is behind"):
            start_check(by=yard.account, check_id=uuid.uuid4(), machine=yard.machine)
        assert "clock of this host" in " ".join(Client().get(reverse("ready")).json()["wrong"])
    assert isinstance(start_check(by=yard.account, check_id=uuid.uuid4(), machine=yard.machine), Refusal)


def test_a_draft_is_not_handed_in_by_a_clock_that_was_set_back(yard):
    draft = start_check(by=yard.account, check_id=uuid.uuid4(), machine=yard.machine)
    seal()
    with time_machine.travel(timezone.now() - DAY), pytest.raises(ActionRefused, match="clock is behind"):
        submit_check(by=yard.account, daily_check=draft, hour_meter=Decimal("1200.5"))


def test_what_else_is_written_meanwhile_stands_after_what_came_before(yard, trainer):
    kept = statement_of(seal())
    before = list(JournalEntry.objects.order_by("position").values_list("pk", flat=True))
    with time_machine.travel(timezone.now() - DAY):
        suspend_ticket(by=trainer, ticket=Ticket.objects.get(), reason="Seen driving with the body up.")
        seal()
    entries = list(JournalEntry.objects.order_by("position").values_list("pk", flat=True))
    assert entries[: len(before)] == before
    assert entries == sorted(entries)
    sizes = list(Checkpoint.objects.order_by("pk").values_list("size", flat=True))
    assert sizes == sorted(set(sizes))
    assert verify(kept=kept).problems == []
    events = Ticket.objects.get().events.order_by("pk").values_list("sequence", "kind")
    assert list(events) == [(1, "issued"), (2, "suspended")]
