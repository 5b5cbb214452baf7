"""The bank's pages: finding, reading, writing, reviewing and retiring a question."""

import pytest
from django.urls import reverse
from django.utils import timezone

from assessments.models import Question, QuestionVersion
from assessments.queries.questions import bank_for
from tests.factories import AccountFactory, CategoryFactory
from tests.factories.questions import (
    DrawnQuestionFactory,
    PanelQuestionFactory,
    PaperVersionFactory,
    QuestionFactory,
    QuestionVersionFactory,
    TopicFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def trainer(client):
    account = AccountFactory(roles=["trainer"])
    client.force_login(account)
    return account


def listed(client, **asked):
    page = client.get(reverse("question-list"), asked).context["page"]
    return [row.question.code for row in page]


def test_questions_are_found_by_topic_kind_category_words_and_where_they_stand(client, trainer):
    dumper, roller = CategoryFactory(), CategoryFactory()
    brakes = TopicFactory(code="brakes", name="Brakes")
    QuestionVersionFactory(question=QuestionFactory(code="brakes-a", topic=brakes), scenario="Down a ramp.")
    QuestionVersionFactory(
        question__code="b", kind="number", content={"answer": "3"}, categories=[dumper.code]
    )
    QuestionVersionFactory(question__code="c", review=None)
    gone = QuestionFactory(code="d", retired_at=timezone.now(), retired_why="Sold.")
    QuestionVersionFactory(question=gone)
    assert sorted(listed(client)) == ["b", "brakes-a", "c"]
    assert listed(client, topic="brakes") == listed(client, q="RAMP down") == ["brakes-a"]
    assert listed(client, kind="number") == ["b"]
    assert sorted(listed(client, category=roller.code)) == ["brakes-a", "c"]
    assert sorted(listed(client, category=dumper.code)) == ["b", "brakes-a", "c"]
    assert listed(client, state="waiting") == ["c"]
    assert sorted(listed(client, state="in-use")) == ["b", "brakes-a"]
    assert listed(client, state="retired") == ["d"]
    assert listed(client, q="zeppelin\x00") == []


def test_a_code_that_is_part_of_another_finds_only_its_own(client, trainer):
    CategoryFactory(code="roller"), CategoryFactory(code="roller-heavy")
    QuestionVersionFactory(categories=["roller-heavy"])
    assert listed(client, category="roller") == []


def test_the_list_takes_as_many_statements_for_many_questions(client, trainer, django_assert_num_queries):
    QuestionVersionFactory()
    client.get(reverse("question-list"))
    for _ in range(2):
        with django_assert_num_queries(8):
            client.get(reverse("question-list"))
        QuestionVersionFactory.create_batch(8)


def test_a_question_takes_as_many_statements_for_many_versions(client, trainer, django_assert_num_queries):
    version = QuestionVersionFactory()
    url = reverse("question", args=[version.question.code])
    client.get(url)
    for _ in range(2):
        with django_assert_num_queries(8):
            client.get(url)
        for _ in range(4):
            number = version.question.versions.count() + 1
            QuestionVersionFactory(question=version.question, number=number)
        PaperVersionFactory(lines={version.question.topic: (1, 0)})
        PanelQuestionFactory(version=version)


def test_a_question_says_what_is_right_and_where_it_is_used(client, trainer):
    version = QuestionVersionFactory()
    paper = PaperVersionFactory(lines={version.question.topic: (1, 0)})
    PaperVersionFactory(lines={TopicFactory(): (1, 0)})
    DrawnQuestionFactory(version=version)
    answer = client.get(reverse("question", args=[version.question.code]))
    sheet = answer.context["sheet"]
    assert (sheet.papers, sheet.times_drawn, sheet.in_use) == ([paper], 1, version)
    assert [option.text for option in answer.context["card"].options if option.is_right] == ["Look under it"]
    assert "A person under a machine cannot be seen from its seat." in answer.content.decode()


@pytest.mark.parametrize("address", ["?version=7", "?version=x", "?variant=²", "?variant=99999999"])
def test_a_version_or_a_variant_that_never_was_is_not_found(client, trainer, address):
    code = QuestionVersionFactory().question.code
    assert client.get(reverse("question", args=[code]) + address).status_code == 404
    assert client.get(reverse("question-preview", args=[code]) + address).status_code == 404


def test_the_preview_gives_nothing_away_and_another_variant_differs(client, trainer):
    version = QuestionVersionFactory(kind="picture", content={}, picture="sight-gauge")
    url = reverse("question-preview", args=[version.question.code])
    cards = [client.get(url, {"variant": n}).context["card"] for n in (1, 1, 2)]
    assert cards[0].picture == cards[1].picture != cards[2].picture
    assert "<svg" in client.get(url).content.decode()


# Writing ------------------------------------------------------------------------------------------------


def typed(topic, **changed):
    return {
        "topic": topic.pk,
        "code": "Prop before greasing",
        "kind": "one",
        "scenario": "The body is up.",
        "ask": "What first?",
        "choices-0-text": "Set the prop",
        "choices-0-right": "on",
        "choices-0-why": "It holds.",
        "choices-1-text": "Be quick",
        "explanation": "A hose can burst.",
        "source": "common practice",
        **changed,
    }


@pytest.fixture
def topic():
    return TopicFactory(code="raising", name="Raising")


def test_a_question_is_written_in_the_browser(client, trainer, topic):
    answer = client.post(reverse("question-new"), typed(topic))
    version = QuestionVersion.objects.get()
    assert answer["Location"] == reverse("question", args=["raising-prop-before-greasing"])
    assert version.content == {
        "choices": [
            {"text": "Set the prop", "right": True, "why": "It holds."},
            {"text": "Be quick", "right": False, "why": ""},
        ]
    }
    assert version.author == trainer


@pytest.mark.parametrize(
    ("kind", "changed", "content"),
    [
        ("order", {"steps": "Park\r\n\r\nLower \r\nIsolate"}, {"steps": ["Park", "Lower", "Isolate"]}),
        (
            "number",
            {"answer": "0,5", "tolerance": "", "unit": "bar"},
            {"answer": "0.5", "tolerance": "0", "unit": "bar"},
        ),
        ("picture", {"picture": "sight-gauge", "picture_fixed": "level = 10\nglass = tube"}, {}),
    ],
)
def test_every_kind_is_written_by_the_same_form(client, trainer, topic, kind, changed, content):
    assert client.post(reverse("question-new"), typed(topic, kind=kind, **changed)).status_code == 302
    version = QuestionVersion.objects.get()
    assert (version.kind, version.content) == (kind, content)
    if kind == "picture":
        assert version.picture_fixed == {"level": 10, "glass": "tube"}


@pytest.mark.parametrize(
    ("changed", "field", "said"),
    [
        ({"choices-1-right": "on"}, "choices", "Exactly one choice is right; here 2 are"),
        ({"kind": "number", "answer": "about eight"}, "answer", "Type a number"),
        ({"kind": "number"}, "answer", "Give the right number"),
        ({"kind": "order", "steps": "One\nTwo"}, "steps", "Give 3 to 7 steps"),
        ({"kind": "picture"}, "picture", "which picture"),
        ({"kind": "picture", "picture": "tyre", "picture_fixed": "worn"}, "picture_fixed", "equals sign"),
        ({"kind": "riddle"}, "kind", "riddle is not one of the available choices"),
        ({"code": "…"}, "code", "one letter or digit"),
        ({"scenario": ""}, "scenario", "required"),
    ],
)
def test_a_fault_stands_at_its_field_and_nothing_typed_is_lost(client, trainer, topic, changed, field, said):
    sent = typed(topic, **{"steps": "Kept\nAs\nTyped", "answer": "4", **changed})
    if changed == {"kind": "number"}:
        sent["answer"] = ""
    answer = client.post(reverse("question-new"), sent)
    form = answer.context["form"]
    assert said in " ".join(form.errors[field])
    assert not Question.objects.exists()
    assert {name: form[name].value() for name in ("scenario", "ask", "steps", "explanation")} == {
        name: sent[name] for name in ("scenario", "ask", "steps", "explanation")
    }
    assert answer.context["rows"][0]["text"].value() == "Set the prop"


def test_a_row_with_a_reason_but_no_choice_says_so(client, trainer, topic):
    answer = client.post(reverse("question-new"), typed(topic, **{"choices-4-why": "Because."}))
    assert answer.context["rows"][4].errors["text"] == ["Say what the choice is."]
    assert "Choice 5: Say what the choice is." in answer.content.decode()


def test_looking_at_a_question_keeps_nothing_and_shows_it_as_drawn(client, trainer, topic):
    sent = typed(topic, kind="picture", picture="sight-gauge", preview="2")
    answer = client.post(reverse("question-new"), sent)
    assert "<svg" in answer.context["card"].picture
    assert answer.context["next_variant"] == 3
    assert not Question.objects.exists()


def test_an_illustration_is_looked_at_then_held_then_kept(client, trainer, topic):
    sent = typed(topic, picture="sight-gauge")
    assert "say also" in " ".join(
        client.post(reverse("question-new"), sent).context["form"].errors["picture_fixed"]
    )
    looked = client.post(reverse("question-new"), sent | {"preview": "4"}).context
    assert looked["is_to_hold"]
    held = client.post(reverse("question-new"), sent | {"hold": "4"}).context
    assert held["card"].picture == looked["card"].picture
    sent["picture_fixed"] = held["form"]["picture_fixed"].value()
    assert client.post(reverse("question-new"), sent).status_code == 302
    code = Question.objects.get().code
    cards = [
        client.get(reverse("question-preview", args=[code]), {"variant": n}).context["card"] for n in (1, 9)
    ]
    assert cards[0].picture == cards[1].picture == held["card"].picture


def test_a_new_version_starts_from_the_latest_and_says_so_when_nothing_changed(client, trainer):
    version = QuestionVersionFactory(
        kind="number", content={"answer": "0.5", "tolerance": "0.1", "unit": "bar"}, source="the manual"
    )
    url = reverse("question-edit", args=[version.question.code])
    form = client.get(url).context["form"]
    sent = {field.html_name: field.value() for field in form if field.value() not in (None, False)}
    answer = client.post(url, sent)
    assert "That is what it says already." in answer.content.decode()
    assert client.post(url, sent | {"answer": "0.6"}).status_code == 302
    assert version.question.versions.get(number=2).content["answer"] == "0.6"


def test_a_retired_question_is_not_rewritten(client, trainer):
    question = QuestionFactory(retired_at=timezone.now(), retired_why="Sold.")
    QuestionVersionFactory(question=question)
    assert client.get(reverse("question-edit", args=[question.code])).status_code == 302


# Reviewing and retiring ---------------------------------------------------------------------------------


def test_the_version_that_was_read_is_the_one_that_is_reviewed(client, trainer):
    version = QuestionVersionFactory(review=None)
    url = reverse("question-review", args=[version.question.code])
    QuestionVersionFactory(question=version.question, number=2, review=None)
    answer = client.post(url, {"version": "1"})
    assert "A newer version has been written since." in answer.content.decode()
    assert client.post(url, {"version": "2"}).status_code == 302
    assert [one.number for one in bank_for(None)] == [2]
    for missing in ("", "3", "²"):
        assert client.post(url, {"version": missing}).status_code == 404


def test_an_author_is_told_that_somebody_else_reviews(client, trainer):
    version = QuestionVersionFactory(review=None, author=trainer)
    page = client.get(reverse("question", args=[version.question.code])).content.decode()
    assert "somebody else reviews it" in page
    assert "put into use</button>" not in page


def test_retiring_asks_why_and_keeps_what_was_typed(client, trainer):
    version = QuestionVersionFactory()
    url = reverse("question-retire", args=[version.question.code])
    answer = client.post(url, {"reason": ""})
    assert "reason" in answer.context["retire_form"].errors
    assert client.post(url, {"reason": "The machine was sold."}).status_code == 302
    assert bank_for(None) == []
