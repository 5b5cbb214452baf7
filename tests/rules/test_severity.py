"""How severe each assessor is: known severities are found again, and nothing is said where nothing can be."""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from assessments.rules.severity import FEW_MARKS, assessor_severities


@dataclass(frozen=True)
class Marked:
    """Marks as columns."""

    assessors: np.ndarray
    operators: np.ndarray
    points: np.ndarray
    marks: np.ndarray

    def severities(self, labels=None):
        labels = labels or [f"Assessor {number}" for number in range(int(self.assessors.max()) + 1)]
        return assessor_severities(self.assessors, self.operators, self.points, self.marks, labels=labels)

    def taken(self, rows):
        return Marked(self.assessors[rows], self.operators[rows], self.points[rows], self.marks[rows])


def walk_arounds(rng, watched, severity, ability, difficulty, *, prompts=True):
    """Marks for pairs of (assessor, operator), each over every point."""
    assessors, operators = (np.repeat(column, len(difficulty)) for column in np.array(watched).T)
    points = np.tile(np.arange(len(difficulty)), len(watched))
    chance = 1 / (1 + np.exp(severity[assessors] + difficulty[points] - ability[operators]))
    marks = rng.binomial(2, chance) if prompts else 2 * rng.binomial(1, chance)
    return Marked(assessors, operators, points, marks)


def double_marked(rng, *, assessors=20, operators=120, points=30, prompts=True):
    """Every operator watched by two assessors drawn by lot; and the severities that were put in."""
    severity = rng.normal(0, 0.5, assessors)
    watched = [
        (assessor, operator)
        for operator in range(operators)
        for assessor in rng.choice(assessors, 2, replace=False)
    ]
    ability, difficulty = rng.normal(1.5, 1, operators), rng.normal(0, 1, points)
    return walk_arounds(rng, watched, severity, ability, difficulty, prompts=prompts), severity


def centred(severity, found):
    """As the rule centres: the mean weighted by marks is nought."""
    return severity - np.average(severity, weights=[each.marks for each in found])


def coverage(simulations, *, prompts=True):
    inside, widths = [], []
    for seed in range(simulations):
        marked, severity = double_marked(np.random.default_rng(seed), prompts=prompts)
        found = marked.severities()
        inside += [
            each.low <= true <= each.high for each, true in zip(found, centred(severity, found), strict=True)
        ]
        widths += [each.high - each.low for each in found]
    return len(inside), np.mean(inside), np.mean(widths)


def test_intervals_hold_the_true_severity_about_nineteen_times_in_twenty():
    intervals, held, _ = coverage(20)
    assert intervals == 400
    assert 0.90 <= held <= 0.985


def test_intervals_widen_where_assessors_never_prompt():
    # A mark that is 0 or 2 carries one try, not two: trusting it as two would hold only 83 in 100.
    _, held, width = coverage(20, prompts=False)
    assert 0.90 <= held <= 0.985
    assert width == pytest.approx(coverage(5)[2] * 2**0.5, rel=0.15)


def test_true_severities_are_found_in_order_and_in_size():
    marked, severity = double_marked(np.random.default_rng(7), assessors=12, operators=600)
    found = marked.severities()
    slope, start = np.polyfit(centred(severity, found), [each.logits for each in found], 1)
    assert slope == pytest.approx(1, abs=0.08)
    assert start == pytest.approx(0, abs=0.02)


WEAK, STRONG = range(60), range(60, 120)


def weak_for_the_first(*, double_marking, seed=3):
    """Assessor 0 sees only weak operators; all four are equally severe."""
    rng = np.random.default_rng(seed)
    watched = [(0, operator) for operator in WEAK] + [(1 + operator % 3, operator) for operator in STRONG]
    watched += [(1 + (operator + 1) % 3, operator) for operator in STRONG]
    if double_marking:
        watched += [(1 + operator % 3, operator) for operator in WEAK]
    ability = np.where(np.arange(120) < 60, -0.5, 2.0)
    return walk_arounds(rng, watched, np.zeros(4), ability, rng.normal(0, 1, 30))


