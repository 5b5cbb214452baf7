"""The chance of falling short, against scipy's binomial, plain enumeration and published values.

Poisson-binomial: the distribution of a sum of unequal coin tosses (Wang 1993). Values recomputed by hand from
the definition stand beside their test.
"""

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from competence.rules.chances import (
    FIRST_GUESS,
    History,
    chance_of_fewer,
    distribution,
    pass_rates,
)

CHANCES = st.lists(st.floats(0, 1), max_size=12)


# Nearer nought than this, scipy's own binomial overflows.
@given(st.integers(0, 40), st.one_of(st.just(0.0), st.floats(1e-9, 1)))
def test_equal_chances_are_the_binomial(count, chance):
    expected = stats.binom.pmf(range(count + 1), count, chance)
    assert np.allclose(distribution([chance] * count), expected, rtol=1e-9, atol=1e-12)


@settings(max_examples=40, deadline=None)
@given(CHANCES)
def test_unequal_chances_are_the_sum_over_every_outcome(chances):
    expected = np.zeros(len(chances) + 1)
    for outcome in itertools.product((0, 1), repeat=len(chances)):
        expected[sum(outcome)] += math.prod(
            chance if passed else 1 - chance for passed, chance in zip(outcome, chances, strict=True)
        )
    assert np.allclose(distribution(chances), expected, atol=1e-12)


def test_worked_examples():
    assert distribution([0.9] * 4) == pytest.approx([0.0001, 0.0036, 0.0486, 0.2916, 0.6561])
    assert distribution([0.9, 0.8, 0.5]) == pytest.approx([0.01, 0.14, 0.49, 0.36])
    five = [0.95, 0.9, 0.9, 0.8, 0.6]
    assert 1 - chance_of_fewer(3, certain=0, chances=five) == pytest.approx(0.97296)
    assert 1 - chance_of_fewer(4, certain=0, chances=five) == pytest.approx(0.80946)
    assert distribution([1, 0, 0.5]) == pytest.approx([0, 0.5, 0.5, 0])


@given(st.integers(0, 6), st.integers(0, 6), CHANCES)
def test_the_chance_of_falling_short_is_never_below_the_certain_case(minimum, certain, chances):
    """Everybody passing is the best there is, nobody the worst."""
    chance = chance_of_fewer(minimum, certain=certain, chances=chances)
    assert chance >= (1.0 if certain + len(chances) < minimum else 0.0)
    assert chance <= (0.0 if certain >= minimum else 1.0)


@given(st.integers(1, 6), st.integers(0, 4), CHANCES, st.floats(0, 1))
def test_one_more_chance_never_makes_it_worse(minimum, certain, chances, another):
    before = chance_of_fewer(minimum, certain=certain, chances=chances)
    assert chance_of_fewer(minimum, certain=certain, chances=[*chances, another]) <= before + 1e-12


def test_what_is_no_chance_is_refused():
    with pytest.raises(ValueError, match="no chance"):
        distribution([1.2])


def test_a_category_with_little_history_leans_on_the_others():
    rates = pass_rates({"dumper": History(180, 20), "roller": History(0, 1), "grader": History(0, 0)})
    assert rates["dumper"] == pytest.approx(0.9, abs=0.01)
    assert 0.8 < rates["roller"] < rates["grader"] < 0.9
    assert pass_rates({"dumper": History(0, 0)})["dumper"] == pytest.approx(FIRST_GUESS)
