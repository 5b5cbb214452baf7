"""What goes wrong while somebody types: the error stands beside its field, and nothing typed is lost."""

import uuid
from datetime import timedelta
from html import escape

import pytest
from django.contrib.sessions.models import Session
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from competence.models import DailyCheck, Refusal, Ticket
from tests.doors.check_yard import a_trainee, a_yard, signed_in
from tests.doors.people_world import people_world
from tests.factories import PASSWORD, AccountFactory, FindingFactory
from tests.inputs.test_photographs import a_bomb

pytestmark = pytest.mark.django_db


@pytest.fixture
def yard():
    return a_yard()


@pytest.fixture
def phone(yard):
    return signed_in(yard.account)


def zone(draft, number):
    return reverse("check-zone", args=[draft.pk, number])


def value_of(page, name):
    """What stands in the field on the page that came back."""
    return page.context["form"][name].value()


# The photograph ------------------------------------------------------------------------------------------

NO_PHOTOGRAPHS = {
    "not a picture": (b"%PDF-1.7 a bill", "not a picture that can be read"),
    "half a picture": (b"\xff\xd8\xff\xe0 cut", "not a picture that can be read"),
    "a bomb": (a_bomb(60_000, 60_000), "far larger than any camera takes"),
    "too many bytes": (b"\xff\xd8\xff" + bytes(1024 * 1024), "at most 1 MB can be kept"),
}


@pytest.mark.parametrize(("content", "said"), NO_PHOTOGRAPHS.values(), ids=NO_PHOTOGRAPHS)
@pytest.mark.parametrize("door", ["form", "tap"])
def test_a_file_that_is_no_photograph_is_refused_and_the_defect_is_kept(
    yard, phone, settings, photographs, door, content, said
):
    settings.PHOTOGRAPH_MAX_BYTES = 1024 * 1024
    draft, leaks = yard.draft(), yard.listed[1]
    typed = {
        f"answer-{leaks.pk}": "defect",
        f"grade-{leaks.pk}": "report",
        f"note-{leaks.pk}": "Drip under the pump",
        f"photo-{leaks.pk}": SimpleUploadedFile("x.jpg", content, content_type="image/jpeg"),
    }
    if door == "form":
        answer = phone.post(zone(draft, 1), typed)
        assert answer.status_code == 200
        assert said in answer.content.decode()
        assert "Drip under the pump" in answer.content.decode()
    else:
        answer = phone.post(reverse("check-point", args=[draft.pk, leaks.pk]), typed)
        assert said in " ".join(answer.json()["sentences"])
    kept = draft.findings.get()
    assert (kept.answer, kept.grade, kept.note) == ("defect", "report", "Drip under the pump")
    assert not kept.photograph
    assert not list(photographs.rglob("*.jpg"))


# The hour meter ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reading", ["1199.9", "90000", "twelve hundred", "-4", "1200.55", "NaN", "<b>"])
def test_a_reading_that_is_refused_stands_as_it_was_typed_with_its_note_and_the_answers(yard, phone, reading):
    yard.draft(submitted=True, started_at=timezone.now() - timedelta(days=1))
    draft = yard.draft()
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    # A reading that cannot be one at all is refused whatever the note says.
    note = "" if reading in ("1199.9", "90000") else "Glass is cracked"
    page = phone.post(
        reverse("check-finish", args=[draft.pk]),
        {"hour_meter": reading, "hour_meter_note": note, "refusal_id": str(uuid.uuid4())},
        follow=True,
    )
    assert list(page.context["form"].errors) == ["hour_meter"]
    assert (value_of(page, "hour_meter"), value_of(page, "hour_meter_note")) == (reading, note)
    assert f'value="{escape(reading)}"' in page.content.decode()
    draft.refresh_from_db()
    assert (draft.status, draft.hour_meter) == ("draft", None)
    assert draft.findings.count() == len(yard.listed)


# The device's clock --------------------------------------------------------------------------------------


@pytest.mark.parametrize("off", [timedelta(days=-400), timedelta(hours=-3), timedelta(days=9000)])
def test_a_check_is_timed_by_the_registers_clock_whatever_the_device_says(yard, phone, off):
    draft = yard.draft()
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    before = timezone.now()
    told = before + off
    phone.post(
        reverse("check-finish", args=[draft.pk]),
        {"hour_meter": "1200", "refusal_id": str(uuid.uuid4()), "device_clock_at": told.isoformat()},
    )
    draft.refresh_from_db()
    assert before <= draft.submitted_at <= timezone.now()
    assert abs(draft.device_clock_at - told) < timedelta(seconds=1)


# A session that ends -------------------------------------------------------------------------------------


