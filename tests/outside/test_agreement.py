"""Agreement, against published tables and against two other programs.

Sources: Cohen, Educ Psychol Meas 20:37 (1960), and Psychol Bull 70:213 (1968); Fleiss, Cohen & Everitt,
Psychol Bull 72:323 (1969), the standard error; Agresti, "Categorical data analysis", married couples' ratings
(vcd in R carries it as SexualFun); Gwet, Br J Math Stat Psychol 61:29 (2008), the table of the paradox.
statsmodels 0.14 and later, stats.inter_rater.cohens_kappa; scikit-learn, metrics.cohen_kappa_score.
The figures to four and five places were worked out with those two programs; where a published one is known
only from memory it says so.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa

from assessments.rules.agreement import Weighting, kappa

NONE, LINEAR, QUADRATIC = Weighting.NONE, Weighting.LINEAR, Weighting.QUADRATIC

FIFTY = ((20, 5), (10, 15))
HUNDRED = ((45, 15), (25, 15))
COHEN_1968 = ((88, 14, 18), (10, 40, 10), (2, 6, 12))
AGRESTI = ((7, 7, 2, 3), (2, 8, 3, 7), (1, 5, 4, 9), (2, 8, 9, 14))
PARADOX = ((118, 5), (2, 0))


@pytest.mark.parametrize(
    ("table", "weighting", "value"),
    [
        (FIFTY, NONE, "0.4000"),
        (HUNDRED, NONE, "0.1304"),
        (COHEN_1968, NONE, "0.49153"),
        (COHEN_1968, LINEAR, "0.47368"),
        (COHEN_1968, QUADRATIC, "0.45455"),
        # Disagreement weights as Cohen 1968 gives them; published .348, from memory.
        (COHEN_1968, ((0, 1, 3), (1, 0, 6), (3, 6, 0)), "0.34783"),
        (AGRESTI, NONE, "0.1293"),
        (AGRESTI, LINEAR, "0.2374"),
        (AGRESTI, QUADRATIC, "0.3320"),
        # 118 of 125 agreed, and kappa is below nought: both marked nearly all alike.
        (PARADOX, NONE, "-0.02339"),
    ],
)
def test_kappa_is_as_published(table, weighting, value):
    places = len(value.partition(".")[2])
    assert f"{kappa(table, weighting).value:.{places}f}" == value


@pytest.mark.parametrize(
    ("table", "error"), [(FIFTY, "0.1270"), (COHEN_1968, "0.05100"), (AGRESTI, "0.0686")]
)
def test_its_standard_error_is_as_published(table, error):
    places = len(error.partition(".")[2])
    assert f"{kappa(table).standard_error:.{places}f}" == error


def test_its_interval_is_as_published():
    low, high = kappa(FIFTY).interval
    assert (f"{low:.4f}", f"{high:.4f}") == ("0.1511", "0.6489")


@st.composite
def tables(draw):
    """Tables on which no program divides by nought: something is in every row, and in every column."""
    size = draw(st.integers(2, 5))
    row = st.lists(st.integers(0, 40), min_size=size, max_size=size)
    table = draw(st.lists(row, min_size=size, max_size=size))
    for n in range(size):
        table[n][n] += 1
    return tuple(map(tuple, table))


@given(table=tables(), weighting=st.sampled_from([NONE, LINEAR, QUADRATIC]))
def test_value_and_standard_error_are_those_of_statsmodels(table, weighting):
    theirs = cohens_kappa(table, wt=None if weighting is NONE else weighting.value)
    ours = kappa(table, weighting)
    assert ours.value == pytest.approx(theirs.kappa, abs=1e-12)
    assert ours.standard_error**2 == pytest.approx(theirs.var_kappa, abs=1e-12)
    if ours.interval:
        low, high = theirs.kappa_low, theirs.kappa_upp
        assert ours.interval == pytest.approx((max(low, -1), min(high, 1)), abs=1e-9)


@given(table=tables(), weighting=st.sampled_from([NONE, LINEAR, QUADRATIC]))
def test_the_value_is_that_of_scikit_learn(table, weighting):
    cells = [(r, c) for r, row in enumerate(table) for c, count in enumerate(row) for _ in range(count)]
    first, second = zip(*cells, strict=True)
    theirs = cohen_kappa_score(first, second, weights=None if weighting is NONE else weighting.value)
    assert kappa(table, weighting).value == pytest.approx(theirs, abs=1e-12)
