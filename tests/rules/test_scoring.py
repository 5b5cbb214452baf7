"""What the marks of a walk-around amount to: by example, and by properties that must hold for all marks."""

import json
from dataclasses import replace
from decimal import Decimal
from fractions import Fraction
from itertools import permutations

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assessments.rules.scoring import LEAST_FIRST, Broken, Mark, Pair, SeenPoint, outcome
from assessments.rules.scoring_words import percents

UNPROMPTED, PROMPTED, MISSED, UNSAFE = Mark.UNPROMPTED, Mark.PROMPTED, Mark.MISSED, Mark.UNSAFE
EIGHTY = Decimal("0.80")


def seen(*marks, weights=None, critical=()):
    """Points 0, 1, 2 and on, done in that order, with the marks given."""
    weights = weights or [1] * len(marks)
    return [
        SeenPoint(n, f"Point {n}", weight, n in critical, mark, n if mark and mark.is_done else None)
        for n, (mark, weight) in enumerate(zip(marks, weights, strict=True))
    ]


def in_order(points, keys):
    """The same points, done in the order of the keys."""
    return [replace(point, order=keys.index(point.key) if point.is_done else None) for point in points]


# The score ----------------------------------------------------------------------------------------------

WALK = seen(UNPROMPTED, PROMPTED, UNPROMPTED, UNPROMPTED, MISSED, weights=[3, 2, 1, 3, 2])


def test_the_weighted_score_is_exact():
    """Weights 3 2 1 3 2, marks 1 .5 1 1 0: 8/11, worked by hand."""
    found = outcome(WALK, [], Decimal("0.7"))
    assert found.score == Fraction(8, 11)
    assert found.is_competent
    assert found.margin == Fraction(8, 11) - Fraction(7, 10)
    assert [line.cost for line in found.lines] == [0, Fraction(1, 11), 0, 0, Fraction(2, 11)]


def test_the_same_marks_fail_where_the_missed_point_is_critical():
    last_is_critical = [*WALK[:4], replace(WALK[4], is_critical=True)]
    found = outcome(last_is_critical, [], Decimal("0.7"))
    assert found.reaches_pass_mark
    assert not found.is_competent
    assert [point.key for point in found.failed_criticals] == [4]
    assert "Point 4: a critical point that was missed" in found.reasons[0]


def test_a_score_that_just_reaches_the_pass_mark_passes():
    four_of_five = seen(*[UNPROMPTED] * 4, MISSED)
    assert outcome(four_of_five, [], EIGHTY).is_competent
    assert outcome(four_of_five, [], EIGHTY).margin == 0


def test_a_score_under_the_pass_mark_is_not_rounded_up_to_it():
    """8/11 is 72.7 % to one place, and still under 72.73 %; the sentence shows the difference."""
    found = outcome(WALK, [], Decimal("0.7273"))
    assert not found.is_competent
    [score] = found.reasons
    assert "72.727 %" in score
    assert "72.73 %" in score
    assert "is under" in score


@given(first=st.fractions(0, 1), second=st.fractions(0, 1))
def test_two_shares_read_alike_only_if_they_are_alike(first, second):
    told = percents(first, second)
    assert (told[0] == told[1]) is (first == second)


def test_shares_that_read_alike_at_one_place_are_told_apart():
    assert percents(Fraction(79999, 100000), Fraction(4, 5)) == ("79.999 %", "80 %")
    assert percents(Fraction(1), Fraction(4, 5)) == ("100 %", "80 %")
    assert percents(Fraction(0), Fraction(4, 5)) == ("0 %", "80 %")


@pytest.mark.parametrize(
    ("mark", "score"), [(UNPROMPTED, 1), (PROMPTED, Fraction(1, 2)), (MISSED, 0), (UNSAFE, 0)]
)
def test_each_mark_is_worth_what_the_rule_says(mark, score):
    assert outcome(seen(mark), [], EIGHTY).score == score


def test_an_unsafe_point_that_is_not_critical_costs_its_weight_and_is_shown():
    found = outcome(seen(*[UNPROMPTED] * 9, UNSAFE), [], EIGHTY)
    assert found.is_competent
    assert any("Point 9: done unsafely" in reason for reason in found.reasons)


