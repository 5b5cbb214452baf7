"""Question analysis, by example and by property."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessments.rules.analysis import analyse
from assessments.rules.analysis_decisions import consistency
from assessments.rules.analysis_difficulty import FEWEST_FOR_DIFFICULTY, difficulties
from assessments.rules.analysis_questions import (
    NOT_ASKED,
    Picked,
    Responses,
    marks_of,
    point_biserial,
    question_figures,
    wilson,
)
from assessments.rules.analysis_reliability import Method, Reliability, reliability
from assessments.rules.analysis_words import (
    FEW_ANSWERS,
    FEW_STRONG,
    UNTAKEN_ANSWERS,
    Reason,
    consistency_words,
    error_words,
    few_answers,
    looks,
    method_words,
    reliability_words,
)


def responses(rows, **more):
    marks = marks_of(rows)
    return Responses(tuple(f"q{n}" for n in range(marks.shape[1])), marks, **more)


def guttman(people=60, questions=6):
    """The strong get right all that the weak do, and more."""
    return [[int(n * (questions + 1) > people * place) for place in range(questions)] for n in range(people)]


def reasons(figures):
    return [look.reason for look in looks(figures)]


def with_first(rows, first):
    return [[mark, *row[1:]] for mark, row in zip(first, rows, strict=True)]


# A question by itself


def test_the_share_right_is_of_those_who_were_asked():
    one, two = question_figures(responses([[1, None], [0, 1], [1, 1], [None, 0]]))
    assert (one.answers, one.right, one.facility) == (3, 2, 2 / 3)
    assert (two.answers, two.right) == (3, 2)


def test_a_question_that_nobody_was_asked_has_no_figures_and_says_why():
    figures = question_figures(responses([[1, None], [0, None]]))[1]
    assert (figures.answers, figures.facility, figures.facility_interval) == (0, None, None)
    assert figures.discrimination.value is None
    assert figures.discrimination.why_not


@pytest.mark.parametrize("mark", [0, 1])
def test_a_question_on_which_all_gave_the_same_tells_nobody_apart(mark):
    found = question_figures(responses([[mark, 1, 0], [mark, 0, 0], [mark, 1, 1]]))[0].discrimination
    assert found.value is None
    assert "Everybody gave the same here" in found.why_not


def test_where_all_did_alike_elsewhere_nothing_is_correlated():
    found = question_figures(responses([[1, 1, 0], [0, 0, 1], [1, 0, 1]]))[0].discrimination
    assert "All did alike elsewhere" in found.why_not


def test_the_question_itself_is_not_among_the_rest():
    """With itself it would go up to the half; without, these two have nothing to do with each other."""
    found = question_figures(responses([[1, 1], [1, 0], [0, 1], [0, 0]]))
    assert [one.discrimination.value for one in found] == [0, 0]


def test_one_line_has_no_interval():
    found = question_figures(responses([[1, 1], [1, 1], [0, 0], [0, 0]]))[0].discrimination
    assert found.value == 1
    assert found.interval is None


def test_three_answers_have_no_interval():
    found = point_biserial(np.array([0.0, 1.0, 1.0]), np.array([0.0, 1.0, 0.5]))
    assert found.interval is None
    assert "at least four" in found.why_not


@given(st.integers(1, 3000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_the_interval_of_a_share_holds_it_and_stays_between_nought_and_one(share):
    low, high = wilson(*share)
    assert 0 <= low <= share[0] / share[1] <= high <= 1


tables = st.tuples(st.integers(2, 25), st.integers(2, 8)).flatmap(
    lambda size: st.lists(
        st.lists(st.sampled_from([0, 1, None]), min_size=size[1], max_size=size[1]),
        min_size=size[0],
        max_size=size[0],
    )
)


@settings(deadline=None)
@given(tables, st.randoms(use_true_random=False))
def test_the_order_of_people_and_of_questions_changes_nothing(rows, random):
    people = random.sample(range(len(rows)), len(rows))
    questions = random.sample(range(len(rows[0])), len(rows[0]))
    first = analyse(responses(rows), 1)
    other = analyse(responses([[rows[p][q] for q in questions] for p in people]), 1)
    for place, was in enumerate(questions):
        one, two = first.questions[was], other.questions[place]
        assert (one.answers, one.right) == (two.answers, two.right)
        assert one.discrimination.value == pytest.approx(two.discrimination.value, abs=1e-9)
    assert first.reliability.value == pytest.approx(other.reliability.value, abs=1e-9)
    assert first.consistency.agreed == pytest.approx(other.consistency.agreed, abs=1e-9)


@settings(deadline=None)
@given(tables)
def test_no_table_brings_a_figure_that_is_no_number(rows):
    found = analyse(responses(rows), 2)
    values = [found.reliability.value, found.consistency.agreed, found.consistency.kappa]
    for one in found.questions:
        values += [one.facility, one.discrimination.value, *(one.discrimination.interval or ())]
    assert all(value is None or np.isfinite(value) for value in values)
    assert found.reliability.value is not None or found.reliability.why_not


@settings(deadline=None)
@given(tables)
def test_right_and_wrong_turned_round_turn_the_share_and_leave_the_rest(rows):
    turned = [[None if mark is None else 1 - mark for mark in row] for row in rows]
    for one, other in zip(
        question_figures(responses(rows)), question_figures(responses(turned)), strict=True
    ):
        if one.facility is not None:
            assert one.facility == pytest.approx(1 - other.facility)
        if one.discrimination.value is not None and other.discrimination.value is not None:
            assert one.discrimination.value == pytest.approx(other.discrimination.value, abs=1e-9)


# Choices and times


def picked(letters, right="A", offered="ABC"):
    return Picked(
        tuple(offered),
        tuple(letter == right for letter in offered),
        np.array([[letter == one for one in offered] for letter in letters]),
    )


def test_choices_are_counted_with_how_those_who_picked_them_did_elsewhere():
    rows = [[1, 1, 1], [1, 1, 0], [0, 0, 0], [0, 1, 0], [0, 0, 0]]
    one = question_figures(responses(rows, picked={0: picked(["A", "A", "B", "B", ""])}))[0]
    told = [(choice.label, choice.is_right, choice.count, choice.mean_rest) for choice in one.choices]
    assert told == [("A", True, 2, 0.75), ("B", False, 2, 0.25), ("C", False, 0, None)]
    assert one.unanswered == 1
    assert one.choices[0].discrimination.value == pytest.approx(one.discrimination.value)
    assert one.choices[1].discrimination.value < 0


def test_who_was_not_asked_is_in_no_count_of_choices():
    rows = [[1, 1], [None, 1], [0, 0]]
    one = question_figures(responses(rows, picked={0: picked(["A", "", "B"])}))[0]
    assert [choice.count for choice in one.choices] == [1, 1, 0]
    assert one.unanswered == 0


def test_the_strong_and_the_weak_are_27_in_100_at_either_end():
    rows = [[1, *[int(n > place) for place in range(100)]] for n in range(100)]
    one = question_figures(responses(rows, picked={0: picked(["A"] * 100)}))[0]
    assert one.groups == (27, 45, 28)
    assert one.choices[0].by_group == one.groups


def test_where_all_did_alike_there_are_no_strong_and_no_weak():
    one = question_figures(responses([[1, 1]] * 4, picked={0: picked(["A"] * 4)}))[0]
    assert one.groups == (0, 4, 0)


def test_times_have_a_median_and_quartiles_where_they_were_told():
    seconds = np.array([[10, np.nan], [20, np.nan], [30, np.nan], [np.nan, np.nan], [40, np.nan]])
    one, two = question_figures(responses([[1, 0]] * 5, seconds=seconds))
    assert (one.times.count, one.times.lower, one.times.median, one.times.upper) == (4, 17.5, 25, 32.5)
    assert two.times is None


@pytest.mark.parametrize(
    ("marks", "seconds", "told"),
    [
        ([[2]], None, "A mark is"),
        ([[1, 1]], None, "one column"),
        ([[1]], np.zeros((2, 1)), "shape of the marks"),
    ],
)
def test_a_misshapen_table_is_refused(marks, seconds, told):
    with pytest.raises(ValueError, match=told):
        Responses(("q",), np.array(marks, np.int8), seconds=seconds)


# The paper


def test_a_full_table_has_alpha_and_drawn_questions_do_not():
    full = guttman()
    holed = [
        [None if place == n % 6 else mark for place, mark in enumerate(row)] for n, row in enumerate(full)
    ]
    assert reliability(responses(full)).method is Method.ALPHA
    found = reliability(responses(holed))
    assert found.method is Method.DRAWN
    assert "alpha is not computed" in method_words(found)


def test_a_question_that_nobody_was_asked_leaves_the_table_full():
    rows = [[*row, None] for row in guttman()]
    assert reliability(responses(rows)).value == reliability(responses(guttman())).value


@pytest.mark.parametrize(
    ("rows", "told"),
    [
        ([[1, 0]], "two people"),
        ([[1], [0]], "two questions"),
        ([[1, 0], [0, 1]], "same score"),
        ([[1, 1, None], [None, 0, 0], [None, 0, 0]], "all right or all wrong"),
        ([[None, None]], "two people"),
    ],
)
def test_where_there_is_no_reliability_it_says_why(rows, told):
    found = reliability(responses(rows))
    assert found.value is None
    assert told in found.why_not


@settings(deadline=None)
@given(st.integers(2, 40).flatmap(lambda n: st.tuples(st.integers(1, n - 1), st.just(n))), st.integers(2, 40))
def test_questions_that_all_agree_are_wholly_reliable_and_measure_without_error(people, questions):
    """In floating point a factor such as 7/6 can bring a little more than one."""
    strong, sat = people
    rows = [[int(n < strong)] * questions for n in range(sat)]
    found = reliability(responses(rows))
    assert (found.value, found.interval, found.error) == (1, (1, 1), 0)


def test_twice_the_questions_bring_what_spearman_and_brown_foretell():
    """A table beside itself has questions that go together more than new ones would; so a parallel half."""
    rng = np.random.default_rng(1910)
    ability = rng.normal(0, 1, 4000)
    rows = (rng.random((4000, 20)) < 1 / (1 + np.exp(-ability[:, None]))).astype(int)
    half = reliability(responses(rows[:, :10].tolist())).value
    whole = reliability(responses(rows.tolist())).value
    assert whole == pytest.approx(2 * half / (1 + half), abs=0.01)


def test_a_cut_that_everybody_is_far_from_is_decided_alike():
    found = analyse(responses([[1] * 19 + [n % 2] for n in range(40)]), 10)
    assert found.consistency.agreed > 0.99
    assert found.consistency.passed == 40


@pytest.mark.parametrize(
    ("asked", "cut", "told"), [([5, 4, 5], 3, "one length"), ([5, 5, 5], 6, "the cut is 6")]
)
def test_where_decisions_cannot_be_compared_it_says_why(asked, cut, told):
    found = consistency(np.array([1, 2, 3]), np.array(asked), cut, Reliability(0.5, mean=2, variance=1))
    assert found.agreed is None
    assert told in found.why_not


def test_of_nobody_no_decision_is_compared_and_the_reason_is_that_nobody_sat():
    found = analyse(responses([[None, None]]), 1).consistency
    assert (found.people, found.agreed) == (0, None)
    assert "two people must have sat" in found.why_not


def test_a_cut_below_one_is_refused():
    with pytest.raises(ValueError, match="at least one"):
        analyse(responses(guttman()), 0)


def test_a_reliability_below_nought_is_taken_as_nought_for_decisions():
    right, asked = np.array([1, 2, 3]), np.array([4, 4, 4])
    below = consistency(right, asked, 2, Reliability(-0.5, mean=2, variance=1))
    nought = consistency(right, asked, 2, Reliability(0.0, mean=2, variance=1))
    assert below.agreed == nought.agreed
    assert below.kappa == pytest.approx(0, abs=1e-12)


# Difficulties


def test_with_few_answers_no_difficulty_is_given():
    for people, is_placed in ((FEWEST_FOR_DIFFICULTY - 1, False), (FEWEST_FOR_DIFFICULTY, True)):
        rows = [[n % 2, (n // 2) % 2] for n in range(people)]
        found = difficulties(responses(rows))
        assert [one.logits is not None for one in found] == [is_placed] * 2
        if not is_placed:
            assert f"{people} so far" in found[0].why_not


def test_a_question_that_all_get_right_has_no_place_on_the_scale_and_moves_no_other():
    rows = [[n % 2, (n // 2) % 2, (n // 3) % 2] for n in range(60)]
    first = difficulties(responses(rows))
    found = difficulties(responses([[*row, 1] for row in rows]))
    assert found[3].logits is None
    assert found[3].why_not.startswith("Everybody got it right")
    assert [one.logits for one in found[:3]] == pytest.approx([one.logits for one in first])


def test_questions_that_share_no_sitting_are_not_compared():
    rows = [[n % 2, (n // 2) % 2, None, None] for n in range(60)]
    rows += [[None, None, n % 2, (n // 2) % 2] for n in range(40)]
    found = difficulties(responses(rows))
    assert [one.logits is not None for one in found] == [True, True, False, False]
    assert "Too little is shared" in found[2].why_not


def test_the_harder_question_stands_higher_whoever_was_asked_it():
    """The hard one is asked of the strong: its share right is the greater, and its difficulty too."""
    rng = np.random.default_rng(1)
    rows = []
    for n in range(2000):
        able = n % 2
        chance = 1 / (1 + np.exp(-(3 * able - 1.5 - np.array([0.0, 1.0, 0.2, 0.4, -0.3]))))
        row = (rng.random(5) < chance).astype(int).tolist()
        row[1 - able] = None
        rows.append(row)
    table = responses(rows)
    easy, hard = question_figures(table)[:2]
    placed = difficulties(table)
    assert hard.facility > easy.facility
    assert placed[1].logits - placed[0].logits == pytest.approx(1.0, abs=0.35)


# In words


def test_under_the_least_number_of_answers_nothing_is_said_of_a_question():
    rows = [[1 - n % 2, n % 2, n % 2] for n in range(FEW_ANSWERS - 1)]
    one = question_figures(responses(rows))[0]
    assert one.discrimination.value == pytest.approx(-1)
    assert looks(one) == ()
    assert f"{FEW_ANSWERS - 1} so far" in few_answers(one)


def test_a_question_that_strong_people_get_wrong_comes_with_its_key():
    rows = guttman()
    found = question_figures(responses(with_first(rows, [1 - row[3] for row in rows])))[0]
    assert reasons(found) == [Reason.NEGATIVE]
    assert "Look at the key first" in looks(found)[0].sentence
    assert looks(found)[0].is_grave


def test_a_question_that_does_its_work_needs_no_look():
    assert reasons(question_figures(responses(guttman()))[3]) == []


def test_a_question_by_the_toss_of_a_coin_is_poor_once_the_answers_suffice():
    rng = np.random.default_rng(3)
    rows = guttman(600)
    found = question_figures(responses(with_first(rows, rng.integers(0, 2, 600).tolist())))[0]
    assert reasons(found) == [Reason.POOR]
    fewer = question_figures(responses(with_first(rows[::15], [1, 0, 0, 1] * 10)))[0]
    assert found.discrimination.interval[1] < 0.2 < fewer.discrimination.interval[1]
    assert Reason.POOR not in reasons(fewer)


@pytest.mark.parametrize(("right", "reason"), [(200, Reason.EASY), (20, Reason.HARD)])
def test_very_easy_and_very_hard_questions_are_named(right, reason):
    rows = guttman(200)
    first = [int(n >= 200 - right) for n in range(200)]
    assert reason in reasons(question_figures(responses(with_first(rows, first)))[0])


def test_a_wrong_choice_that_draws_the_strong_is_named():
    rows = guttman()
    letters = ["B" if sum(row[1:]) >= 4 else "A" for row in rows]
    rows = with_first(rows, [int(letter == "A") for letter in letters])
    found = looks(question_figures(responses(rows, picked={0: picked(letters, offered="AB")}))[0])
    assert [look.reason for look in found] == [Reason.NEGATIVE, Reason.STRONG_MISLED]
    assert "“B”, which is wrong, and 0 the right one" in found[1].sentence


@pytest.mark.parametrize(("strong", "is_named"), [(FEW_STRONG - 1, False), (FEW_STRONG, True)])
def test_a_wrong_choice_is_not_named_for_the_sake_of_a_few_strong_people(strong, is_named):
    """Equals are counted in together, so that the strong can be fewer or more than 27 in 100."""
    rows = [[0, int(n < strong)] for n in range(40)]
    letters = ["B"] * strong + ["A", "C"] * 20
    one = question_figures(responses(rows, picked={0: picked(letters[:40])}))[0]
    assert one.groups[2] == strong
    assert (Reason.STRONG_MISLED in reasons(one)) is is_named


def test_where_several_are_right_a_wrong_choice_is_held_against_the_one_least_picked():
    rows = guttman()
    strong = [sum(row[1:]) >= 4 for row in rows]
    by_person = np.array([[True, not best, best] for best in strong])
    several = Picked(("A", "B", "C"), (True, True, False), by_person)
    rows = with_first(rows, [int(not best) for best in strong])
    misled = next(
        look
        for look in looks(question_figures(responses(rows, picked={0: several}))[0])
        if look.reason is Reason.STRONG_MISLED
    )
    assert "“C”, which is wrong, and 0 the right one" in misled.sentence


@pytest.mark.parametrize(("right", "reason"), [(30, Reason.EASY), (5, Reason.HARD)])
def test_the_whole_interval_must_be_easy_or_hard_before_it_is_said(right, reason):
    """All of 30 right may yet be 9 of 10, and 5 of 30 a third; ten times as many say it."""
    for times, is_named in ((1, False), (10, True)):
        people = 30 * times
        first = [int(n >= people - right * times) for n in range(people)]
        found = question_figures(responses(with_first(guttman(people), first)))[0]
        assert (reason in reasons(found)) is is_named


@pytest.mark.parametrize(("people", "is_named"), [(UNTAKEN_ANSWERS - 1, False), (UNTAKEN_ANSWERS, True)])
def test_a_choice_that_nobody_takes_is_named_once_that_says_something(people, is_named):
    rows = guttman(people)
    letters = ["A" if row[0] else "B" for row in rows]
    found = looks(question_figures(responses(rows, picked={0: picked(letters)}))[0])
    untaken = [look for look in found if look.reason is Reason.UNTAKEN]
    assert [("“C”" in look.sentence) for look in untaken] == [True] * is_named


def test_few_sittings_are_said_to_say_little_of_the_paper():
    found = analyse(responses(guttman(20)), 3)
    assert "20 so far" in reliability_words(found.reliability)
    assert "20 so far" in consistency_words(found.consistency)
    assert error_words(found.reliability) == ""


@pytest.mark.parametrize(
    ("value", "interval", "told"),
    [
        (0.85, (0.82, 0.88), "well"),
        (0.75, (0.70, 0.79), "fairly well"),
        (0.40, (0.30, 0.50), "do not tell"),
        (0.60, (0.40, 0.75), "Too few"),
    ],
)
def test_reliability_is_put_in_words(value, interval, told):
    assert told in reliability_words(Reliability(value, interval, people=100))


def test_consistency_is_put_in_words_that_a_manager_reads():
    told = consistency_words(analyse(responses(guttman(60)), 3).consistency)
    assert "would get the same answer, pass or not, at a cut of 3" in told


def test_not_computed_is_said_with_its_reason():
    found = analyse(responses([[1, None], [None, 0], [1, None]]), 1)
    assert "not computed: it takes at least two questions" in reliability_words(found.reliability)
    assert "not computed" in consistency_words(found.consistency)


def test_marks_are_kept_as_they_are():
    assert marks_of([[1, 0, None]]).tolist() == [[1, 0, NOT_ASKED]]
