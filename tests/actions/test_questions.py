"""Writing, revising, reviewing and retiring questions, and taking a whole bank into use."""

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from assessments.actions.bank import BankQuestion, load_bank
from assessments.actions.questions import (
    WORDING,
    retire_question,
    review_version,
    revise_question,
    write_question,
)
from assessments.models import Question, QuestionReview, QuestionVersion, Topic
from assessments.queries.questions import bank_for
from competence.actions.errors import ActionRefused
from competence.permissions import NotAllowed
from tests.actions.journalled import journals
from tests.factories import AccountFactory, CategoryFactory, SiteFactory
from tests.factories.questions import CHOICES, QuestionFactory, QuestionVersionFactory, TopicFactory

pytestmark = pytest.mark.django_db

WORDS = {
    "kind": "one",
    "categories": [],
    "is_critical": True,
    "scenario": "The body is up, and a mate wants to grease the pivot under it.",
    "ask": "What do you do?",
    "content": {"choices": CHOICES},
    "picture": "",
    "picture_fixed": {},
    "explanation": "A raised body is held by its prop before anybody is under it.",
    "source": "common practice",
}


@pytest.fixture
def trainer():
    return AccountFactory(roles=["trainer"])


@pytest.fixture
def topic():
    return TopicFactory(code="raising")


def write(by, topic, **changed):
    return write_question(by=by, topic=topic, code="raising-prop", **{**WORDS, **changed})


def refused_at(call, field):
    with pytest.raises(ValidationError) as refused:
        call()
    assert list(refused.value.message_dict) == [field]
    return " ".join(refused.value.message_dict[field])


def test_a_question_is_written_and_waits_for_somebody_else(trainer, topic):
    with journals("question.written", rows={"assessments.question", "assessments.questionversion"}):
        version = write(trainer, topic)
    assert (version.number, version.author, version.question.topic) == (1, trainer, topic)
    assert bank_for(None) == []


def test_its_author_cannot_review_it_and_somebody_else_puts_it_into_use(trainer, topic):
    version = write(trainer, topic)
    with journals(None), pytest.raises(ActionRefused, match="You wrote this version"):
        review_version(by=trainer, version=version)
    other = AccountFactory(roles=["trainer"])
    with journals("question.reviewed", reason="Read it on site."):
        review_version(by=other, version=version, remark="Read it on site.")
    assert bank_for(None) == [version]
    with pytest.raises(ActionRefused, match="reviewed already"):
        review_version(by=AccountFactory(roles=["trainer"]), version=version)


def test_a_revision_is_the_next_version_and_the_one_before_is_asked_meanwhile(trainer, topic):
    first = QuestionVersionFactory(question__topic=topic, question__code="raising-prop")
    with journals("question.revised", rows={"assessments.questionversion"}):
        second = revise_question(by=trainer, question=first.question, **WORDS)
    assert second.number == 2
    assert bank_for(None) == [first]
    review_version(by=AccountFactory(roles=["trainer"]), version=second)
    assert bank_for(None) == [second]


def test_a_revision_that_says_the_same_is_refused(trainer, topic):
    version = write(trainer, topic)
    with journals(None), pytest.raises(ActionRefused, match="says already"):
        revise_question(by=trainer, question=version.question, **WORDS)


def test_an_older_version_is_not_put_into_use_past_a_newer_one(trainer, topic):
    version = write(trainer, topic)
    revise_question(by=trainer, question=version.question, **WORDS | {"ask": "And now?"})
    with pytest.raises(ActionRefused, match="newer version"):
        review_version(by=AccountFactory(roles=["trainer"]), version=version)


def test_retiring_says_why_and_ends_both_drawing_and_revising(trainer):
    version = QuestionVersionFactory()
    with journals(None), pytest.raises(ActionRefused, match="Say why"):
        retire_question(by=trainer, question=version.question, reason="  ")
    with journals("question.retired", reason="The machine was sold."):
        retire_question(by=trainer, question=version.question, reason="The machine was sold.")
    assert bank_for(None) == []
    for again in (
        lambda: revise_question(by=trainer, question=version.question, **WORDS),
        lambda: retire_question(by=trainer, question=version.question, reason="Again."),
    ):
        with pytest.raises(ActionRefused, match=r"was retired: The machine was sold\."):
            again()


@pytest.mark.parametrize(
    ("changed", "field", "said"),
    [
        ({"content": {"choices": CHOICES[1:]}}, "choices", "Exactly one choice is right; here 0 are"),
        ({"content": {}}, "choices", "is missing"),
        ({"kind": "several", "content": {"choices": CHOICES[1:]}}, "choices", "At least one choice is right"),
        ({"kind": "order", "content": {"steps": ["Chock", "Lower"]}}, "steps", "Give 3 to 7 steps"),
        ({"kind": "number", "content": {"answer": "x", "tolerance": "0"}}, "answer", "missing"),
        ({"kind": "number", "content": {"answer": "8", "tolerance": "-1"}}, "answer", "nought or more"),
        ({"kind": "picture", "content": {}}, "picture", "which picture"),
        ({"kind": "picture", "content": {}, "picture": "portrait"}, "picture", "no picture “portrait”"),
        (
            {"kind": "picture", "content": {}, "picture": "sight-gauge", "picture_fixed": {"hue": 3}},
            "picture_fixed",
            "has no hue",
        ),
        ({"picture": "sight-gauge", "picture_fixed": {"level": 50}}, "picture_fixed", "say also"),
        ({"source": ""}, "source", "blank"),
        ({"categories": ["hovercraft"]}, "categories", "no category hovercraft"),
    ],
)
def test_what_could_not_be_asked_is_refused_at_its_field_and_nothing_is_kept(
    trainer, topic, changed, field, said
):
    with journals(None):
        assert said in refused_at(lambda: write(trainer, topic, **changed), field)
    assert not Question.objects.exists()


