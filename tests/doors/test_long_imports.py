"""A spreadsheet too long for a page to wait for: worked off in a process of its own."""

import json
import os
import signal
import subprocess
import sys
from datetime import timedelta

import pytest
from django.conf import settings
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from competence.actions import background, import_runs
from competence.actions.import_runs import ask_for_run, stop_run
from competence.management.import_work import work_off
from competence.models import ImportedRow, ImportFile, ImportRun, JournalEntry, Operator, Ticket
from competence.permissions import NotAllowed
from tests.factories import AccountFactory, CategoryFactory, EmployerFactory, SiteFactory, plain_standard
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db
HEADINGS = "Op no,Name,Company,Site,Start date,Machine,Level,Issued,Expires"


def line(n, machine="Dumper"):
    days = f"{days_ago(700)},{machine},Full,{days_ago(100)},{days_ago(-500)}"
    return f"A{n},Ada Ash{n},Invented Plant,North Quarry,{days}"


@pytest.fixture
def admin(db):
    site = SiteFactory(code="NORTH", name="North Quarry")
    EmployerFactory(name="Invented Plant")
    plain_standard(category=CategoryFactory(code="dumper", name="Dumper"))
    return AccountFactory(roles=[("site_admin", site)])


@pytest.fixture
def sent(client, admin, monkeypatch):
    """A draft of four rows, one of them with a word that is not known; more than three are long."""
    monkeypatch.setattr(import_runs, "ROWS_IN_A_REQUEST", 3)
    # What was asked for waits here for its process.
    monkeypatch.setattr(background, "begin", lambda *command: None)
    client.force_login(admin)
    content = "\n".join([HEADINGS, *(line(n) for n in range(3)), line(9, "Thingummy")]).encode()
    client.post(reverse("import-list"), {"file": SimpleUploadedFile("old.csv", content)})
    return ImportFile.objects.get()


def work_off_newest():
    """What the process does that was begun."""
    call_command("work_off_import", str(ImportRun.objects.latest("pk").pk))


def url(name, draft):
    return reverse(f"import-{name}", args=[draft.pk])


def page(client, draft):
    return client.get(url("dry-run", draft)).content.decode()


def test_it_is_held_against_the_register_and_brought_in_by_runs(client, sent):
    assert "5 rows" in page(client, sent)
    client.post(url("ask", sent))
    work_off_newest()
    told = client.get(url("dry-run", sent))
    assert told.context["counts"]["people_new"] == 3
    assert "Thingummy" in told.content.decode()
    assert not Operator.objects.exists()
    marked = client.get(url("marked", sent))
    assert b"".join(marked.streaming_content)[:2] == b"PK"
    client.post(url("run", sent))
    work_off_newest()
    done = client.get(url("dry-run", sent), follow=True)
    assert done.redirect_chain[-1][0] == url("result", sent)
    assert Ticket.objects.count() == 3
    assert list(ImportRun.objects.order_by("pk").values_list("kind", "status")) == [
        ("dry_run", "finished"),
        ("bring_in", "finished"),
    ]


def test_what_was_found_is_not_shown_once_the_file_is_read_in_another_way(client, sent):
    client.post(url("ask", sent))
    work_off_newest()
    sent.refresh_from_db()
    sent.mapping["parts"][5] = ""
    sent.save()
    assert "Read in another way now" in page(client, sent)


def test_the_page_says_how_far_it_is(client, sent):
    client.post(url("ask", sent))
    run = ImportRun.objects.get()
    assert "It begins" in page(client, sent)
    with background.at_work(run.work_name) as work:
        work.tell(stage="People written", read=5, planned=4, written=12)
        shown = page(client, sent)
        assert "look_again.js" in shown
        assert "People written" in shown
        assert "5 rows read, 4 planned, 12 rows of the register written" in " ".join(shown.split())


def test_two_presses_and_two_browsers_bring_it_in_once(client, sent, admin):
    other = Client()
    other.force_login(admin)
    for browser in (client, client, other):
        browser.post(url("run", sent))
    assert ImportRun.objects.count() == 1
    assert "Being brought in" in page(other, sent)
    work_off_newest()
    # A process that was started twice finds nothing left to do.
    work_off_newest()
    assert JournalEntry.objects.filter(action="import.brought_in").count() == 1
    assert Ticket.objects.count() == 3