def sign_in_again(phone, answer, username):
    """Go where the answer leads, fill in the form there, and go where that leads."""
    page = phone.get(answer["Location"])
    typed = {"username": username, "password": PASSWORD, "next": page.context["next"]}
    return phone.post(answer["Location"], typed)


@pytest.mark.parametrize("name", ["check", "check-finish"])
def test_a_session_that_ends_in_the_middle_of_a_check_leads_back_to_the_draft(yard, phone, name):
    check_id = uuid.uuid4()
    phone.post(reverse("check-start", args=["DT-014"]), {"check_id": str(check_id)})
    draft = DailyCheck.objects.get(pk=check_id)
    first, second, *rest = yard.listed
    phone.post(zone(draft, 1), {f"answer-{first.pk}": "good", f"answer-{second.pk}": "good"})
    Session.objects.all().delete()

    address = reverse(name, args=[draft.pk])
    stopped = phone.get(address)
    assert stopped["Location"] == f"{reverse('sign-in')}?next={address}"
    assert sign_in_again(phone, stopped, "carys")["Location"] == address

    assert "2 of 6 answered" in phone.get(reverse("check", args=[draft.pk])).content.decode()
    phone.post(zone(draft, 2), {f"answer-{listed.pk}": "good" for listed in rest})
    phone.post(zone(draft, 3), {f"answer-{listed.pk}": "good" for listed in rest})
    finish = {"hour_meter": "1200", "refusal_id": str(uuid.uuid4())}
    ended = phone.post(reverse("check-finish", args=[draft.pk]), finish)
    assert ended["Location"] == reverse("check-result", args=[draft.pk])
    assert DailyCheck.objects.get().status == "submitted"


def test_a_submission_after_the_session_ended_writes_nothing_until_it_is_pressed_again(yard, phone):
    draft = yard.draft()
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    Session.objects.all().delete()
    finish = {"hour_meter": "1200", "refusal_id": str(uuid.uuid4())}
    stopped = phone.post(reverse("check-finish", args=[draft.pk]), finish)
    assert DailyCheck.objects.get().status == "draft"
    back = sign_in_again(phone, stopped, "carys")
    assert "6 of 6" in phone.get(back["Location"]).content.decode()
    phone.post(back["Location"], finish)
    assert DailyCheck.objects.get().status == "submitted"


def test_another_who_signs_in_on_the_same_phone_does_not_get_the_draft(yard, phone):
    draft = yard.draft()
    a_trainee(yard)
    Session.objects.all().delete()
    back = sign_in_again(phone, phone.get(reverse("check", args=[draft.pk])), "femi")
    assert phone.get(back["Location"]).status_code == 403


def test_signing_in_never_leads_away_from_the_register(yard):
    typed = {"username": "carys", "password": PASSWORD, "next": "https://elsewhere.example/"}
    answer = Client().post(reverse("sign-in"), typed)
    assert answer["Location"] == reverse("home")


# Who and which machine -----------------------------------------------------------------------------------


def test_starting_on_a_machine_that_is_not_there_leads_back_with_what_was_read(phone):
    answer = phone.post(reverse("check-start", args=["GONE-1"]), {"check_id": str(uuid.uuid4())}, follow=True)
    assert "No machine in service is called" in answer.content.decode()
    assert 'value="GONE-1"' in answer.content.decode()
    assert not DailyCheck.objects.exists()
    assert not Refusal.objects.exists()


@pytest.mark.parametrize("wrong", ["operator", "machine", "supervisor", "at"])
def test_a_question_to_the_gate_that_is_not_understood_keeps_all_that_was_typed(yard, client, wrong):
    client.force_login(AccountFactory(roles=["trainer"]))
    typed = {"operator": "OP100", "machine": "DT-014", "supervisor": "", "at": ""}
    typed[wrong] = 'NONE"<1>'
    page = client.get(reverse("gate"), typed)
    assert list(page.context["form"].errors) == [wrong]
    assert {name: value_of(page, name) for name in typed} == typed


# The ticket ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "changes", "field"),
    [
        ("OP2", {"last_day": "2026-05-01"}, "last_day"),
        ("OP2", {"first_day": "2 May or so"}, "first_day"),
        ("OP1", {}, "category"),
    ],
)
def test_a_ticket_that_is_refused_keeps_all_that_was_typed(client, number, changes, field):
    world = people_world()
    client.force_login(world.trainer)
    typed = {
        "category": str(world.category.pk),
        "level": "trainee",
        "first_day": "2026-05-02",
        "last_day": "",
        "reason": "Starts with the spring crew <Tuesday>",
        **changes,
    }
    page = client.post(reverse("ticket-issue", args=[number]), typed)
    assert list(page.context["form"].errors) == [field]
    assert {name: str(value_of(page, name) or "") for name in typed} == typed
    assert Ticket.objects.count() == 1
