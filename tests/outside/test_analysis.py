"""Question analysis, against published answers and other programs.

Sources: Bock & Lieberman, Psychometrika 35:179 (1970), sections 6 and 7 of a law school's entrance test,
1,000 persons by 5 questions each; Kuder & Richardson 1937 and Cronbach 1951; Feldt 1965; Subkoviak, J Educ
Meas 13:265 (1976); Livingston, J Educ Meas 9:13 (1972); Wilson 1927, with Newcombe, Stat Med 17:857 (1998).
pingouin 0.7, scipy, statsmodels 0.14. The figures to five places and more were worked out from the published
counts with formulas as printed in those papers, and for alpha with pingouin.
"""

from itertools import product

import numpy as np
import pandas as pd
import pingouin
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import f, pearsonr
from statsmodels.stats.proportion import proportion_confint

from assessments.rules.analysis import analyse, decided
from assessments.rules.analysis_decisions import consistency
from assessments.rules.analysis_difficulty import difficulties
from assessments.rules.analysis_questions import NOT_ASKED, Responses, question_figures, wilson
from assessments.rules.analysis_reliability import Method, Reliability, drawn_reliability, reliability

# How many persons gave each pattern, from 00000 and 00001 to 11111.
LSAT6 = (
    *(3, 6, 2, 11, 1, 1, 3, 4, 1, 8, 0, 16, 0, 3, 2, 15),
    *(10, 29, 14, 81, 3, 28, 15, 80, 16, 56, 21, 173, 11, 61, 28, 298),
)
LSAT7 = (
    *(12, 19, 1, 7, 3, 19, 3, 17, 10, 5, 3, 7, 7, 23, 8, 28),
    *(7, 39, 11, 34, 14, 51, 15, 90, 6, 25, 7, 35, 18, 136, 32, 308),
)
PATTERNS = np.array(list(product((0, 1), repeat=5)), np.int8)
EXERCISE = "11111 11110 11100 11010 10100 11000 01000 10000 00000 11111"


def responses(marks):
    marks = np.asarray(marks, np.int8)
    return Responses(tuple(f"q{n + 1}" for n in range(marks.shape[1])), marks)


def published(counts):
    return responses(np.repeat(PATTERNS, counts, axis=0))


def exercise():
    return responses([[int(mark) for mark in row] for row in EXERCISE.split()])


@pytest.mark.parametrize(
    ("counts", "facilities"),
    [(LSAT6, (0.924, 0.709, 0.553, 0.763, 0.870)), (LSAT7, (0.828, 0.658, 0.772, 0.606, 0.843))],
)
def test_facilities_are_as_published(counts, facilities):
    figures = question_figures(published(counts))
    assert tuple(one.facility for one in figures) == facilities
    assert {one.answers for one in figures} == {1000}


@pytest.mark.parametrize(
    ("table", "value", "low", "high"),
    [
        (published(LSAT6), "0.294997", "0.22347", "0.36180"),
        (published(LSAT7), "0.453409", "0.39796", "0.50520"),
        (exercise(), "0.767045", "0.41942", "0.93389"),
    ],
)
def test_alpha_and_its_interval_are_those_of_the_published_counts(table, value, low, high):
    found = reliability(table)
    assert found.method is Method.ALPHA
    assert f"{found.value:.6f}" == value
    assert tuple(f"{end:.5f}" for end in found.interval) == (low, high)


@pytest.mark.parametrize(
    ("table", "value"),
    [
        (published(LSAT6), (0.112833, 0.153178, 0.172779, 0.144428, 0.121596)),
        (published(LSAT7), (0.245732, 0.246674, 0.313179, 0.222751, 0.174786)),
        (exercise(), (0.4643, 0.4286, 0.5385, 0.6864, 0.5898)),
    ],
)
def test_each_question_goes_with_the_rest_as_in_the_published_counts(table, value):
    found = [one.discrimination.value for one in question_figures(table)]
    assert found == pytest.approx(value, abs=5e-7 if table.people == 1000 else 5e-5)


def test_the_standard_error_of_measurement_takes_the_variance_for_people_like_these():
    found = reliability(published(LSAT6))
    assert f"{found.error:.5f}" == "0.86907"
    assert f"{np.sqrt(found.variance * (1 - found.value)):.5f}" == "0.86863"


