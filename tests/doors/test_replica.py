"""Some pages read from a copy of the database, and say as of when; nothing decides by it."""

import ast
import sqlite3
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from django.conf import settings as register_settings
from django.db import OperationalError, connection, connections
from django.urls import get_resolver
from django.utils import timezone

from competence.actions.checks import start_check
from competence.models import DailyCheck, Operator, Refusal, Site, Ticket
from competence.queries import replica
from competence.queries.checks import is_trainee_on
from competence.queries.gate import snapshot
from competence.rules.gate import decide
from tests.doors.check_yard import a_yard
from tests.factories import AccountFactory, LookFactory, SiteFactory

pytestmark = [
    pytest.mark.django_db,
    pytest.mark.skipif(
        "sqlite3" not in register_settings.DATABASES["default"]["ENGINE"], reason="the copy here is a file"
    ),
]

# Every page that may be read from a copy. None asks the gate, and none is a step of a check, an assessment, a
# paper or anything else that is written.
MAY_READ_A_COPY = {
    "analysis",
    "analysis-question",
    "cover",
    "cover-list",
    "end-list",
    "look-list",
    "severity",
    "workbook",
}


@pytest.fixture
def copied(tmp_path, settings, monkeypatch):
    """``copied()``: a copy of the database as it now stands follows it; what is asked of it is counted."""
    file = tmp_path / "copy.sqlite3"
    settings.DATABASE_ROUTERS = ["competence.queries.replica.Router"]
    monkeypatch.setattr(replica, "_last", None)
    connections.settings["replica"] = connections.settings["default"] | {"NAME": str(file)}
    asked = []

    def now_follows(as_of=None):
        with closing(sqlite3.connect(file)) as copy:
            copy.executescript("".join(f"{line}\n" for line in _dump()))
        moment = as_of or timezone.now()
        monkeypatch.setattr(replica, "fresh_as_of", lambda: moment)
        # Opened here: Django's tests open no database that was not there when they began.
        copy = connections["replica"]
        copy.connect()
        copy.execute_wrappers.append(lambda execute, sql, *rest: asked.append(sql) or execute(sql, *rest))
        return asked

    yield now_follows
    connections["replica"].close()
    del connections["replica"]
    del connections.settings["replica"]


def _dump():
    """The tables and rows of this very transaction."""
    return list(connection.connection.iterdump())


@pytest.fixture
def auditor(client):
    account = AccountFactory(roles=["auditor"])
    client.force_login(account)
    return account


def test_a_page_that_may_reads_the_copy_and_says_as_of_when(client, auditor, copied):
    SiteFactory(name="Kept by both")
    asked = copied(timezone.now().replace(hour=5, minute=6, second=7))
    with closing(sqlite3.connect(connections["replica"].settings_dict["NAME"])) as copy:
        copy.execute("UPDATE competence_site SET name = 'Only in the copy'")
        copy.commit()
    page = client.get("/cover/").content.decode()
    assert "Only in the copy" in page
    assert "As of 05:06:07" in page
    assert asked


def test_every_other_page_reads_the_database_itself(client, auditor, copied):
    asked = copied()
    for address in ("/", "/tickets/", "/gate/", "/checks/", "/refusals/", "/journal/"):
        page = client.get(address)
        assert page.status_code == 200, address
        assert "As of" not in page.content.decode().partition("<main")[2][:400]
    assert asked == []


def test_only_the_pages_named_here_may_read_a_copy():
    marked = {
        pattern.name
        for pattern in get_resolver().url_patterns
        if getattr(getattr(pattern, "callback", None), "reads_from_replica", False)
    }
    assert marked == MAY_READ_A_COPY


def test_the_gate_never_reads_the_copy_whatever_page_asks(copied):
    """A ticket that was taken away after the copy was made: who asked the copy would let them through."""
    yard = a_yard()
    asked = copied()
    Ticket.objects.filter(operator=yard.operator).update(is_withdrawn=True)
    Operator.objects.filter(pk=yard.operator.pk).update(number="OP-NOW")
    moment = timezone.now()
    with replica.from_replica(moment):
        assert Operator.objects.get(pk=yard.operator.pk).number == "OP100"
        del asked[:]
        facts = snapshot(operator="OP-NOW", machine="DT-014", at=moment, known_at=moment)
        assert facts.person is not None
        assert decide(facts, moment)
        operator = Operator(pk=yard.operator.pk, number="OP-NOW")
        is_trainee_on(operator, yard.machine, moment)
        assert asked == []
        # That this test can fail: the same reads without what holds them to the database itself.
        snapshot.__wrapped__(operator="OP-NOW", machine="DT-014", at=moment, known_at=moment)
        assert asked


