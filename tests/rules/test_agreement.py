"""Two raters compared: what is counted, what is named, and what is said where there is no figure."""

from fractions import Fraction

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from assessments.rules.agreement import DoubleMark, Weighting, agreement, agreement_by_zone, kappa
from assessments.rules.scoring import LEAST_FIRST

CATEGORIES = [mark.value for mark in LEAST_FIRST]


def marked(*pairs, zone=""):
    return [DoubleMark(n, f"Point {n}", first, second, zone) for n, (first, second) in enumerate(pairs)]


WALK = marked(
    ("unprompted", "unprompted"),
    ("unprompted", "prompted"),
    ("missed", "missed"),
    ("unprompted", "unsafe"),
    ("prompted", None),
    ("unprompted", "unprompted"),
)


def test_the_points_are_counted_by_what_each_of_the_two_marked():
    found = agreement(WALK, CATEGORIES)
    assert found.table == ((0, 0, 0, 0), (0, 1, 0, 0), (0, 0, 0, 0), (1, 0, 1, 2))
    assert found.compared == 5
    assert found.share_agreed == Fraction(3, 5)


def test_the_points_they_differ_on_are_named_the_widest_apart_first():
    found = agreement(WALK, CATEGORIES)
    assert [(one.mark.key, one.steps) for one in found.disagreements] == [(3, 3), (1, 1)]


def test_a_point_that_one_has_not_marked_is_left_out_and_named():
    assert [mark.key for mark in agreement(WALK, CATEGORIES).left_out] == [4]


def test_each_zone_is_compared_by_itself():
    front = marked(("missed", "missed"), ("unprompted", "unprompted"), zone="front")
    cab = marked(("missed", "prompted"), zone="cab")
    found = agreement_by_zone([*front, *cab], CATEGORIES)
    assert list(found) == ["front", "cab"]
    assert found["front"].kappa.value == 1
    assert found["cab"].share_agreed == 0


def test_without_an_order_there_are_no_weighted_kappas_and_no_steps():
    found = agreement(WALK, CATEGORIES, is_ordered=False)
    assert found.linear is None
    assert found.quadratic is None
    assert {one.steps for one in found.disagreements} == {None}
    assert found.kappa == agreement(WALK, CATEGORIES).kappa


@pytest.mark.parametrize(
    ("marks", "told"),
    [
        ([], "nothing to compare"),
        (marked(("missed", None), (None, "missed")), "nothing to compare"),
        (marked(("missed", "missed"), ("missed", "missed")), "kappa has no value"),
    ],
)
def test_where_there_is_no_kappa_it_says_so_in_words(marks, told):
    found = agreement(marks, CATEGORIES)
    for one in (found.kappa, found.linear, found.quadratic):
        assert one.value is None
        assert one.standard_error is None
        assert one.interval is None
        assert told in one.why_not


def test_full_agreement_has_a_kappa_and_no_interval_that_would_look_like_certainty():
    found = agreement(marked(("missed", "missed"), ("unprompted", "unprompted")), CATEGORIES)
    assert found.kappa.value == 1
    assert found.kappa.interval is None
    assert "no certainty" in found.kappa.why_not


def test_one_rater_with_a_single_mark_agrees_as_chance_would():
    assert kappa(((6, 4), (0, 0))).value == 0


def test_full_disagreement_in_equal_parts_is_minus_one():
    assert kappa(((0, 5), (5, 0))).value == -1


def test_nothing_but_a_known_mark_is_compared():
    with pytest.raises(ValueError, match="Point 0: perfect is none of"):
        agreement(marked(("perfect", "missed")), CATEGORIES)
    with pytest.raises(ValueError, match="twice"):
        agreement([], ["missed", "missed"])


@pytest.mark.parametrize(
    ("table", "weights"),
    [
        (((1, 2),), ((0,),)),
        (((1, 2), (3, -1)), Weighting.NONE),
        (((1, 2), (3, 4)), ((0, 1, 2), (1, 0, 1), (2, 1, 0))),
        (((1, 2), (3, 4)), ((1, 0), (0, 1))),
        (((1, 2), (3, 4)), ((0, -1), (-1, 0))),
    ],
)
def test_misshapen_tables_and_weights_are_refused(table, weights):
    with pytest.raises(ValueError, match=r"square|below nought|is nought"):
        kappa(table, weights)


# For all tables -----------------------------------------------------------------------------------------

WEIGHTINGS = st.sampled_from(list(Weighting))


@st.composite
def tables(draw, least=2):
    size = draw(st.integers(least, 5))
    row = st.lists(st.integers(0, 30), min_size=size, max_size=size).map(tuple)
    return tuple(draw(st.lists(row, min_size=size, max_size=size)))


@given(table=tables(least=1), weighting=WEIGHTINGS)
def test_there_is_always_a_kappa_or_a_reason_why_not(table, weighting):
    found = kappa(table, weighting)
    assert (found.value is None) <= bool(found.why_not)
    assert (found.interval is None) is bool(found.why_not)
    if found.interval:
        low, high = found.interval
        assert -1 <= low <= found.value <= high <= 1


@given(table=tables(), weighting=WEIGHTINGS)
def test_it_does_not_matter_which_rater_comes_first(table, weighting):
    assert kappa(table, weighting) == kappa(tuple(zip(*table, strict=True)), weighting)


@given(table=tables(), weighting=WEIGHTINGS)
def test_it_does_not_matter_which_end_of_the_scale_comes_first(table, weighting):
    assert kappa(table, weighting) == kappa(tuple(row[::-1] for row in table[::-1]), weighting)


@given(table=tables(), weighting=WEIGHTINGS)
def test_four_times_the_points_halve_the_standard_error(table, weighting):
    few = kappa(table, weighting)
    many = kappa(tuple(tuple(4 * cell for cell in row) for row in table), weighting)
    assert many.value == few.value
    assume(few.standard_error is not None)
    assert many.standard_error == pytest.approx(few.standard_error / 2)


@given(table=tables(), weighting=WEIGHTINGS, times=st.integers(2, 9))
def test_the_scale_of_the_weights_does_not_matter(table, weighting, times):
    larger = tuple(tuple(times * cell for cell in row) for row in weighting.distances(len(table)))
    assert kappa(table, larger) == kappa(table, weighting)


@given(counts=st.lists(st.integers(0, 30), min_size=4, max_size=4))
def test_with_two_categories_the_weights_change_nothing(counts):
    table = (tuple(counts[:2]), tuple(counts[2:]))
    assert kappa(table) == kappa(table, Weighting.LINEAR) == kappa(table, Weighting.QUADRATIC)
