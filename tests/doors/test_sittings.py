"""The doors of papers, refreshers and sittings, with and without script."""

import uuid
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from assessments.models import Answer, MoreAttempts, Sitting
from assessments.queries.sittings import sheet_of
from competence.actions.clock import as_if_at
from tests.actions.test_sittings import WRONG, Room
from tests.doors.check_yard import signed_in
from tests.factories import AccountFactory, EvidenceFactory, OperatorFactory, SiteFactory
from tests.factories.questions import (
    DrawnQuestionFactory,
    QuestionFactory,
    QuestionVersionFactory,
    SittingFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def room():
    return Room()


@pytest.fixture
def client(room):
    return signed_in(room.account)


def post_answer(client, sitting, position, **fields):
    data = {"position": position, "batch": uuid.UUID(int=7), **fields}
    return client.post(reverse("sitting-answer", args=[sitting.pk]), data)


def send_answer(client, sitting, position, given, **fields):
    data = {"position": position, "given": given, "sent_as": str(uuid.uuid4()), **fields}
    url = reverse("sitting-answer", args=[sitting.pk])
    return client.post(url, data, content_type="application/json")


# Beginning -----------------------------------------------------------------------------------------------


def test_the_start_of_a_paper_says_what_comes(room, client):
    page = client.get(reverse("sitting-start"), {"category": room.category.code}).content.decode()
    for words in ("4, one at a time", "30 minutes", "2 right in all", "Raising: all 2 right", "2 attempts"):
        assert words in page


def test_beginning_twice_from_one_page_is_one_sitting(room, client):
    url = reverse("sitting-start") + f"?category={room.category.code}"
    first, second = (client.post(url, {"sitting_id": str(uuid.UUID(int=5))}) for _ in range(2))
    assert first["Location"] == second["Location"] == reverse("sitting", args=[uuid.UUID(int=5)])
    assert Sitting.objects.count() == 1


def test_a_paper_of_no_category_is_not_there(client):
    assert client.get(reverse("sitting-start"), {"category": "\x00"}).status_code == 404


def test_who_must_wait_is_told_until_when_and_is_offered_no_button(room, client):
    room.sat(wrong=("raising",))
    page = client.get(reverse("sitting-start"), {"category": room.category.code}).content.decode()
    assert "sit it again from" in page
    assert "Begin</button>" not in page


def test_the_start_page_offers_the_papers_that_the_record_asks_for(room, client):
    assert "Papers to sit" not in client.get(reverse("home")).content.decode()
    EvidenceFactory(operator=room.operator, kind="training_hours", hours=8, category=room.category)
    assert "Papers to sit" in client.get(reverse("home")).content.decode()
    sitting = room.start()
    home = client.get(reverse("home")).content.decode()
    assert reverse("sitting", args=[sitting.pk]) in home


def test_what_is_known_is_said_kindly_and_leads_to_a_refresher(room, client):
    url = reverse("my-knowledge")
    assert "Not answered right yet" in client.get(url).content.decode()
    room.sat()
    page = client.get(url).content.decode()
    for words in ("Everybody forgets", "Fresh to", "better than 9 in 10", reverse("refresher-start")):
        assert words in page


# Answering without script --------------------------------------------------------------------------------


def test_one_question_is_shown_and_the_others_are_hidden(room, client):
    sitting = room.start()
    page = client.get(reverse("sitting", args=[sitting.pk]), {"q": "3"}).content.decode()
    shown = [line for line in page.splitlines() if 'class="question"' in line and " hidden" not in line]
    assert len(shown) == 1
    assert 'id="question-3"' in shown[0]


@pytest.mark.parametrize("asked", ["", "0", "99", "x", "²", "9" * 30, "-1"])
def test_a_question_that_is_not_there_is_the_first_that_is_not_answered(room, client, asked):
    sitting = room.start()
    room.answer(sitting, 1)
    page = client.get(reverse("sitting", args=[sitting.pk]), {"q": asked})
    assert page.context["current"] == 2


def test_nothing_of_what_is_right_is_in_the_page_before_the_end(room, client):
    sitting = room.start()
    page = client.get(reverse("sitting", args=[sitting.pk])).content.decode()
    for told in ("Nobody is under it then.", "cannot be seen from its seat", "common practice"):
        assert told not in page


def test_a_posted_answer_is_kept_and_the_next_question_comes(room, client):
    sitting = room.start()
    answer = post_answer(client, sitting, 1, choice="0")
    assert answer["Location"] == reverse("sitting", args=[sitting.pk]) + "?q=2"
    post_answer(client, sitting, 1, choice="0")
    assert Answer.objects.count() == 1
    post_answer(client, sitting, 1, choice="1")
    assert not sheet_of(sitting).questions[0].is_right
    assert post_answer(client, sitting, 4, choice="0")["Location"] == reverse(
        "sitting-finish", args=[sitting.pk]
    )


def drawn_after(room, sitting, **version):
    question = QuestionFactory(topic=room.leaks, code="leaks-extra")
    made = QuestionVersionFactory(question=question, **version)
    shown = {"order": [2, 0, 1]} if version["kind"] == "order" else {}
    return DrawnQuestionFactory(sitting=sitting, position=5, version=made, shown=shown)


def test_an_order_is_posted_as_places(room, client):
    sitting = room.start()
    drawn_after(room, sitting, kind="order", content={"steps": ["Park", "Lower", "Lock"]})
    twice = post_answer(client, sitting, 5, **{"place-0": "1", "place-1": "1", "place-2": "3"})
    assert twice.status_code == 422
    assert "Put every step in its place" in twice.content.decode()
    post_answer(client, sitting, 5, **{"place-0": "1", "place-1": "2", "place-2": "3"})
    assert sheet_of(sitting).questions[4].is_right


def test_a_number_that_is_not_understood_is_shown_again_as_typed(room, client):
    sitting = room.start()
    drawn_after(room, sitting, kind="number", content={"answer": "0.5", "tolerance": "0", "unit": "bar"})
    page = post_answer(client, sitting, 5, number="1,000 bar").content.decode()
    assert "could be 1000 or 1" in page
    assert 'value="1,000 bar"' in page
    post_answer(client, sitting, 5, number="0,5 bar")
    assert sheet_of(sitting).questions[4].is_right


@pytest.mark.parametrize("fields", [{"position": "x"}, {"batch": "x"}, {"position": "1" * 40}])
def test_a_form_that_is_none_is_not_found(room, client, fields):
    assert post_answer(client, room.start(), **{"position": 1, "choice": "0", **fields}).status_code == 404


def test_an_answer_after_the_end_is_said_to_be_late_and_the_result_is_shown(room, client):
    sitting = room.start()
    with as_if_at(sitting.ends_at + timedelta(minutes=1)):
        page = client.post(
            reverse("sitting-answer", args=[sitting.pk]),
            {"position": 1, "choice": "0", "batch": uuid.uuid4()},
            follow=True,
        )
    assert "came after the end" in page.content.decode()
    assert page.redirect_chain[-1][0] == reverse("sitting-record", args=[sitting.pk])


# Answering with script -----------------------------------------------------------------------------------


def test_a_sent_answer_comes_back_with_what_stands(room, client):
    sitting = room.start()
    said = send_answer(client, sitting, 2, {"choice": 0}, seconds=9).json()
    assert said["answers"]["2"]["given"] == {"choice": 0}
    assert (said["status"], said["count"], said["sentence"]) == ("open", 4, "")
    assert Answer.objects.get().seconds == 9
    assert client.get(reverse("sitting-answer", args=[sitting.pk])).json()["answers"].keys() == {"2"}


def test_what_stands_tells_nothing_of_what_is_right(room, client):
    sitting = room.start()
    said = send_answer(client, sitting, 2, {"choice": 1}).json()
    assert said["answers"]["2"].keys() == {"given", "sent_as"}


@pytest.mark.parametrize(
    ("given", "position", "status"),
    [({"choice": 9}, 1, 422), ({"choice": 0}, 40, 409), ("0", 1, 400), ({"choice": 0}, True, 400)],
)
def test_what_cannot_be_kept_says_so(room, client, given, position, status):
    answer = send_answer(client, room.start(), position, given)
    assert answer.status_code == status
    assert answer.json()["sentence"]
    assert not Answer.objects.exists()


def test_what_is_no_answer_at_all_says_so(room, client):
    url = reverse("sitting-answer", args=[room.start().pk])
    for body in ("[]", "{", '{"position": 1}', "[" * 5000):
        assert client.post(url, body, content_type="application/json").status_code == 400


def test_a_late_answer_is_kept_and_said(room, client):
    sitting = room.start()
    with as_if_at(sitting.ends_at + timedelta(minutes=1)):
        said = send_answer(client, sitting, 1, {"choice": 0}).json()
    assert said["status"] == "finished"
    assert "does not count" in said["sentence"]


# The end -------------------------------------------------------------------------------------------------


def test_what_is_not_answered_is_named_before_finishing(room, client):
    sitting = room.start()
    room.answer(sitting, 1)
    page = client.get(reverse("sitting-finish", args=[sitting.pk])).content.decode()
    assert "Not answered yet: 3 of 4" in page
    assert "Finish all the same" in page
    done = client.post(reverse("sitting-finish", args=[sitting.pk]))
    assert done["Location"] == reverse("sitting-record", args=[sitting.pk])
    assert client.get(reverse("sitting", args=[sitting.pk]))["Location"] == done["Location"]


def test_the_result_says_that_a_critical_topic_failed_though_the_total_passes(room, client):
    sitting = room.sat(wrong=("raising",))
    page = client.get(reverse("sitting-record", args=[sitting.pk])).content.decode()
    for words in (
        "Not passed",
        "2 of 4 right in all, which is enough",
        "Raising: 0 of 2 right, all needed",
        "You can sit it again from",
        "Nobody is under it then.",
        "Where this comes from: common practice",
    ):
        assert words in page


def test_staff_read_a_result_and_see_nothing_of_one_that_is_open(room):
    trainer = signed_in(room.trainer)
    sitting = room.start()
    page = trainer.get(reverse("sitting-record", args=[sitting.pk])).content.decode()
    assert "Still open" in page
    assert "mate is nowhere" not in page
    with as_if_at(sitting.ends_at + timedelta(minutes=1)):
        page = trainer.get(reverse("sitting-record", args=[sitting.pk])).content.decode()
    assert "Not passed" in page


def test_a_trainer_is_led_from_the_last_failure_to_more_attempts(room, client):
    room.sat(wrong=("raising",), at=timezone.now() - timedelta(days=6))
    sitting = room.sat(wrong=("raising",), at=timezone.now() - timedelta(days=3))
    url = reverse("more-attempts", args=[room.operator.number, room.category.code])
    assert url not in client.get(reverse("sitting-record", args=[sitting.pk])).content.decode()
    trainer = signed_in(room.trainer)
    assert url in trainer.get(reverse("sitting-record", args=[sitting.pk])).content.decode()
    assert "reason" in trainer.post(url, {"reason": " "}).context["form"].errors
    assert trainer.post(url, {"reason": "An hour on bodies."}).status_code == 302
    assert MoreAttempts.objects.get().recorded_by == room.trainer
    assert "attempts left" in trainer.post(url, {"reason": "Again."}).content.decode()


# Lists and statements ------------------------------------------------------------------------------------


def test_the_list_is_of_peoples_sites_and_narrows(room):
    sitting = room.sat()
    trainer = signed_in(room.trainer)
    url = reverse("sitting-list")
    assert sitting.number in trainer.get(url).content.decode()
    assert sitting.number in trainer.get(url, {"kind": "paper", "q": room.operator.number}).content.decode()
    for narrowed in ({"kind": "refresher"}, {"category": "other"}, {"q": "nobody"}, {"site": "X"}):
        assert sitting.number not in trainer.get(url, narrowed).content.decode()
    stranger = signed_in(AccountFactory(roles=[("trainer", SiteFactory())]))
    assert sitting.number not in stranger.get(url).content.decode()


def count(client, url, django_assert_max_num_queries):
    with django_assert_max_num_queries(60) as held:
        assert client.get(url).status_code == 200
    return len(held)


def test_pages_take_as_many_statements_for_many_rows(room, client, django_assert_max_num_queries):
    sitting = room.start()
    trainer = signed_in(room.trainer)
    pages = [
        (client, reverse("sitting", args=[sitting.pk])),
        (client, reverse("sitting-finish", args=[sitting.pk])),
        (client, reverse("sitting-start")),
        (trainer, reverse("sitting-list")),
    ]
    first = [count(who, url, django_assert_max_num_queries) for who, url in pages]
    for position in (1, 2, 3):
        room.answer(sitting, position)
        room.answer(sitting, position, WRONG)
    for _ in range(3):
        SittingFactory(operator=OperatorFactory(site=room.site), is_paper=True, finished=True)
    assert [count(who, url, django_assert_max_num_queries) for who, url in pages] == first


def test_a_record_takes_as_many_statements_for_many_answers(room, client, django_assert_max_num_queries):
    short = room.sat(left=("raising", "leaks"))
    with as_if_at(timezone.now() + timedelta(days=3)):
        long = room.start()
        for position in (1, 2, 3, 4, 1, 2):
            room.answer(long, position, WRONG)
    with as_if_at(long.ends_at + timedelta(minutes=1)):
        client.get(reverse("sitting-record", args=[long.pk]))
    counts = {
        count(client, reverse("sitting-record", args=[one.pk]), django_assert_max_num_queries)
        for one in (short, long)
    }
    assert len(counts) == 1
