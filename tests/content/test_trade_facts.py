"""Each fact of the trade is held against the content: who lists it, how grave it is, what it says, and what
comes before what [common practice]."""

import re

import pytest

from tests.content import facts_cold, facts_running, facts_walk
from tests.content.reference import CATEGORIES, PAIRS, POINTS, listed
from tests.content.trade_facts import DEGREE, STOP

FACTS = facts_cold.FACTS | facts_walk.FACTS | facts_running.FACTS

pytestmark = pytest.mark.common_practice

EACH = pytest.mark.parametrize("number", FACTS, ids=lambda number: f"{number:02}-{FACTS[number].name}")


def words_of(code: str) -> str:
    point = POINTS[code]
    return " ".join(point.get(field, "") for field in ("method", "good", "caution")).lower()


def test_there_are_forty_six_facts():
    assert list(FACTS) == list(range(1, 47))


@EACH
def test_the_points_that_carry_a_fact_are_these(number):
    carrying = {code for code, point in POINTS.items() if number in point.get("facts", [])}
    assert carrying == {carried.code for carried in FACTS[number].points}


@EACH
def test_every_machine_that_has_the_thing_lists_the_point(number):
    for carried in FACTS[number].points:
        assert {category for category in CATEGORIES if carried.code in listed(category)} == carried.on


@EACH
def test_it_is_as_grave_as_the_trade_takes_it(number):
    for carried in FACTS[number].points:
        point = POINTS[carried.code]
        degree = point.get("stop_use_when", "").lower()
        assert point["critical"] is (carried.severity == STOP), carried.code
        if carried.severity in (STOP, DEGREE):
            assert bool(degree) is (carried.severity == DEGREE), carried.code
        assert re.search(carried.degree, degree), (carried.code, carried.degree, degree)


@EACH
def test_it_says_the_substance(number):
    for carried in FACTS[number].points:
        missing = [word for word in carried.words if not re.search(word, words_of(carried.code))]
        assert missing == [], carried.code


@EACH
def test_what_comes_first_comes_first(number):
    fact = FACTS[number]
    known = {(pair["earlier"], pair["later"]): pair["safety"] for pair in PAIRS}
    assert {pair: known.get(pair) for pair in fact.safety} == dict.fromkeys(fact.safety, True)
    assert {pair: known.get(pair) for pair in fact.practice} == dict.fromkeys(fact.practice, False)