def test_the_same_file_sent_twice_is_brought_in_once(client, sent):
    content = "\n".join([HEADINGS, *(line(n) for n in range(3)), line(9, "Thingummy")]).encode()
    client.post(reverse("import-list"), {"file": SimpleUploadedFile("old.csv", content)})
    for draft in ImportFile.objects.order_by("pk"):
        client.post(url("run", draft))
        work_off_newest()
    assert list(ImportFile.objects.order_by("pk").values_list("status", flat=True)) == [
        "imported",
        "nothing_new",
    ]
    assert Ticket.objects.count() == 3


def test_what_never_began_is_told_and_begun_anew(client, sent):
    client.post(url("run", sent))
    ImportRun.objects.update(asked_at=timezone.now() - timedelta(minutes=5))
    shown = page(client, sent)
    assert "It was not brought in" in shown
    assert "look_again.js" not in shown
    dead = ImportRun.objects.get()
    client.post(url("run", sent))
    again = ImportRun.objects.latest("pk")
    # The first was only slow: it finds that it was given up, and does nothing.
    work_off(dead)
    assert not Operator.objects.exists()
    work_off(again)
    assert list(ImportRun.objects.order_by("pk").values_list("status", flat=True)) == ["failed", "finished"]


def test_it_stops_when_asked_to_and_leaves_nothing(client, sent, admin, monkeypatch):
    client.post(url("run", sent))
    run = ImportRun.objects.get()
    tell = background.Work.tell

    def press_stop(work, **how_far):
        """Somebody presses Stop when the tickets are written."""
        if how_far.get("stage") == "Tickets written":
            stop_run(by=admin, run=run)
        tell(work, **how_far)

    monkeypatch.setattr(background.Work, "tell", press_stop)
    work_off(run)
    run.refresh_from_db()
    assert run.status == "stopped"
    assert not Operator.objects.exists()
    assert not ImportedRow.objects.exists()
    assert "Stopped" in page(client, sent)


def test_who_keeps_people_at_one_site_stops_nothing_that_somebody_else_brings_in(client, sent):
    client.post(url("run", sent))
    run, beside = ImportRun.objects.get(), AccountFactory(roles=[("site_admin", SiteFactory())])
    with pytest.raises(NotAllowed):
        stop_run(by=beside, run=run)
    work_off(run)
    run.refresh_from_db()
    assert run.status == "finished"


def test_a_fault_in_the_middle_is_told_and_leaves_nothing(client, sent, monkeypatch):
    client.post(url("run", sent))
    run = ImportRun.objects.get()

    def fails(**parts):
        raise RuntimeError("the disk is full")

    monkeypatch.setattr("competence.actions.imports.record", fails)
    with pytest.raises(RuntimeError):
        work_off(run)
    assert not Operator.objects.exists()
    assert "It was not brought in" in page(client, sent)


def test_a_file_whose_copy_is_gone_says_to_send_it_again(client, sent):
    sent.file.storage.delete(sent.file.name)
    client.post(url("ask", sent))
    work_off_newest()
    assert "Send the file again" in page(client, sent)


@pytest.mark.slow
@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="the process is told of SQLite's file")
@pytest.mark.django_db(transaction=True)
def test_a_process_killed_in_the_middle_leaves_nothing(client, sent, monkeypatch):
    """A real process, killed by the system while it writes, is known for dead and may be begun anew."""
    client.post(url("run", sent))
    run = ImportRun.objects.get()
    child = subprocess.Popen(
        [
            sys.executable,
            "-c",
            KILLED_IN_THE_MIDDLE,
            json.dumps(str(connection.settings_dict["NAME"])),
            str(run.pk),
        ],
        cwd=settings.BASE_DIR,
        env=os.environ | {"DJANGO_SETTINGS_MODULE": "competence.settings"},
    )
    assert child.wait(60) == -signal.SIGKILL
    assert background.how_far(run.work_name)["stage"] == "Tickets written"
    assert not Operator.objects.exists()
    monkeypatch.setattr(background, "SILENCE", timedelta(0))
    assert "Its process ended in the middle" in page(client, sent)
    work_off(ask_for_run(by=run.asked_by, import_file=sent, kind=ImportRun.Kind.BRING_IN))
    assert Ticket.objects.count() == 3


KILLED_IN_THE_MIDDLE = """
import json, os, signal, sys
import django
django.setup()
from django.core.management import call_command
from django.db import connection
connection.settings_dict["NAME"] = json.loads(sys.argv[1])
from competence.actions import background
tell = background.Work.tell
def dies(work, **how_far):
    tell(work, **how_far)
    if how_far.get("stage") == "Tickets written":
        os.kill(os.getpid(), signal.SIGKILL)
background.Work.tell = dies
from django.core.management import call_command
call_command("work_off_import", sys.argv[2])
"""