def test_weak_operators_do_not_make_an_assessor_harsh():
    marked = weak_for_the_first(double_marking=True)
    means = [marked.marks[marked.assessors == assessor].mean() for assessor in range(4)]
    assert means[0] < min(means[1:]) - 0.2
    found = [weak_for_the_first(double_marking=True, seed=seed).severities()[0] for seed in range(20)]
    assert np.mean([each.logits for each in found]) == pytest.approx(0, abs=0.04)
    assert sum(each.is_harsh for each in found) <= 2
    assert not any(each.cannot_tell for each in found)


def test_weak_operators_seen_by_nobody_else_cannot_be_told_from_harshness():
    first, *others = weak_for_the_first(double_marking=False).severities()
    assert first.cannot_tell
    assert (first.logits, first.compared_with) == (None, 0)
    assert "a hard assessor cannot be told from weak operators" in first.sentence
    assert [each.compared_with for each in others] == [2, 2, 2]


def test_one_shared_operator_does_not_let_weak_operators_pass_for_harshness():
    marked = weak_for_the_first(double_marking=True)
    kept = (marked.assessors == 0) | ~np.isin(marked.operators, WEAK[1:])
    first = marked.taken(kept).severities()[0]
    assert first.compared_with == 3
    assert first.low <= 0 <= first.high
    assert first.high - first.low > 1
    assert first.cannot_tell
    assert "interval is wide" in first.sentence


def hard_points_for_the_first(seed):
    """Assessor 0 sees only the harder half of the points; all three are equally severe."""
    rng = np.random.default_rng(seed)
    watched = [(assessor, operator) for operator in range(80) for assessor in (0, 1, 2)]
    difficulty = np.repeat([0.0, 2.0], 15)
    marked = walk_arounds(rng, watched, np.zeros(3), rng.normal(2, 1, 80), difficulty)
    return marked.taken((marked.assessors != 0) | (marked.points >= 15))


def test_hard_points_do_not_make_an_assessor_harsh():
    marked = hard_points_for_the_first(0)
    assert np.mean(marked.marks[marked.assessors == 0]) < np.mean(marked.marks) - 0.2
    found = [hard_points_for_the_first(seed).severities()[0] for seed in range(20)]
    assert {each.points for each in found} == {15}
    assert np.mean([each.logits for each in found]) == pytest.approx(0, abs=0.04)
    assert sum(each.is_harsh for each in found) <= 2
    assert not any(each.cannot_tell for each in found)


def two_yards(rng):
    watched = [(assessor, operator) for operator in range(40) for assessor in (0, 1)]
    severity, ability, difficulty = np.array([0.5, -0.5]), rng.normal(1, 1, 40), rng.normal(0, 1, 30)
    here = walk_arounds(rng, watched, severity, ability, difficulty)
    there = walk_arounds(rng, watched, severity, ability, difficulty)
    return here, there


def joined(*parts):
    return Marked(
        *(
            np.concatenate([getattr(part, column) for part in parts])
            for column in ("assessors", "operators", "points", "marks")
        )
    )


def test_assessors_who_share_nothing_are_compared_only_among_themselves():
    here, there = two_yards(np.random.default_rng(11))
    apart = Marked(there.assessors + 2, there.operators + 1000, there.points + 1000, there.marks)
    alone = Marked(
        np.full(150, 4),
        np.full(150, 5000),
        np.arange(5000, 5150),
        np.random.default_rng(1).integers(0, 3, 150),
    )
    *found, last = joined(here, apart, alone).severities()
    assert [each.compared_with for each in found] == [1, 1, 1, 1]
    assert [each.is_harsh for each in found] == [True, False, True, False]
    assert [each.is_lenient for each in found] == [False, True, False, True]
    assert found[0].logits + found[1].logits == pytest.approx(0, abs=1e-9)
    assert last.cannot_tell
    assert not last.shares_work
    assert last.sentence == (
        "Cannot tell yet. No operator and no point is shared with another assessor. "
        "Double mark with another assessor."
    )


