"""The bank of questions: whole, spread over its topics, and not to be guessed at by the look of it."""

import tomllib
from collections import Counter
from decimal import Decimal

import pytest

from assessments.rules.pictures import KINDS
from assessments.rules.questions import Kind, content_from, faults_of
from tests.content.reference import REFERENCE

FEWEST, FEWEST_TOPICS, FEWEST_OF_A_TOPIC = 120, 12, 6
# Where the right choice is the longest, or the shortest, more often than this, length gives it away. With
# three or four choices chance alone makes it so in a quarter to a third of them.
TOLD_BY_LENGTH = 0.40
# Nor may the longest choice be as good as ruled out.
RULED_OUT_BY_LENGTH = 0.15
# Nor does any one right choice stand out by its length alone.
STANDS_OUT = 1.6

# Fewest and most choices of a question of the bank.
CHOICES = (3, 5)
# What a question may rest on: texts that say what it teaches. An operator inspects before operation on each
# shift; hazardous equipment is out of service until corrected; uncorrected defects are recorded; equipment is
# inspected again after an event that may have harmed it.
SOURCES = {
    "common practice",
    "30 CFR 56.14100(a)",
    "30 CFR 56.14100(c)",
    "30 CFR 56.14100(d)",
    "Directive 2009/104/EC, article 5",
}

FILES = sorted((REFERENCE / "questions").glob("*.toml"))
BANK = [
    line | {"topic": path.stem}
    for path in FILES
    for line in tomllib.loads(path.read_text(encoding="utf-8"))["question"]
]
TOPICS = [
    line["code"] for line in tomllib.loads((REFERENCE / "topics.toml").read_text(encoding="utf-8"))["topic"]
]
CATEGORIES = {
    line["code"]
    for line in tomllib.loads((REFERENCE / "categories.toml").read_text(encoding="utf-8"))["category"]
}
SINGLE = [line for line in BANK if line["kind"] == "one"]
CHOOSING = [line for line in BANK if line["kind"] in ("one", "several")]

every_question = pytest.mark.parametrize("line", BANK, ids=lambda line: line["code"])


def test_the_bank_is_large_and_covers_every_topic():
    assert len(BANK) >= FEWEST
    assert {path.stem for path in FILES} == set(TOPICS)
    assert len(TOPICS) >= FEWEST_TOPICS
    per_topic = Counter(line["topic"] for line in BANK)
    assert min(per_topic.values()) >= FEWEST_OF_A_TOPIC, per_topic


def test_every_topic_asks_something_that_can_kill_when_it_is_not_known():
    assert {line["topic"] for line in BANK if line["critical"]} == set(TOPICS)


def test_no_two_questions_share_a_code():
    assert [code for code, count in Counter(line["code"] for line in BANK).items() if count > 1] == []


def test_every_kind_of_question_and_every_kind_of_picture_is_asked():
    assert {line["kind"] for line in BANK} == set(Kind)
    assert {line["picture"] for line in BANK if line["kind"] == "picture"} == set(KINDS)


def test_topics_are_those_of_the_points():
    points = [
        point
        for path in (REFERENCE / "points").glob("*.toml")
        for point in tomllib.loads(path.read_text(encoding="utf-8"))["point"]
    ]
    assert {point["topic"] for point in points} == set(TOPICS)


@every_question
def test_a_question_is_whole(line):
    assert line["code"].startswith(line["topic"] + "-")
    assert set(line["categories"]) <= CATEGORIES
    kind = Kind(line["kind"])
    plain = {"choices": line.get("choices"), "steps": line.get("steps"), **line.get("number", {})}
    content = content_from(kind, plain)
    assert faults_of(content) == []
    assert all(choice.why for choice in content.choices), "each choice says why"
    if kind is Kind.PICTURE:
        assert line["picture"] in KINDS
    if kind is Kind.NUMBER:
        assert Decimal(line["number"]["tolerance"]) >= 0
    assert len(line["explanation"]) >= 40
    assert line["source"] in SOURCES, "a source that was read, or common practice"
    assert line["scenario"].endswith((".", "?", "!"))
    assert len(line["ask"]) <= 300
    assert CHOICES[0] <= len(content.choices) <= CHOICES[1] or kind not in (Kind.ONE, Kind.SEVERAL)


@pytest.mark.parametrize("line", CHOOSING, ids=lambda line: line["code"])
def test_a_choice_stands_on_its_own(line):
    """Choices are shown in any order, so none may speak of another."""
    for choice in line["choices"]:
        said = choice["text"].lower()
        assert not any(word in said for word in ("of the above", "of these", "both of", "either of")), said


@pytest.mark.parametrize(
    "line", [line for line in BANK if line["kind"] == "several"], ids=lambda line: line["code"]
)
def test_several_right_choices_are_asked_for_as_such(line):
    assert "every" in line["ask"].lower()


def _lengths(line):
    right = [len(choice["text"]) for choice in line["choices"] if choice["right"]]
    wrong = [len(choice["text"]) for choice in line["choices"] if not choice["right"]]
    return right[0], wrong


def test_length_does_not_give_the_answer_away():
    longest = sum(right > max(wrong) for right, wrong in map(_lengths, SINGLE)) / len(SINGLE)
    shortest = sum(right < min(wrong) for right, wrong in map(_lengths, SINGLE)) / len(SINGLE)
    assert RULED_OUT_BY_LENGTH < longest < TOLD_BY_LENGTH, f"the right choice is the longest in {longest:.0%}"
    assert shortest < TOLD_BY_LENGTH, f"the right choice is the shortest in {shortest:.0%}"


def test_no_right_choice_stands_out_by_length():
    conspicuous = [
        line["code"]
        for line in SINGLE
        if (lengths := _lengths(line))[0] > STANDS_OUT * max(lengths[1])
        or lengths[0] * STANDS_OUT < min(lengths[1])
    ]
    assert conspicuous == []


def test_absolute_words_do_not_mark_the_wrong_choices():
    """Where "always", "never", "only" and the like stood mostly in wrong choices, they would be a rule to
    pass by.

    At least one in six of the choices that hold one is right; of all choices about three in ten are."""
    words = {"always", "never", "only", "nothing", "nobody", "all", "at once"}
    holding = [
        choice["right"]
        for line in CHOOSING
        for choice in line["choices"]
        if words & set(choice["text"].lower().replace(",", " ").replace(":", " ").split())
        or "at once" in choice["text"].lower()
    ]
    assert len(holding) > 10
    assert sum(holding) / len(holding) >= 1 / 6


def test_caution_by_itself_does_not_pick_the_answer():
    """A paper is not passed by picking whatever opens with stopping, staying or reporting: at least three
    in ten of the choices that do are wrong, because less will do or because they come too late."""
    cautious = ("stop", "keep", "stay", "leave", "no:", "report", "not ")
    opening = [
        choice["right"]
        for line in SINGLE
        for choice in line["choices"]
        if choice["text"].lower().startswith(cautious)
    ]
    assert len(opening) > 20
    assert opening.count(False) / len(opening) >= 3 / 10