# Not finished -------------------------------------------------------------------------------------------


def test_an_unmarked_point_is_named_and_leaves_the_outcome_open():
    found = outcome(seen(UNPROMPTED, None), [], EIGHTY)
    assert found.score == 1
    assert not found.is_final
    assert not found.is_competent
    assert [point.key for point in found.unmarked] == [1]
    assert found.reasons[0] == "Not finished: without a mark are Point 1."


@pytest.mark.parametrize("points", [[], seen(None, None)])
def test_where_nothing_is_weighed_there_is_no_score_and_nobody_passes(points):
    found = outcome(points, [], EIGHTY)
    assert found.score is None
    assert found.margin is None
    assert not found.is_final
    assert not found.is_competent
    assert found.reasons


# The order ----------------------------------------------------------------------------------------------

SAFETY = Pair(0, 1, is_safety=True, why="The engine can start while hands are in it")
PRACTICE = Pair(0, 1, is_safety=False, why="It saves a walk.")


def test_a_broken_safety_order_fails_whatever_the_score():
    found = outcome(in_order(seen(UNPROMPTED, UNPROMPTED), [1, 0]), [SAFETY], EIGHTY)
    assert found.score == 1
    assert not found.is_competent
    [breach] = found.breaches
    assert breach.how is Broken.OUT_OF_ORDER
    assert found.reasons[0] == (
        "Point 1: done before Point 0. The engine can start while hands are in it. "
        "The order is a matter of safety: it fails, whatever the score."
    )


def test_points_that_hang_on_one_that_was_never_done_are_told_in_one_sentence():
    pairs = [Pair(0, later, is_safety=True, why="It falls.") for later in (1, 2)]
    pairs.append(Pair(0, 3, is_safety=True, why="It rolls."))
    found = outcome(seen(MISSED, *[UNPROMPTED] * 20), pairs, EIGHTY)
    assert len(found.breaches) == 3
    meaning = "The order is a matter of safety: it fails, whatever the score."
    assert found.reasons[:2] == (
        f"Point 1; Point 2: done, but Point 0 was never done. It falls. {meaning}",
        f"Point 3: done, but Point 0 was never done. It rolls. {meaning}",
    )


def test_a_broken_order_of_practice_is_shown_and_does_not_fail():
    found = outcome(in_order(seen(UNPROMPTED, UNPROMPTED), [1, 0]), [PRACTICE], EIGHTY)
    assert found.is_competent
    assert found.reasons[-1].endswith("It saves a walk. The order is good practice: it does not fail.")


@pytest.mark.parametrize("later", [UNPROMPTED, PROMPTED, UNSAFE])
def test_a_later_point_done_with_its_earlier_one_never_done_breaks_the_pair(later):
    found = outcome(seen(MISSED, later, *[UNPROMPTED] * 20), [SAFETY], EIGHTY)
    assert [breach.how for breach in found.breaches] == [Broken.EARLIER_NEVER_DONE]
    assert found.reaches_pass_mark
    assert not found.is_competent


@pytest.mark.parametrize("earlier", [UNPROMPTED, PROMPTED, UNSAFE])
def test_the_order_is_kept_however_the_earlier_point_was_done(earlier):
    assert not outcome(seen(earlier, UNPROMPTED), [SAFETY], EIGHTY).breaches


@pytest.mark.parametrize(
    "marks", [(MISSED, MISSED), (UNPROMPTED, MISSED), (MISSED, None), (None, UNPROMPTED)]
)
def test_a_pair_that_has_not_been_broken_is_no_breach(marks):
    assert not outcome(seen(*marks), [SAFETY], EIGHTY).breaches


@pytest.mark.parametrize("pair", [Pair(0, 99, True), Pair(99, 1, True), Pair(98, 99, True)])
def test_a_pair_with_a_point_that_does_not_apply_is_passed_over(pair):
    found = outcome(in_order(seen(UNPROMPTED, UNPROMPTED), [1, 0]), [pair], EIGHTY)
    assert found.is_competent
    assert not found.breaches