def test_operators_in_common_do_not_compare_assessors_who_saw_different_points():
    here, there = two_yards(np.random.default_rng(11))
    other_points = Marked(there.assessors + 2, there.operators, there.points + 1000, there.marks)
    found = joined(here, other_points).severities()
    assert [each.compared_with for each in found] == [1, 1, 1, 1]


def test_points_and_operators_in_common_one_by_one_may_still_compare_nobody():
    # Three marks, and the operator, the point and the assessor all differ: any of them explains it.
    found = assessor_severities([0, 1, 1], [1, 1, 2], [1, 2, 1], [2, 0, 1], labels=["A", "B"])
    assert [each.compared_with for each in found] == [0, 0]
    assert all(each.shares_work for each in found)
    # The fourth mark closes the ring.
    found = assessor_severities([0, 1, 1, 1], [1, 1, 2, 1], [1, 2, 1, 1], [2, 0, 1, 1], labels=["A", "B"])
    assert [each.compared_with for each in found] == [1, 1]


def test_one_assessor_has_nobody_to_be_compared_with():
    rng = np.random.default_rng(0)
    marked = walk_arounds(rng, [(0, n) for n in range(10)], np.zeros(1), np.ones(10), np.zeros(20))
    (only,) = marked.severities(["Ines Vardy"])
    assert (only.assessor, only.marks, only.operators, only.points) == ("Ines Vardy", 200, 10, 20)
    assert only.cannot_tell
    assert only.logits is None


def test_no_marks_and_no_assessors():
    assert assessor_severities([], [], [], [], labels=[]) == ()
    (idle,) = assessor_severities([], [], [], [], labels=["Ines Vardy"])
    assert idle.sentence == "Cannot tell yet. There are no marks."


def test_an_assessor_without_marks_changes_nothing_for_the_others():
    marked, _ = double_marked(np.random.default_rng(2), assessors=4, operators=20)
    found = marked.severities()
    *with_idle, idle = marked.severities(["Assessor 0", "Assessor 1", "Assessor 2", "Assessor 3", "Idle"])
    assert idle.marks == 0
    assert idle.cannot_tell
    assert [each.logits for each in with_idle] == pytest.approx([each.logits for each in found], abs=1e-9)


@pytest.mark.parametrize("mark", [0, 1, 2])
def test_marks_that_are_all_equal_show_no_difference(mark):
    marked, _ = double_marked(np.random.default_rng(2), assessors=4, operators=20)
    for each in replace(marked, marks=np.full(len(marked.marks), mark)).severities():
        assert each.low < 0 < each.high
        assert not each.is_harsh
        assert not each.is_lenient


@pytest.mark.parametrize(("mark", "claim", "spoken"), [(0, "is_harsh", 0), (2, "is_lenient", 100)])
def test_an_assessor_who_gives_one_mark_only_is_far_out_but_finite(mark, claim, spoken):
    marked, _ = double_marked(np.random.default_rng(4), assessors=6, operators=60)
    rigid = np.where(marked.assessors == 0, mark, marked.marks)
    first = replace(marked, marks=rigid).severities()[0]
    assert getattr(first, claim)
    assert np.isfinite([first.low, first.logits, first.high]).all()
    assert 2 < abs(first.logits) < 10
    assert f"gives {spoken} (" in first.sentence


def test_few_marks_say_little_however_far_out():
    marked, _ = double_marked(np.random.default_rng(4), assessors=6, operators=60)
    mine = np.flatnonzero(marked.assessors == 0)
    kept = np.setdiff1d(np.arange(len(marked.marks)), mine[FEW_MARKS - 1 :])
    rigid = np.where(marked.assessors == 0, 0, marked.marks)
    first = replace(marked, marks=rigid).taken(kept).severities()[0]
    assert first.low > 0
    assert first.cannot_tell
    assert first.sentence == "Cannot tell yet. Few marks say little: 99 so far, at least 100 are needed."