@pytest.mark.parametrize(
    ("table", "cut", "agreed", "kappa"),
    [
        (exercise(), 3, "0.741835", "0.483098"),
        (exercise(), 4, "0.783251", "0.508238"),
        (published(LSAT6), 3, "0.829431", None),
        (published(LSAT6), 4, "0.583198", None),
        (published(LSAT7), 3, "0.795507", None),
        (published(LSAT7), 4, "0.614642", None),
    ],
)
def test_decision_consistency_is_subkoviaks(table, cut, agreed, kappa):
    found = analyse(table, cut).consistency
    assert f"{found.agreed:.6f}" == agreed
    assert kappa is None or f"{found.kappa:.6f}" == kappa


@pytest.mark.parametrize(("cut", "value"), [(3, "0.566616"), (4, "0.315937")])
def test_reliability_about_the_cut_is_livingstons(cut, value):
    assert f"{analyse(published(LSAT6), cut).consistency.about_cut:.6f}" == value


@pytest.mark.parametrize(("mean", "cut"), [(70, 80), (80, 70)])
def test_livingstons_figure_is_alike_on_either_side_of_the_cut(mean, cut):
    found = consistency(np.array([70]), np.array([100]), cut, Reliability(0.84, mean=mean, variance=100))
    assert found.about_cut == pytest.approx(0.92)


@pytest.mark.parametrize(
    ("right", "of", "low", "high"),
    [
        (3, 60, "0.017150", "0.137005"),
        (0, 50, "0.000000", "0.071348"),
        (45, 50, "0.786398", "0.956524"),
        (81, 263, "0.2553", "0.3662"),
        (15, 148, "0.0624", "0.1605"),
        (0, 20, "0.0000", "0.1611"),
        (1, 29, "0.0061", "0.1718"),
    ],
)
def test_the_interval_of_a_share_is_wilsons(right, of, low, high):
    places = len(low) - 2
    assert tuple(f"{end:.{places}f}" for end in wilson(right, of)) == (low, high)


@given(st.integers(1, 5000).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of))))
def test_the_interval_of_a_share_is_that_of_statsmodels(share):
    theirs = proportion_confint(*share, method="wilson")
    assert wilson(*share) == pytest.approx(theirs, abs=1e-12)


@st.composite
def full_tables(draw):
    """Random tables in which every question has both marks, and not all scores are alike."""
    people, questions = draw(st.integers(5, 60)), draw(st.integers(2, 12))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    chance = rng.random(questions)[None, :] * rng.random(people)[:, None]
    marks = (rng.random((people, questions)) < 0.2 + 0.8 * chance).astype(np.int8)
    marks[0], marks[1] = 0, 1
    marks[2, 0] = 1
    return marks


@settings(max_examples=30, deadline=None)
@given(full_tables())
def test_alpha_is_that_of_pingouin(marks):
    theirs, interval = pingouin.cronbach_alpha(pd.DataFrame(marks.astype(float)))
    ours = reliability(responses(marks))
    assert ours.value == pytest.approx(theirs, abs=1e-9)
    # It rounds its interval to three places.
    assert ours.interval == pytest.approx(tuple(interval), abs=5.001e-4)