# What cannot be -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("pass_mark", [Decimal(80), Decimal(0), Fraction(-1, 2)])
def test_a_pass_mark_that_is_no_share_is_refused(pass_mark):
    with pytest.raises(ValueError, match="share"):
        outcome(seen(UNPROMPTED), [], pass_mark)


@pytest.mark.parametrize(
    "facts",
    [
        {"weight": 0},
        {"weight": 4},
        {"weight": 1, "mark": UNPROMPTED},
        {"weight": 1, "mark": UNSAFE},
        {"weight": 1, "mark": MISSED, "order": 3},
        {"weight": 1, "order": 3},
    ],
)
def test_facts_that_do_not_fit_together_are_refused(facts):
    with pytest.raises(ValueError, match="Dipstick"):
        SeenPoint("oil", "Dipstick", **facts)


def test_two_points_cannot_have_one_key_or_one_place():
    one = SeenPoint(1, "One", 1, mark=UNPROMPTED, order=5)
    with pytest.raises(ValueError, match="listed twice"):
        outcome([one, replace(one, order=6)], [], EIGHTY)
    with pytest.raises(ValueError, match="same place"):
        outcome([one, replace(one, key=2)], [], EIGHTY)
    with pytest.raises(ValueError, match="two points"):
        Pair(1, 1, is_safety=True)


def test_the_plain_form_holds_in_json_and_says_the_same():
    found = outcome(in_order(WALK, [1, 0, 2, 3]), [SAFETY], EIGHTY)
    plain = json.loads(json.dumps(found.as_plain()))
    assert plain["score"] == "8/11"
    assert plain["pass_mark"] == "4/5"
    assert plain["is_competent"] is False
    assert plain["breaches"] == [
        {"earlier": 0, "later": 1, "is_safety": True, "how": "out_of_order", "why": SAFETY.why}
    ]
    assert plain["points"][1]["cost"] == "1/11"
    assert plain["reasons"] == list(found.reasons)


# For all marks ------------------------------------------------------------------------------------------

PASS_MARKS = st.fractions(Fraction(1, 100), 1, max_denominator=100)


@st.composite
def walks(draw, marks=tuple(Mark), most=8):
    """Points with any marks, done in any order."""
    size = draw(st.integers(1, most))
    points = seen(
        *draw(st.lists(st.sampled_from(marks), min_size=size, max_size=size)),
        weights=draw(st.lists(st.integers(1, 3), min_size=size, max_size=size)),
        critical=draw(st.sets(st.integers(0, size - 1))),
    )
    return in_order(points, draw(st.permutations(range(size))))


@st.composite
def walks_with_pairs(draw):
    points = draw(walks())
    keys = st.integers(0, len(points) + 1)
    joined = st.tuples(keys, keys, st.booleans()).filter(lambda one: one[0] != one[1])
    return points, [Pair(*one) for one in draw(st.lists(joined, max_size=6))]


@given(walk=walks_with_pairs(), pass_mark=PASS_MARKS)
def test_competent_is_exactly_the_rule(walk, pass_mark):
    """Against the rule written a second time, apart from the program."""
    points, pairs = walk
    worth = {"unprompted": 2, "prompted": 1, "missed": 0, "unsafe": 0}
    halves = sum(point.weight * worth[point.mark] for point in points)
    reaches = halves >= pass_mark * 2 * sum(point.weight for point in points)
    criticals = all(worth[point.mark] for point in points if point.is_critical)
    done = [point.key for point in sorted(points, key=lambda p: p.order or 0) if point.mark != "missed"]
    keys = {point.key for point in points}
    kept = all(
        pair.earlier in done[: done.index(pair.later)]
        for pair in pairs
        if pair.is_safety and {pair.earlier, pair.later} <= keys and pair.later in done
    )
    assert outcome(points, pairs, pass_mark).is_competent is (reaches and criticals and kept)


@given(walk=walks(), pass_mark=PASS_MARKS, mark=st.sampled_from([MISSED, UNSAFE]), data=st.data())
def test_a_failed_critical_point_never_passes(walk, pass_mark, mark, data):
    n = data.draw(st.integers(0, len(walk) - 1))
    order = 1000 if mark.is_done else None
    walk[n] = replace(walk[n], is_critical=True, mark=mark, order=order)
    assert not outcome(walk, [], pass_mark).is_competent