def test_the_sentence_gives_the_score_that_the_others_would_have_given():
    rng = np.random.default_rng(8)
    watched = [(assessor, operator) for operator in range(400) for assessor in (0, 1)]
    # The others' 80 in 100 is 1.386 logits; half a logit harder is 71 in 100.
    marked = walk_arounds(rng, watched, np.array([0.5, 0.0]), rng.normal(1, 0.5, 400), np.zeros(30))
    hard, easy = marked.severities()
    assert hard.sentence.startswith(
        "Marks harder than the others: where the others would give a score of 80 in 100, "
        f"this assessor gives {hard._spoken(hard.logits)} (between "
    )
    # Of two, each is as far from the other as both are from the centre together.
    assert hard._spoken(hard.logits) == pytest.approx(71, abs=1)
    assert easy._spoken(easy.logits) == pytest.approx(87, abs=1)


@pytest.mark.parametrize(
    ("columns", "complaint"),
    [
        (([0], [0], [0], [3]), "A mark is 0, 1 or 2"),
        (([0], [0], [0], [0.5]), "A mark is 0, 1 or 2"),
        (([1], [0], [0], [1]), "An assessor has no label"),
        (([-1], [0], [0], [1]), "An assessor has no label"),
        (([0, 0], [0], [0], [1]), "columns of one length"),
    ],
)
def test_columns_that_make_no_sense_are_refused(columns, complaint):
    with pytest.raises(ValueError, match=complaint):
        assessor_severities(*columns, labels=["Ines Vardy"])


small_marks = st.lists(
    st.tuples(st.integers(0, 3), st.integers(0, 5), st.integers(0, 4), st.integers(0, 2)),
    min_size=1,
    max_size=60,
)


def from_rows(rows):
    return Marked(*np.array(rows).T)


FOUR = ["A", "B", "C", "D"]


def figures(found):
    return [
        figure for each in found for figure in (each.logits, each.low, each.high) if each.logits is not None
    ]


@settings(deadline=None, max_examples=60)
@given(small_marks, st.randoms(use_true_random=False))
def test_the_order_of_rows_and_the_numbers_used_change_nothing(rows, chance):
    before = from_rows(rows).severities(FOUR)
    shuffled = [list(row) for row in rows]
    chance.shuffle(shuffled)
    assessors, operators, points = (chance.sample(range(size), size) for size in (4, 6, 5))
    renamed = [[assessors[a], 900 - operators[o], 7 * points[p], mark] for a, o, p, mark in shuffled]
    found = from_rows(renamed).severities(FOUR)
    after = [found[assessors[number]] for number in range(4)]
    assert figures(after) == pytest.approx(figures(before), abs=1e-5)
    for one, other in zip(before, after, strict=True):
        assert (one.marks, one.operators, one.points) == (other.marks, other.operators, other.points)
        assert (one.compared_with, one.shares_work) == (other.compared_with, other.shares_work)


def are_mixed(marked):
    """Nobody and nothing near the end of the scale, where a mark more moves more than it tells."""
    return all(
        0.3 < marked.marks[codes == code].mean() < 1.7
        for codes in (marked.assessors, marked.operators, marked.points)
        for code in np.unique(codes)
    )


@settings(deadline=None, max_examples=40)
@given(st.lists(st.integers(0, 2), min_size=96, max_size=96))
def test_twice_the_marks_narrow_every_interval(marks):
    assessors, operators, points = (column.ravel() for column in np.indices((4, 6, 4)))
    marked = Marked(assessors, operators, points, np.array(marks))
    assume(are_mixed(marked))
    for one, two in zip(marked.severities(), joined(marked, marked).severities(), strict=True):
        assert two.high - two.low < one.high - one.low
        assert (two.marks, two.operators, two.points) == (2 * one.marks, one.operators, one.points)


@settings(deadline=None, max_examples=40)
@given(small_marks)
def test_the_same_marks_again_compare_nobody_new(rows):
    once, twice = from_rows(rows).severities(FOUR), from_rows(rows * 2).severities(FOUR)
    assert [each.compared_with for each in twice] == [each.compared_with for each in once]
