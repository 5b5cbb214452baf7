"""What whoever keeps the register running can see, and that none of it names anybody."""

import io
import json
import logging
from datetime import timedelta

import pytest
import time_machine
from django.db import DatabaseError, connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django_guid.log_filters import CorrelationId

from competence.actions.journal import record, seal
from competence.logs import NoAddresses, PlainLines
from competence.views import watching
from tests.factories import AccountFactory, OperatorFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def lines():
    """What is written to the log meanwhile, as production writes it."""
    out = io.StringIO()
    handler = logging.StreamHandler(out)
    handler.addFilter(CorrelationId(correlation_id_field="request_id"))
    handler.addFilter(NoAddresses())
    handler.setFormatter(PlainLines())
    root, requests = logging.getLogger(), logging.getLogger("register.requests")
    before = root.level, requests.level
    root.addHandler(handler)
    root.setLevel(logging.INFO)
    requests.setLevel(logging.INFO)
    yield lambda: [json.loads(line) for line in out.getvalue().splitlines()]
    root.removeHandler(handler)
    root.setLevel(before[0])
    requests.setLevel(before[1])


def test_each_answer_is_one_line_with_its_request_and_nobody_s_name(lines, client):
    operator = OperatorFactory(number="OP7788")
    client.force_login(AccountFactory(roles=["trainer"], username="a.name"))
    answer = client.get(reverse("operator", args=[operator.number]))
    (line,) = [one for one in lines() if one["from"] == "register.requests"]
    assert (line["door"], line["method"], line["status"]) == ("operator", "GET", 200)
    assert line["request"] == answer["X-Request-ID"]
    told = json.dumps(lines())
    assert "OP7788" not in told
    assert "a.name" not in told


def test_an_id_that_the_proxy_gave_is_kept_and_nonsense_is_not(client):
    given = "6f1e2d3c4b5a69788796a5b4c3d2e1f0"
    assert client.get(reverse("alive"), headers={"x-request-id": given})["X-Request-ID"] == given
    nonsense = 'x" {"level": "FORGED"}'
    assert client.get(reverse("alive"), headers={"x-request-id": nonsense})["X-Request-ID"] != nonsense


def test_an_error_s_line_tells_kinds_and_places_and_never_its_words(lines, client, monkeypatch):
    def fails(*_):
        try:
            raise ValueError("Idris Example has no medical")
        except ValueError as first:
            raise DatabaseError("Key (username)=(idris) exists") from first

    monkeypatch.setattr(watching, "journal_head", fails)
    monkeypatch.setattr(watching, "_what_is_wrong", fails)
    client.raise_request_exception = False
    operator = OperatorFactory(number="OP7788")
    assert client.get(reverse("ready"), {"who": operator.number}).status_code == 500
    told = json.dumps(lines())
    assert "django.db.utils.DatabaseError at " in told
    assert "builtins.ValueError" in told
    assert "ready" in told
    for personal in ("Idris", "idris", "OP7788"):
        assert personal not in told


def test_a_refused_address_is_told_by_its_door(lines, client):
    client.force_login(AccountFactory(roles=["operator"]))
    operator = OperatorFactory(number="OP7788")
    assert client.get(reverse("operator", args=[operator.number])).status_code == 403
    assert "OP7788" not in json.dumps(lines())
    assert any(one["says"] == "403 at operator" for one in lines())


def wrong():
    answer = Client().get(reverse("ready"))
    assert answer.status_code == (503 if answer.json()["wrong"] else 200)
    return " ".join(answer.json()["wrong"])


def test_a_register_that_is_well_is_ready():
    assert wrong() == ""


def test_code_that_is_ahead_of_its_database_is_not_ready():
    (newest,) = MigrationLoader(connection).graph.leaf_nodes("competence")
    MigrationRecorder(connection).record_unapplied(*newest)
    assert "manage.py migrate" in wrong()


def test_a_host_with_another_key_is_not_ready(settings):
    account = AccountFactory()
    record(by=None, action="account.opened", rows=[account])
    seal()
    settings.JOURNAL_KEY = "11" * 32
    assert "another key" in wrong()


def test_a_journal_that_nobody_seals_makes_it_not_ready():
    account = AccountFactory()
    record(by=None, action="account.opened", rows=[account])
    seal()
    record(by=None, action="account.opened", rows=[account])
    assert wrong() == ""
    with time_machine.travel(timezone.now() + timedelta(hours=3)):
        assert "journal seal" in wrong()


def test_a_full_or_closed_disk_makes_it_not_ready(monkeypatch):
    monkeypatch.setattr(watching, "LEAST_FREE_BYTES", 1 << 60)
    assert "nearly full" in wrong()
    monkeypatch.setattr(watching.os, "access", lambda *_: False)
    assert "cannot be written" in wrong()


def test_a_database_that_fails_makes_it_not_ready_and_is_no_stack_trace(monkeypatch):
    def fails():
        raise DatabaseError("secret")

    monkeypatch.setattr(watching, "journal_head", fails)
    assert wrong() == "The database does not answer (DatabaseError)."


def test_measurements_are_for_whoever_shows_the_token(client, settings):
    assert client.get(reverse("metrics")).status_code == 404
    settings.METRICS_TOKEN = "long-and-random"
    assert client.get(reverse("metrics"), headers={"authorization": "Bearer wrong"}).status_code == 404
    record(by=None, action="account.opened", rows=[AccountFactory()])
    client.get(reverse("alive"))
    answer = client.get(reverse("metrics"), headers={"authorization": "Bearer long-and-random"})
    told = answer.content.decode()
    assert "register_journal_unsealed_entries 1.0" in told
    assert "register_mails_waiting 0.0" in told
    assert 'register_request_seconds_count{door="alive",method="GET",status="2xx"}' in told