def test_a_code_begins_with_its_topic_and_is_not_used_twice(trainer, topic):
    with pytest.raises(ActionRefused, match="begins with its topic"):
        write_question(by=trainer, topic=topic, code="parking-prop", **WORDS)
    write(trainer, topic)
    with pytest.raises(ActionRefused, match="already"):
        write(trainer, topic)


def test_a_bank_belongs_to_no_one_site(topic):
    at_one_site = AccountFactory(roles=[("trainer", SiteFactory())])
    version = QuestionVersionFactory(review=None)
    for act in (
        lambda: write(at_one_site, topic),
        lambda: revise_question(by=at_one_site, question=version.question, **WORDS),
        lambda: review_version(by=at_one_site, version=version),
        lambda: retire_question(by=at_one_site, question=version.question, reason="Old."),
        lambda: load_bank(by=at_one_site, topics=[], questions=[]),
    ):
        with journals(None), pytest.raises(NotAllowed):
            act()


# A whole bank ------------------------------------------------------------------------------------------

TOPIC = {"code": "raising", "name": "Raising", "about": "Bodies, arms and props."}


def lines(count=2, **changed):
    return [BankQuestion(f"raising-{n}", "raising", {**WORDS, **changed}) for n in range(count)]


def test_a_bank_is_taken_into_use_in_one_entry_and_reviewed_by_who_took_it(trainer):
    kinds = {f"assessments.{name}" for name in ("topic", "question", "questionversion", "questionreview")}
    with journals("bank.loaded", rows=kinds):
        load_bank(by=trainer, topics=[TOPIC], questions=lines())
    assert [version.question.code for version in bank_for(None)] == ["raising-0", "raising-1"]
    assert set(QuestionVersion.objects.values_list("author", flat=True)) == {None}
    assert {review.reviewed_by for review in QuestionReview.objects.all()} == {trainer}
    assert Topic.objects.get().questions.count() == 2


def test_a_bank_taken_again_changes_nothing(trainer):
    load_bank(by=trainer, topics=[TOPIC], questions=lines())
    with journals(None):
        taken = load_bank(by=trainer, topics=[TOPIC], questions=lines())
    assert (taken.versions, taken.left_alone) == ([], [])


def test_new_wording_of_the_bank_is_the_next_version_and_is_asked(trainer):
    load_bank(by=trainer, topics=[TOPIC], questions=lines(1))
    load_bank(by=trainer, topics=[TOPIC], questions=lines(1, ask="What comes first?"))
    (asked,) = bank_for(None)
    assert (asked.number, asked.ask) == (2, "What comes first?")


def test_what_the_firm_revised_or_retired_stands(trainer):
    load_bank(by=trainer, topics=[TOPIC], questions=lines(2))
    revised, retired = Question.objects.order_by("code")
    revise_question(by=trainer, question=revised, **WORDS | {"ask": "In our words?"})
    retire_question(by=trainer, question=retired, reason="Not on our site.")
    # The wording that the register had is known, though it is not the newest.
    with journals(None):
        assert load_bank(by=trainer, topics=[TOPIC], questions=lines(2)).left_alone == []
    with journals(None):
        taken = load_bank(by=trainer, topics=[TOPIC], questions=lines(2, ask="A third way?"))
    assert taken.left_alone == [
        "The question raising-0: it was revised here.",
        "The question raising-1: it is retired.",
    ]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (BankQuestion("raising-0", "lowering", WORDS), "no topic lowering"),
        (BankQuestion("lowering-0", "raising", WORDS), "begins with its topic"),
        (BankQuestion("raising-0", "raising", WORDS | {"content": {"choices": []}}), "Exactly one choice"),
        (BankQuestion("raising-0", "raising", WORDS | {"explanation": ""}), "explanation"),
        (BankQuestion("raising-0", "raising", WORDS | {"categories": ["hovercraft"]}), "hovercraft"),
        (BankQuestion("raising-9", "raising", WORDS), "twice"),
    ],
)
def test_a_bank_with_a_fault_is_refused_whole_and_the_question_named(trainer, line, said):
    good = BankQuestion("raising-9", "raising", WORDS)
    with journals(None), pytest.raises(ActionRefused, match=said) as refused:
        load_bank(by=trainer, topics=[TOPIC], questions=[good, line])
    assert line.code in refused.value.sentence
    assert not Topic.objects.exists()


def test_a_bank_of_hundreds_is_not_written_row_by_row(trainer, django_assert_max_num_queries):
    CategoryFactory()
    with django_assert_max_num_queries(40):
        load_bank(by=trainer, topics=[TOPIC], questions=lines(300))
    assert QuestionReview.objects.filter(reviewed_at__lte=timezone.now()).count() == 300


def test_every_part_of_the_wording_is_a_column():
    assert set(WORDING) <= {field.name for field in QuestionVersion._meta.get_fields()}
    assert QuestionFactory.build().code
