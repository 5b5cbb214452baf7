"""A short run of the fuzz, and that it can fail: a door that breaks is caught, with the smallest input."""

import itertools

import pytest
from django.core.exceptions import BadRequest

from competence.models import Employer
from competence.views import front
from tests.drills.fuzz import Caught, Sent, a_register, hold_one, run

pytestmark = [pytest.mark.slow, pytest.mark.drill, pytest.mark.django_db]


@pytest.fixture(scope="module")
def drill(django_db_setup, django_db_blocker):
    with django_db_blocker.unblock(), a_register() as drill:
        yield drill


def door_of(drill, name):
    return next(door for door in drill.doors if door.name == name)


def caught_at(drill, name, runs=400):
    """What a run at one door catches."""
    door = door_of(drill, name)
    drill.result.caught.clear()
    with drill.before_it(door):
        hold_one(
            drill.result,
            name,
            drill.inputs(door),
            lambda sent: drill.knock(door, sent),
            runs=runs,
            by=7,
        )
    return drill.result.caught.pop(name, "")


def test_no_door_and_no_command_gives_way(drill):
    drill.result.caught.clear()
    result = run(drill, inputs=500, by=20261125)
    assert result.caught == {}
    assert sum(result.sent.values()) >= 500
    assert len(result.sent) > 250
    # Not all turned away at the gate: most are answered by the doors themselves.
    assert result.answered["2xx"] + result.answered["3xx"] > result.answered["4xx"]


def test_a_door_that_raises_on_one_character_is_caught_with_the_smallest_input(drill, monkeypatch):
    as_it_is = front.url_has_allowed_host_and_scheme

    def breaks(url, *rest, **more):
        if "9" in (url or ""):
            raise ZeroDivisionError("on a nine")
        return as_it_is(url, *rest, **more)

    monkeypatch.setattr(front, "url_has_allowed_host_and_scheme", breaks)
    sentence = caught_at(drill, "theme post")
    assert "raised ZeroDivisionError at test_fuzz.py" in sentence
    assert "POST /theme/" in sentence
    # Shrunk: of thousands of characters that may have come, only what it takes is left.
    assert len(sentence) < 400


def test_a_door_that_writes_beside_the_journal_is_caught(drill, monkeypatch):
    names = (f"Firm {number}" for number in itertools.count())
    as_it_is = front.url_has_allowed_host_and_scheme

    def writes(*asked, **more):
        Employer.objects.create(name=next(names))
        return as_it_is(*asked, **more)

    monkeypatch.setattr(front, "url_has_allowed_host_and_scheme", writes)
    assert "the journal cannot vouch for" in caught_at(drill, "theme post")


def test_a_door_that_refuses_and_has_written_is_caught(drill, monkeypatch):
    names = (f"Firm {number}" for number in itertools.count())

    def half(*asked, **more):
        Employer.objects.create(name=next(names))
        raise BadRequest("too late")

    monkeypatch.setattr(front, "url_has_allowed_host_and_scheme", half)
    assert "answered 400 and changed ['competence_employer']" in caught_at(drill, "theme post")


def test_what_comes_back_unescaped_is_caught(drill):
    door = door_of(drill, "theme post")
    sent = Sent("trainer", "POST", door.path)

    class Answer(dict):
        status_code, kept = 200, b"<p>You typed <fuzz-marker></p>"
        headers = {"Content-Type": "text/html; charset=utf-8"}

    with pytest.raises(Caught, match="echoed unescaped"):
        drill._hold(door, sent, Answer())