def test_what_writes_cannot_go_on_from_a_copy(copied):
    yard = a_yard()
    copied()
    with replica.from_replica(timezone.now()), pytest.raises(replica.WroteOnACopy):
        start_check(by=yard.account, check_id="0" * 32, machine=yard.machine)
    assert not DailyCheck.objects.exists()
    assert not Refusal.objects.exists()


def test_every_verdict_rests_on_facts_that_are_never_from_a_copy():
    """Whoever calls the gate's rule takes its facts from ``snapshot``, or from what was kept with a check, or
    stands in a page that may not read a copy."""
    here = Path(register_settings.BASE_DIR)
    callers = set()
    for file in [*here.glob("competence/**/*.py"), *here.glob("assessments/**/*.py")]:
        tree = ast.parse(file.read_text())
        for node in ast.walk(tree):
            is_of_gate = isinstance(node, ast.ImportFrom) and node.module == "competence.rules.gate"
            if is_of_gate and "decide" in {alias.name for alias in node.names}:
                callers.add(str(file.relative_to(here)))
    assert callers - {"competence/rules/roster.py"} == {
        "competence/actions/checks.py",
        "competence/management/commands/gate.py",
        "competence/management/main_job.py",
        "competence/queries/checks.py",
        "competence/queries/gate_answers.py",
        # Asks the record; its page may not read a copy.
        "competence/queries/record.py",
    }


def test_who_somebody_is_and_what_they_may_do_is_never_from_a_copy(client, auditor, copied):
    copied()
    role = auditor.roles.get()
    type(role).objects.filter(pk=role.pk).update(ended_at=timezone.now())
    assert client.get("/cover/").status_code == 403


def test_ones_own_change_is_seen_at_once(client, auditor, copied, settings):
    asked = copied()
    client.post("/theme/", {"theme": "dark", "next": "/"})
    assert client.cookies["wrote"]["max-age"] == settings.REPLICA_STALE_SECONDS + 5
    assert "As of" not in client.get("/cover/").content.decode()
    assert asked == []


def test_a_copy_that_fails_on_the_way_is_left_for_the_database_itself(client, auditor, copied, monkeypatch):
    SiteFactory(name="Only in the database")
    copied()

    def fails(execute, sql, *rest):
        raise OperationalError("the copy went away")

    connections["replica"].execute_wrappers.append(fails)
    page = client.get("/cover/")
    assert page.status_code == 200
    assert "Only in the database" in page.content.decode()
    assert "As of" not in page.content.decode()
    assert replica._last.is_away


@pytest.mark.parametrize(
    ("behind", "expected"),
    [(timedelta(0), True), (timedelta(seconds=10), True), (timedelta(seconds=11), False)],
)
def test_a_copy_too_far_behind_is_not_read(copied, monkeypatch, behind, expected):
    now, measured = timezone.now(), []
    monkeypatch.setattr(replica, "_held_by_copy", lambda: measured.append(1) or (now, now - behind))
    assert (replica.fresh_as_of() == now - behind) is expected
    # At most once a second.
    replica.fresh_as_of()
    assert len(measured) == 1


def test_a_copy_that_was_made_a_database_of_its_own_is_not_read(copied, monkeypatch):
    monkeypatch.setattr(replica, "_held_by_copy", lambda: (timezone.now(), None))
    assert replica.fresh_as_of() is None


def test_a_copy_that_is_away_is_not_asked_by_every_page(copied, monkeypatch):
    tries = []

    def away():
        tries.append(1)
        raise OperationalError("no answer")

    monkeypatch.setattr(replica, "_held_by_copy", away)
    assert replica.fresh_as_of() is None
    assert replica.fresh_as_of() is None
    assert len(tries) == 1


def test_without_a_copy_nothing_is_asked_and_no_cookie_set(client, auditor):
    assert replica.fresh_as_of() is None
    assert "wrote" not in client.post("/theme/", {"theme": "dark", "next": "/"}).cookies
    assert Site.objects.count() == 0


def test_a_look_that_was_just_taken_stands_in_the_list(client, auditor, copied):
    """What a page writes on its way counts as a change too, though it was only read."""
    copied()
    LookFactory(by=auditor)
    answer = client.post("/workbook/", {})
    assert answer.cookies["wrote"].value == "1"
    assert "As of" not in client.get("/looks/").content.decode()