@settings(max_examples=30, deadline=None)
@given(full_tables())
def test_alpha_and_its_interval_are_those_of_an_analysis_of_variance(marks):
    """Hoyt's way (Psychometrika 6:153, 1941): people by questions, one mark a cell."""
    people, questions = marks.shape
    left = marks - marks.mean(axis=0) - marks.mean(axis=1, keepdims=True) + marks.mean()
    between, free = people - 1, (people - 1) * (questions - 1)
    ratio = questions * marks.mean(axis=1).var(ddof=1) / ((left**2).sum() / free)
    ours = reliability(responses(marks))
    assert ours.value == pytest.approx(1 - 1 / ratio, abs=1e-9)
    ends = [1 - f.ppf(end, between, free) / ratio for end in (0.975, 0.025)]
    assert ours.interval == pytest.approx(ends, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(full_tables())
def test_the_question_with_the_rest_is_that_of_pingouin_and_scipy(marks):
    for place, one in enumerate(question_figures(responses(marks))):
        item, rest = marks[:, place].astype(float), np.delete(marks, place, axis=1).sum(axis=1).astype(float)
        if rest.min() == rest.max():
            assert one.discrimination.value is None
            continue
        theirs = pearsonr(item, rest)
        assert one.discrimination.value == pytest.approx(theirs.statistic, abs=1e-9)
        assert one.discrimination.value == pytest.approx(pingouin.corr(item, rest)["r"].iloc[0], abs=1e-9)
        if one.discrimination.interval is not None:
            interval = theirs.confidence_interval(0.95)
            assert one.discrimination.interval == pytest.approx((interval.low, interval.high), abs=1e-9)


@st.composite
def tables_with_holes(draw):
    marks = draw(full_tables())
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    return np.where(rng.random(marks.shape) < draw(st.floats(0.1, 0.7)), NOT_ASKED, marks)


@settings(max_examples=30, deadline=None)
@given(tables_with_holes())
def test_with_holes_the_rest_is_the_share_of_the_other_questions(marks):
    frame = pd.DataFrame(np.where(marks == NOT_ASKED, np.nan, marks))
    for place, one in enumerate(question_figures(responses(marks))):
        rest = frame.drop(columns=place).mean(axis=1)
        both = pd.DataFrame({"item": frame[place], "rest": rest}).dropna()
        assert one.answers == frame[place].count()
        spread = both.round(12).nunique()
        if len(both) < 2 or spread["item"] < 2 or spread["rest"] < 2:
            assert one.discrimination.value is None
        else:
            theirs = pearsonr(both["item"], both["rest"]).statistic
            assert one.discrimination.value == pytest.approx(theirs, abs=1e-9)


@settings(max_examples=30, deadline=None)
@given(full_tables())
def test_the_reliability_of_drawn_questions_is_the_one_way_icc_of_pingouin(marks):
    people, questions = marks.shape
    long = pd.DataFrame(
        {
            "person": np.repeat(np.arange(people), questions),
            "turn": np.tile(np.arange(questions), people),
            "mark": marks.ravel().astype(float),
        }
    )
    theirs = pingouin.intraclass_corr(long, targets="person", raters="turn", ratings="mark")
    one_way = theirs.set_index("Type").loc["ICC(1,k)"]
    ours = drawn_reliability(np.full(people, questions), marks.sum(axis=1))
    if (marks == marks[:, :1]).all():
        # It says 1 and an interval of no width; of such a table nothing is said here.
        assert ours.value is None
        return
    assert ours.value == pytest.approx(one_way["ICC"], abs=1e-9)
    # It rounds its interval to two places.
    assert ours.interval == pytest.approx(tuple(one_way["CI95"]), abs=5.001e-3)
    ratio, between, within = one_way["F"], one_way["df1"], one_way["df2"]
    low = 1 - f.ppf(0.975, between, within) / ratio
    high = 1 - 1 / (ratio * f.ppf(0.975, within, between))
    assert ours.interval == pytest.approx((low, high), abs=1e-9)


@pytest.mark.parametrize(("counts", "kr_21"), [(LSAT6, 0.19644), (LSAT7, 0.41504)])
def test_the_reliability_of_drawn_questions_is_kr_21_up_to_a_thousandth(counts, kr_21):
    scores = published(counts).marks.sum(axis=1)
    found = drawn_reliability(np.full(len(scores), 5), scores)
    assert found.method is Method.DRAWN
    # KR-21 divides by n where this divides by n - 1.
    assert found.value == pytest.approx(kr_21, abs=1.5e-3)


def test_the_binomial_error_of_drawn_questions_is_lords():
    """Lord 1955: 32 of 40 right, 2.56205; everybody here has it or the other side of the same."""
    found = drawn_reliability(np.full(4, 40), np.array([32, 32, 32, 8]))
    assert f"{found.error:.5f}" == "2.56205"


def pairwise_by_logistic_regression(marks):
    """The same likelihood, fitted as a logistic regression on pairs of questions."""
    questions = marks.shape[1]
    rows, counts = [], []
    for one in range(questions):
        for other in range(one + 1, questions):
            row = np.zeros(questions)
            row[one], row[other] = 1, -1
            asked_one, asked_other = marks[:, one], marks[:, other]
            first = ((asked_one == 1) & (asked_other == 0)).sum()
            second = ((asked_one == 0) & (asked_other == 1)).sum()
            if first + second:
                rows.append(row[1:])
                counts.append((first, second))
    fitted = sm.GLM(np.array(counts), np.array(rows), family=sm.families.Binomial()).fit(tol=1e-14)
    ease = np.concatenate(([0.0], fitted.params))
    return ease.mean() - ease


def conditional_by_scipy(marks):
    """Full conditional maximum likelihood of a full table: given the score, which questions were right."""
    questions = marks.shape[1]
    scores = marks.sum(axis=1)
    by_score = np.bincount(scores, minlength=questions + 1)
    right = marks.sum(axis=0)

    def loss(free):
        difficulty = np.concatenate(([0.0], free))
        symmetric = np.zeros(questions + 1)
        symmetric[0] = 1
        for each in np.exp(-difficulty):
            symmetric[1:] += each * symmetric[:-1].copy()
        return right @ difficulty + by_score @ np.log(symmetric)

    found = minimize(loss, np.zeros(questions - 1), method="BFGS", options={"gtol": 1e-8})
    difficulty = np.concatenate(([0.0], found.x))
    return difficulty - difficulty.mean()


@pytest.mark.parametrize("counts", [LSAT6, LSAT7])
def test_difficulties_are_those_of_a_logistic_regression_on_pairs(counts):
    table = published(counts)
    found = [one.logits for one in difficulties(table)]
    assert found == pytest.approx(pairwise_by_logistic_regression(table.marks), abs=1e-6)


@pytest.mark.parametrize("counts", [LSAT6, LSAT7])
def test_difficulties_are_within_half_a_standard_error_of_full_conditional_likelihood(counts):
    table = published(counts)
    theirs = conditional_by_scipy(table.marks)
    for one, other in zip(difficulties(table), theirs, strict=True):
        assert abs(one.logits - other) < one.error / 2


def simulated(rng, people, difficulty, drawn=None):
    ability = rng.normal(0.5, 1, people)
    chance = 1 / (1 + np.exp(difficulty[None, :] - ability[:, None]))
    marks = (rng.random(chance.shape) < chance).astype(np.int8)
    if drawn is not None:
        for row in marks:
            row[rng.permutation(len(difficulty))[drawn:]] = NOT_ASKED
    return responses(marks)


@pytest.mark.parametrize("drawn", [None, 8])
def test_simulated_difficulties_lie_in_95_of_100_intervals(drawn):
    """Over 25 papers of 20 questions: 500 intervals, of which a true rate of 0.95 leaves between 0.92 and
    0.98 holding, three standard errors of the simulation either way."""
    rng = np.random.default_rng(1960)
    held = []
    for _ in range(25):
        difficulty = rng.normal(0, 1, 20)
        found = difficulties(simulated(rng, 400, difficulty, drawn))
        true = difficulty - difficulty.mean()
        held += [abs(one.logits - at) <= 1.96 * one.error for one, at in zip(found, true, strict=True)]
    assert len(held) == 500
    assert 0.92 <= np.mean(held) <= 0.98


def test_simulated_difficulties_of_drawn_questions_are_those_of_pairs():
    table = simulated(np.random.default_rng(8), 400, np.linspace(-2, 2, 15), 6)
    found = [one.logits for one in difficulties(table)]
    assert found == pytest.approx(pairwise_by_logistic_regression(table.marks), abs=1e-6)


def test_the_reliability_of_drawn_papers_is_what_a_second_draw_shows():
    """Two draws of 20 from a bank of 400 for each of 4,000 people: their scores go together as foretold."""
    rng = np.random.default_rng(1955)
    ability, difficulty = rng.normal(0.5, 1, 4000), rng.normal(0, 1, 400)
    scores = []
    for _ in range(2):
        asked = rng.integers(0, 400, (4000, 20))
        chance = 1 / (1 + np.exp(difficulty[asked] - ability[:, None]))
        scores.append((rng.random(chance.shape) < chance).sum(axis=1))
    found = drawn_reliability(np.full(4000, 20), scores[0])
    again = pearsonr(*scores).statistic
    assert found.value == pytest.approx(again, abs=0.02)
    low, high = found.interval
    assert low < again < high


def test_decisions_agree_somewhat_more_often_than_subkoviak_says():
    """His regressed chances lie closer together than people's true ones, so that his figure errs low."""
    rng = np.random.default_rng(1976)
    ability, difficulty = rng.normal(0.5, 1, 4000), rng.normal(0, 1, 400)
    passed, tables = [], []
    for _ in range(2):
        marks = np.full((4000, 400), NOT_ASKED, np.int8)
        for person in range(4000):
            asked = rng.permutation(400)[:20]
            chance = 1 / (1 + np.exp(difficulty[asked] - ability[person]))
            marks[person, asked] = rng.random(20) < chance
        tables.append(responses(marks))
        passed.append((marks == 1).sum(axis=1) >= 13)
    found = decided(tables[0], 13, reliability(tables[0]))
    again = float((passed[0] == passed[1]).mean())
    assert again - 0.06 < found.agreed < again
