"""What is right: contents, answers and the numbers that people type."""

import random
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessments.rules.questions import (
    Content,
    Kind,
    UnreadableAnswer,
    content_from,
    faults_of,
    is_right,
    number_typed,
    read_answer,
    shown_order,
)

ONE = content_from(
    Kind.ONE,
    {"choices": [{"text": "A", "right": False}, {"text": "B", "right": True}, {"text": "C", "right": False}]},
)
SEVERAL = content_from(
    Kind.SEVERAL,
    {"choices": [{"text": "A", "right": True}, {"text": "B", "right": False}, {"text": "C", "right": True}]},
)
ORDER = content_from(Kind.ORDER, {"steps": ["Park", "Lower", "Isolate", "Lock"]})
BAR = content_from(Kind.NUMBER, {"answer": "2.5", "tolerance": "0.1", "unit": "bar"})
PICTURE = Content(Kind.PICTURE, keys=("low", "between", "high"), truth="low")


@pytest.mark.parametrize(
    ("content", "given", "right"),
    [
        (ONE, {"choice": 1}, True),
        (ONE, {"choice": "0"}, False),
        (SEVERAL, {"choices": ["2", "0"]}, True),
        (SEVERAL, {"choices": [0]}, False),
        (SEVERAL, {"choices": [0, 1, 2]}, False),
        (ORDER, {"order": [0, 1, 2, 3]}, True),
        (ORDER, {"order": ["0", "2", "1", "3"]}, False),
        (BAR, {"number": "2,5 bar"}, True),
        (BAR, {"number": "2.6"}, True),
        (BAR, {"number": "2.61"}, False),
        (PICTURE, {"choice": "low"}, True),
        (PICTURE, {"choice": "high"}, False),
    ],
)
def test_an_answer_is_read_and_is_right_or_not(content, given, right):
    assert is_right(content, read_answer(content, given)) is right


@pytest.mark.parametrize(
    ("content", "given", "words"),
    [
        (ONE, {}, "Pick one"),
        (ONE, {"choice": 3}, "Pick one"),
        (ONE, {"choice": -1}, "Pick one"),
        (SEVERAL, {"choices": []}, "at least one"),
        (SEVERAL, {"choices": "01"}, "at least one"),
        (ORDER, {"order": [0, 1, 1, 3]}, "each once"),
        (ORDER, {"order": [0, 1, 2]}, "each once"),
        (BAR, {"number": ""}, "Type a number of bar"),
        (BAR, {"number": "2.5 psi"}, "in bar"),
        (PICTURE, {"choice": "middling"}, "Pick one"),
    ],
)
def test_what_is_no_answer_is_asked_back_with_what_to_give(content, given, words):
    with pytest.raises(UnreadableAnswer, match=words):
        read_answer(content, given)


@pytest.mark.parametrize(
    ("typed", "unit", "number"),
    [
        ("0,5", "bar", "0.5"),
        ("0,500", "bar", "0.5"),
        ("2.5bar", "bar", "2.5"),
        ("2.5 Bar.", "bar", "2.5"),
        (" 8 ", "hours", "8"),
        ("8 h", "hours", "8"),
        ("8 hour", "hours", "8"),
        ("1 000", "mm", "1000"),
        ("1 000 mm", "mm", "1000"),
        ("−4", "°C", "-4"),
        ("-4 c", "°C", "-4"),
        ("50 per cent", "%", "50"),
        ("12", "", "12"),
        ("1.000", "m", "1.000"),
    ],
)
def test_a_number_is_understood_as_people_type_it(typed, unit, number):
    assert number_typed(typed, unit) == Decimal(number)


@pytest.mark.parametrize("typed", ["1,000", "12,000", "-1,000"])
def test_a_number_that_could_be_two_is_asked_back_with_both(typed):
    plain, small = typed.replace(",", ""), typed.split(",")[0]
    with pytest.raises(UnreadableAnswer, match=f"could be {plain} or {small}"):
        number_typed(typed, "mm")


@pytest.mark.parametrize("typed", ["two", "", "2-3", "1.2.3", "8 hours", "∞", "nan", "1e5", "9" * 60])
def test_what_is_no_number_is_asked_back(typed):
    with pytest.raises(UnreadableAnswer):
        number_typed(typed, "bar")


@given(st.decimals(-99999, 99999, places=2), st.sampled_from(["bar", "m", "%", ""]), st.booleans())
def test_any_number_typed_with_a_point_or_a_comma_is_that_number(number, unit, has_comma):
    typed = f"{number:f}".replace(".", ",") if has_comma else f"{number:f}"
    assert number_typed(f"{typed} {unit}", unit) == number


@given(st.text(max_size=60))
def test_whatever_is_typed_is_a_number_or_is_asked_back(typed):
    try:
        number = number_typed(typed, "bar")
    except UnreadableAnswer:
        return
    assert number.is_finite()


@given(st.integers(3, 7), st.integers())
def test_steps_are_shown_each_once_and_never_in_the_right_order(count, seed):
    content = Content(Kind.ORDER, steps=tuple(f"Step {n}" for n in range(count)))
    shown, again = (shown_order(content, random.Random(seed)) for _ in range(2))  # noqa: S311
    assert sorted(shown) == list(range(count))
    assert shown != sorted(shown)
    assert shown == again


@pytest.mark.parametrize(
    ("kind", "plain", "fault"),
    [
        (Kind.ONE, {"choices": [{"text": "A", "right": True}]}, "Give 2 to 6"),
        (Kind.ONE, {"choices": [{"text": x, "right": True} for x in "AB"]}, "here 2 are"),
        (Kind.SEVERAL, {"choices": [{"text": x, "right": True} for x in "AB"]}, "at least one is wrong"),
        (Kind.ONE, {"choices": [{"text": "A ", "right": True}, {"text": "a", "right": False}]}, "the same"),
        (Kind.ORDER, {"steps": ["Park", "Lock"]}, "Give 3 to 7"),
        (Kind.ORDER, {"steps": ["Park", "Lock", "park."]}, "read the same"),
        (Kind.NUMBER, {"answer": "2", "tolerance": "-1"}, "nought or more"),
        (Kind.NUMBER, {"answer": "NaN"}, "as numbers"),
    ],
)
def test_a_faulty_content_says_what_is_wrong_with_it(kind, plain, fault):
    assert any(fault in sentence for sentence in faults_of(content_from(kind, plain)))


@pytest.mark.parametrize("content", [ONE, SEVERAL, ORDER, BAR, PICTURE])
def test_a_whole_content_has_no_fault(content):
    assert faults_of(content) == []
