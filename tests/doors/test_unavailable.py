"""A register that cannot write, or has no database: a plain page, JSON for the phone, nothing by halves."""

import errno
import uuid
from contextlib import contextmanager

import pytest
from django.db import IntegrityError, OperationalError, connection
from django.test import Client
from django.urls import reverse

from assessments.models import Tap
from competence.actions import checks
from competence.models import DailyCheck, JournalEntry
from competence.views.unavailable import cause_of
from tests.doors.check_yard import a_yard, signed_in
from tests.factories import AccountFactory, FindingFactory
from tests.factories.assessments import AssessmentFactory

# Really committed, or really not.
pytestmark = pytest.mark.django_db(transaction=True)


@contextmanager
def a_database_that_takes_no_changes():
    on, off = (
        ("PRAGMA query_only = ON", "PRAGMA query_only = OFF")
        if connection.vendor == "sqlite"
        else ("SET default_transaction_read_only = on", "SET default_transaction_read_only = off")
    )
    with connection.cursor() as cursor:
        cursor.execute(on)
    try:
        yield
    finally:
        with connection.cursor() as cursor:
            cursor.execute(off)


def handed_in(client, draft):
    said = {"refusal_id": uuid.uuid4(), "hour_meter": "1200.0"}
    return client.post(reverse("check-finish", args=[draft.pk]), said)


def a_whole_draft(yard):
    draft = yard.draft()
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    return draft


def test_a_read_only_database_is_a_page_that_says_so_and_works_again_afterwards():
    yard = a_yard()
    client, draft = signed_in(yard.account), a_whole_draft(yard)
    page = reverse("check", args=[draft.pk])
    assert client.get(page).status_code == 200
    with a_database_that_takes_no_changes():
        answer = handed_in(client, draft)
        assert client.get(page).status_code == 200
    assert (answer.status_code, answer["Retry-After"]) == (503, "30")
    told = answer.content.decode()
    for words in ("can be read at the moment, and not written to", "Nothing was kept;", "nobody to start"):
        assert words in told
    draft.refresh_from_db()
    assert (draft.status, JournalEntry.objects.count()) == ("draft", 0)
    assert handed_in(client, draft)["Location"] == reverse("check-result", args=[draft.pk])
    assert JournalEntry.objects.filter(action="check.submitted").count() == 1


def test_the_phone_is_told_in_json_and_the_same_mark_is_taken_later():
    assessment = AssessmentFactory()
    client = signed_in(assessment.assessor)
    mark = {"point": assessment.points.first().listed_id, "mark": "missed", "sent_as": str(uuid.uuid4())}

    def tap():
        return client.post(
            reverse("assessment-marks", args=[assessment.pk]),
            {"device": "phone", "marks": [mark]},
            content_type="application/json",
            headers={"accept": "application/json"},
        )

    with a_database_that_takes_no_changes():
        answer = tap()
    assert answer.status_code == 503
    assert "Nothing was kept;" in answer.json()["sentence"]
    assert not Tap.objects.exists()
    assert tap().status_code == 200
    assert Tap.objects.count() == 1


def test_a_session_that_cannot_be_saved_is_no_bare_error_either():
    """Where the register cannot say what became of the work, it does not claim that nothing was kept."""
    yard = a_yard()
    client, draft = signed_in(yard.account), a_whole_draft(yard)
    client.raise_request_exception = False
    with a_database_that_takes_no_changes():
        # A reading that is none is remembered in the session, to be shown again.
        answer = client.post(reverse("check-finish", args=[draft.pk]), {"hour_meter": "many"})
    assert answer.status_code == 503
    assert "not certain" in answer.content.decode()


def test_a_database_that_is_away_before_the_door_kept_nothing(monkeypatch):
    def away(*_, **__):
        raise OperationalError("server closed the connection")

    client = signed_in(AccountFactory(roles=["trainer"]))
    client.raise_request_exception = False
    with monkeypatch.context() as patched:
        patched.setattr("django.contrib.sessions.backends.db.SessionStore._get_session_from_db", away)
        answer = client.post(reverse("theme"), {"theme": "dark"})
        looked = client.get(reverse("home"))
    assert [answer.status_code, looked.status_code] == [503, 503]
    assert "did not answer. Nothing was changed." in looked.content.decode()


@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EROFS])
def test_a_full_or_closed_disk_takes_the_whole_change_back(monkeypatch, number):
    def fails(*_, **__):
        raise OSError(number, "no room")

    yard = a_yard()
    client, draft = signed_in(yard.account), a_whole_draft(yard)
    monkeypatch.setattr(checks, "record", fails)
    answer = handed_in(client, draft)
    assert answer.status_code == 503
    assert "Nothing was kept;" in answer.content.decode()
    assert DailyCheck.objects.get().status == "draft"


def test_an_error_of_the_register_s_own_is_none_of_these(monkeypatch):
    for error in (IntegrityError("twice"), OSError(errno.ENOENT, "gone"), ValueError()):
        assert cause_of(error) is None

    def fails(*_, **__):
        raise IntegrityError("twice")

    yard = a_yard()
    draft = a_whole_draft(yard)
    client = Client(raise_request_exception=False)
    client.force_login(yard.account)
    monkeypatch.setattr(checks, "record", fails)
    answer = handed_in(client, draft)
    assert answer.status_code == 500
    assert "may not have been kept" in answer.content.decode()