@given(points=walks(marks=(UNPROMPTED, PROMPTED)), data=st.data())
def test_an_order_that_keeps_every_precedence_breaks_none(points, data):
    """The pairs are drawn from the order itself, so it keeps them all."""
    keys = [point.key for point in sorted(points, key=lambda point: point.order)]
    ahead = [(a, b) for n, a in enumerate(keys) for b in keys[n + 1 :]]
    assume(ahead)
    pairs = [Pair(a, b, True) for a, b in data.draw(st.lists(st.sampled_from(ahead), unique=True))]
    assert not outcome(points, pairs, EIGHTY).breaches


@given(points=walks(marks=(UNPROMPTED, PROMPTED, UNSAFE)), data=st.data())
def test_swapping_the_two_points_of_a_safety_pair_always_shows(points, data):
    assume(len(points) >= 2)
    earlier, later = sorted(
        data.draw(st.lists(st.sampled_from(points), min_size=2, max_size=2, unique=True)),
        key=lambda point: point.order,
    )
    pair = Pair(earlier.key, later.key, is_safety=True)
    assert not outcome(points, [pair], EIGHTY).breaches
    swap = {earlier.key: later.order, later.key: earlier.order}
    swapped = [replace(point, order=swap.get(point.key, point.order)) for point in points]
    found = outcome(swapped, [pair], EIGHTY)
    assert [breach.pair for breach in found.safety_breaches] == [pair]
    assert not found.is_competent


def test_of_all_orders_of_three_points_only_the_listed_one_keeps_a_chain():
    points = seen(UNPROMPTED, UNPROMPTED, UNPROMPTED)
    chain = [Pair(0, 1, True), Pair(1, 2, True)]
    kept = [
        keys for keys in permutations(range(3)) if outcome(in_order(points, keys), chain, EIGHTY).is_competent
    ]
    assert kept == [(0, 1, 2)]


@given(walk=walks_with_pairs(), pass_mark=PASS_MARKS)
def test_pairs_of_points_that_do_not_apply_change_nothing(walk, pass_mark):
    points, pairs = walk
    not_fitted = [Pair("beacon", point.key, True) for point in points]
    not_fitted += [Pair(point.key, "beacon", True) for point in points]
    assert outcome(points, [*pairs, *not_fitted], pass_mark) == outcome(points, pairs, pass_mark)


@given(points=walks(), data=st.data())
def test_raising_a_mark_never_lowers_the_score(points, data):
    n = data.draw(st.integers(0, len(points) - 1))
    better = [mark for mark in Mark if mark.worth >= points[n].mark.worth]
    mark = data.draw(st.sampled_from(better))
    order = points[n].order if points[n].order is not None else 1000
    raised = [*points]
    raised[n] = replace(points[n], mark=mark, order=order if mark.is_done else None)
    assert outcome(raised, [], EIGHTY).score >= outcome(points, [], EIGHTY).score


@given(points=walks())
def test_the_score_and_what_the_points_cost_make_up_the_whole(points):
    found = outcome(points, [], EIGHTY)
    assert 0 <= found.score <= 1
    assert found.score + sum(line.cost for line in found.lines) == 1


@given(points=walks(), data=st.data())
def test_the_score_does_not_hang_on_the_order(points, data):
    shuffled = in_order(points, data.draw(st.permutations(range(len(points)))))
    assert outcome(shuffled, [], EIGHTY).score == outcome(points, [], EIGHTY).score


@given(walk=walks_with_pairs(), data=st.data())
def test_taking_a_mark_back_never_makes_anybody_competent(walk, data):
    points, pairs = walk
    n = data.draw(st.integers(0, len(points) - 1))
    points[n] = replace(points[n], mark=None, order=None)
    assert not outcome(points, pairs, Fraction(1, 100)).is_competent


def test_the_marks_are_all_in_the_order_for_comparing():
    assert sorted(LEAST_FIRST) == sorted(Mark)
    assert [mark.worth for mark in LEAST_FIRST] == sorted(mark.worth for mark in Mark)
