"""Samples, against published figures, against scipy and statsmodels, and by counting every case.

Sources: the hypergeometric sizes, and the ranges of Clopper & Pearson, Biometrika 26:404 (1934), were worked
out anew with scipy.stats.hypergeom and beta; R. G. Newcombe, Stat Med 17:857 (1998), gives the exact range
of 81 of 263. statsmodels 0.14 and later,
stats.proportion.proportion_confint(method="beta"). ISO 2859-1:1999 by way of MIL-STD-105E's tables, its own
text not read. Largest remainders by hand.
"""

import hashlib
from decimal import Decimal
from fractions import Fraction
from itertools import product
from math import comb

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import hypergeom
from statsmodels.stats.proportion import proportion_confint

from competence.rules.sampling import (
    CannotSample,
    Outcome,
    Stratum,
    Tally,
    allocate,
    chance_of_at_most,
    clopper_pearson,
    draw,
    outcome,
    rank,
    read,
    smallest_sample,
    smallest_sample_by_site,
    tolerable_faults,
)
from competence.rules.sampling_plans import LETTERS, plan_for

NINETY_FIVE, NINETY = Fraction(95, 100), Fraction(9, 10)


# How many -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("population", "faults", "size"),
    [
        (500, 10, 129),
        (500, 25, 56),
        (500, 5, 225),
        (1000, 20, 138),
        (1000, 50, 57),
        (1000, 10, 258),
        (200, 10, 51),
        (200, 4, 105),
        (100, 5, 45),
        (60, 3, 38),
        (50, 5, 22),
        (10000, 200, 148),
    ],
)
def test_the_size_that_shows_no_fault_is_as_worked_out(population, faults, size):
    assert smallest_sample(population, faults, NINETY_FIVE) == size


@pytest.mark.parametrize(
    ("confidence", "allowed", "size"), [(NINETY, 0, 102), (NINETY_FIVE, 1, 196), (NINETY_FIVE, 2, 253)]
)
def test_other_confidence_and_faults_allowed(confidence, allowed, size):
    assert smallest_sample(500, 10, confidence, allowed) == size


def test_of_very_many_the_size_is_that_of_trials_one_by_one():
    """1 %: 299, 2 %: 149, 5 %: 59, 10 %: 29: the first n with (1 - p)^n at most 0.05."""
    for percent, size in ((1, 299), (2, 149), (5, 59), (10, 29)):
        population = 10_000_000
        found = smallest_sample(population, population * percent // 100, NINETY_FIVE)
        assert found == size
        assert (1 - percent / 100) ** size <= 0.05 < (1 - percent / 100) ** (size - 1)


def test_the_chance_next_to_the_size_is_as_worked_out():
    assert f"{chance_of_at_most(0, 500, 10, 129):.6f}" == "0.049005"
    assert f"{chance_of_at_most(0, 500, 10, 128):.6f}" == "0.050359"


@given(
    st.integers(3, 3000).flatmap(lambda n: st.tuples(st.just(n), st.integers(3, n))),
    st.sampled_from([Fraction(8, 10), NINETY, NINETY_FIVE, Fraction(99, 100)]),
    st.integers(0, 2),
)
def test_the_size_is_enough_and_one_fewer_is_not(about, confidence, allowed):
    """Held to in whole numbers, which know no rounding."""
    population, faults = about
    size = smallest_sample(population, faults, confidence, allowed)

    def is_enough(drawn):
        ways = sum(comb(faults, k) * comb(population - faults, drawn - k) for k in range(allowed + 1))
        return Fraction(ways, comb(population, drawn)) <= 1 - confidence

    assert is_enough(size)
    assert not is_enough(size - 1)


@given(st.integers(2, 400), st.data())
def test_the_chance_is_scipys(population, data):
    faults, drawn = data.draw(st.integers(0, population)), data.draw(st.integers(0, population))
    found = data.draw(st.integers(0, drawn))
    theirs = hypergeom.cdf(found, population, faults, drawn)
    assert chance_of_at_most(found, population, faults, drawn) == pytest.approx(theirs, abs=1e-9)


def test_a_tie_is_enough():
    """One fault in 20, none found in 19: a chance of exactly 1 in 20, which a binary fraction misses."""
    assert smallest_sample(20, 1, NINETY_FIVE) == 19


@pytest.mark.parametrize(
    ("population", "rate", "faults"),
    [(500, "0.02", 10), (60, "0.05", 3), (51, "0.05", 3), (100, "0.07", 7), (3, "0.01", 1)],
)
def test_the_tolerable_rate_in_records_is_rounded_up(population, rate, faults):
    """In binary 0.07 of 100 is 7.000000000000001, and would be 8."""
    assert tolerable_faults(population, Fraction(Decimal(rate))) == faults


@pytest.mark.parametrize(
    ("ask", "told"),
    [
        (lambda: tolerable_faults(0, Fraction(1, 50)), "no records to draw from"),
        (lambda: tolerable_faults(500, Fraction(0)), "more than 0 % and less than 100 %"),
        (lambda: tolerable_faults(500, Fraction(1)), "more than 0 % and less than 100 %"),
        (lambda: smallest_sample(500, 10, Fraction(49, 100)), "between 50 % and 99.9 %"),
        (lambda: smallest_sample(500, 10, Fraction(1)), "between 50 % and 99.9 %"),
        (lambda: smallest_sample(60, 2, NINETY_FIVE, 2), "would be too many already"),
        (lambda: draw(["a", "b"], 3, "1"), "a record is drawn only once"),
        (lambda: allocate(3, {"A": 2}), "a record is drawn only once"),
        (lambda: allocate(1, {"A": 2, "B": 2}), "one each at least"),
    ],
)
def test_what_cannot_be_sampled_is_said(ask, told):
    with pytest.raises(CannotSample, match=told):
        ask()


# Which ones -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("total", "sizes", "shares"),
    [
        (20, (120, 75, 33, 7), (10, 6, 3, 1)),
        (10, (53, 24, 23), (5, 3, 2)),
        # The least would get none, and is given one of the largest's.
        (10, (500, 480, 20), (5, 4, 1)),
        (3, (500, 2, 2, 0), (1, 1, 1, 0)),
    ],
)
def test_largest_remainders_with_one_each_at_least(total, sizes, shares):
    names = "ABCD"[: len(sizes)]
    assert tuple(allocate(total, dict(zip(names, sizes, strict=True))).values()) == shares


@given(st.lists(st.integers(0, 300), min_size=1, max_size=8).filter(any), st.data())
def test_shares_add_up_and_no_site_is_left_out_or_drawn_dry(sizes, data):
    named = {f"S{number}": size for number, size in enumerate(sizes)}
    total = data.draw(st.integers(sum(size > 0 for size in sizes), sum(sizes)))
    shares = allocate(total, named)
    assert sum(shares.values()) == total
    for name, size in named.items():
        assert (1 if size else 0) <= shares[name] <= size


KEYS = st.lists(st.text(min_size=1, max_size=8), min_size=1, max_size=40, unique=True)


@given(KEYS, st.text(max_size=8), st.randoms(), st.data())
def test_a_draw_can_be_done_again_in_any_order_and_repeats_nothing(keys, seed, shuffling, data):
    size = data.draw(st.integers(0, len(keys)))
    drawn = draw(keys, size, seed)
    shuffled = list(keys)
    shuffling.shuffle(shuffled)
    assert draw(shuffled, size, seed) == drawn
    assert len(set(drawn)) == len(drawn) == size
    assert set(drawn) <= set(keys)
    assert draw(keys, len(keys), seed)[:size] == drawn


def test_a_stranger_comes_to_the_same_draw_by_the_words_alone():
    """SHA-256 of seed, vertical bar, key; sorted as text; the first of them."""
    keys = [f"T{number:05}" for number in range(200)]
    by_hand = sorted(keys, key=lambda key: hashlib.sha256(b"4711|" + key.encode()).hexdigest())[:20]
    assert draw(keys, 20, "4711") == by_hand


def test_a_rank_is_what_a_terminal_says():
    """printf '%s' '4711|T00007' | sha256sum (GNU coreutils)."""
    assert rank("4711", "T00007") == "c485b825089feda71621d070ca772ba422209401dcd637d4b920ff1555036f8e"


def test_every_key_is_drawn_about_as_often():
    """200 seeds, 5 of 20: each key 50 times on average, with a standard deviation of 6.1."""
    keys = [f"{number}" for number in range(20)]
    drawn = [key for seed in range(200) for key in draw(keys, 5, str(seed))]
    assert all(25 <= drawn.count(key) <= 75 for key in keys)


# What it says ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("found", "drawn", "low", "high"),
    [
        (0, 50, "0.000000", "0.071122"),
        (3, 60, "0.010432", "0.139243"),
        (1, 20, "0.001265", "0.248733"),
        (0, 10, "0.000000", "0.308497"),
        (10, 10, "0.691503", "1.000000"),
        (45, 50, "0.781865", "0.966725"),
        # Newcombe 1998, the exact method; the last three from memory, and worked out anew.
        (81, 263, "0.2527", "0.3676"),
        (15, 148, "0.0578", "0.1617"),
        (0, 20, "0.0000", "0.1684"),
        (1, 29, "0.0009", "0.1776"),
    ],
)
def test_the_exact_range_of_a_share_is_as_published(found, drawn, low, high):
    places = len(low) - 2
    ours = clopper_pearson(found, drawn, NINETY_FIVE)
    assert tuple(f"{end:.{places}f}" for end in ours) == (low, high)


@given(st.integers(1, 2000), st.data(), st.sampled_from(["0.8", "0.9", "0.95", "0.99"]))
def test_the_exact_range_of_a_share_is_that_of_statsmodels(drawn, data, confidence):
    found = data.draw(st.integers(0, drawn))
    theirs = proportion_confint(found, drawn, alpha=1 - float(confidence), method="beta")
    assert clopper_pearson(found, drawn, Fraction(confidence)) == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize("confidence", [Fraction(8, 10), NINETY_FIVE])
def test_the_ranges_hold_at_least_as_often_as_they_say_in_every_case_there_is(confidence):
    """Every population up to 14, every sample of it, every number of faults: counted, not simulated."""
    for population in range(1, 15):
        for drawn in range(1, population + 1):
            readings = [read(k, [Stratum(population, drawn)], confidence) for k in range(drawn + 1)]
            for faults in range(population + 1):
                ways = [comb(faults, k) * comb(population - faults, drawn - k) for k in range(drawn + 1)]
                both_ways = [one.low <= faults <= one.high for one in readings]
                at_most = [faults <= one.at_most for one in readings]
                for held in (both_ways, at_most):
                    kept = sum(way for way, holds in zip(ways, held, strict=True) if holds)
                    assert Fraction(kept, comb(population, drawn)) >= confidence


SITES = [
    ((4, 2), (3, 1)),
    ((5, 2), (5, 3)),
    ((6, 3), (2, 1)),
    ((8, 6), (7, 5)),
    # Shares far apart: what is found comes nearly all from one of them.
    ((12, 1), (4, 4)),
    ((9, 1), (8, 7)),
    ((20, 2), (6, 6)),
    ((3, 2), (4, 2), (2, 1)),
]


@pytest.mark.parametrize("sites", SITES)
@pytest.mark.parametrize("confidence", [Fraction(8, 10), NINETY_FIVE])
def test_they_hold_too_where_each_site_is_drawn_from_by_itself_however_the_faults_lie(sites, confidence):
    strata = [Stratum(size, drawn) for size, drawn in sites]
    drawn = sum(one.drawn for one in strata)
    readings = [read(found, strata, confidence) for found in range(drawn + 1)]
    for lie in product(*(range(one.size + 1) for one in strata)):
        chances = chances_by_count(strata, lie)
        both_ways = [one.low <= sum(lie) <= one.high for one in readings]
        at_most = [sum(lie) <= one.at_most for one in readings]
        for held in (both_ways, at_most):
            assert sum(p for p, holds in zip(chances, held, strict=True) if holds) >= confidence


def chances_by_count(strata, lie):
    """The exact chance of each number of faults found: the sites' own, convolved."""
    chances = [Fraction(1)]
    for one, faults in zip(strata, lie, strict=True):
        of_site = [
            Fraction(comb(faults, k) * comb(one.size - faults, one.drawn - k), comb(one.size, one.drawn))
            for k in range(one.drawn + 1)
        ]
        longer = [Fraction(0)] * (len(chances) + one.drawn)
        for (i, p), (k, q) in product(enumerate(chances), enumerate(of_site)):
            longer[i + k] += p * q
        chances = longer
    return chances


@given(
    st.lists(st.integers(1, 40), min_size=2, max_size=4),
    st.sampled_from([Fraction(2, 100), Fraction(5, 100), Fraction(1, 10)]),
)
def test_by_site_the_size_shows_what_it_is_for_and_is_no_smaller_than_at_once(sizes, rate):
    named = {f"S{number}": size for number, size in enumerate(sizes)}
    tolerable = tolerable_faults(sum(sizes), rate)
    size = smallest_sample_by_site(named, tolerable, NINETY_FIVE)
    assert size >= smallest_sample(sum(sizes), tolerable, NINETY_FIVE)
    strata = [Stratum(named[name], share) for name, share in allocate(size, named).items()]
    assert read(0, strata, NINETY_FIVE).at_most < tolerable


@given(st.integers(2, 500), st.integers(1, 50), st.integers(0, 2))
def test_a_sample_that_passes_shows_what_it_was_drawn_to_show(population, percent, allowed):
    tolerable = tolerable_faults(population, Fraction(percent, 100))
    if allowed >= tolerable:
        return
    size = smallest_sample(population, tolerable, NINETY_FIVE, allowed)
    assert read(allowed, [Stratum(population, size)], NINETY_FIVE).at_most < tolerable


def test_nobody_finds_more_faults_than_were_drawn():
    with pytest.raises(ValueError, match="3 found of 2"):
        read(3, [Stratum(10, 2)], NINETY_FIVE)


@pytest.mark.parametrize(
    ("tally", "found"),
    [
        (Tally(met=10), Outcome.SHOWN),
        (Tally(met=9, fault=1), Outcome.NOT_SHOWN),
        (Tally(met=9, cannot_tell=1), Outcome.UNSETTLED),
        (Tally(met=9, unanswered=1), Outcome.UNSETTLED),
        (Tally(met=8, fault=1, unanswered=1), Outcome.NOT_SHOWN),
    ],
)
def test_what_has_no_verdict_is_never_taken_for_good(tally, found):
    assert outcome(tally, 0) is found


# ISO 2859-1 -----------------------------------------------------------------------------------------------


def test_code_letters_and_sizes_of_general_level_ii():
    """ISO 2859-1:1999, tables 1 and 2-A [secondary: MIL-STD-105E]."""
    assert LETTERS == (
        (51, 90, "E", 13),
        (91, 150, "F", 20),
        (151, 280, "G", 32),
        (281, 500, "H", 50),
        (501, 1200, "J", 80),
        (1201, 3200, "K", 125),
        (3201, 10000, "L", 200),
    )


@pytest.mark.parametrize(
    ("lot", "letter", "size", "reject"),
    [
        (281, "H", 50, (2, 3, 4, 6, 8)),
        (500, "H", 50, (2, 3, 4, 6, 8)),
        (501, "J", 80, (3, 4, 6, 8, 11)),
        (1200, "J", 80, (3, 4, 6, 8, 11)),
    ],
)
def test_single_plans_of_normal_inspection(lot, letter, size, reject):
    """Reject numbers at 1.0, 1.5, 2.5, 4.0 and 6.5 % [secondary: MIL-STD-105E]."""
    plans = [plan_for(lot, Decimal(level)) for level in ("1.0", "1.5", "2.5", "4.0", "6.5")]
    assert {(plan.letter, plan.size) for plan in plans} == {(letter, size)}
    assert tuple(plan.reject for plan in plans) == reject
    assert all(plan.accept == plan.reject - 1 for plan in plans)


@pytest.mark.parametrize(
    ("lot", "level", "told"),
    [
        (50, "1.0", "51 to 10000"),
        (10001, "1.0", "51 to 10000"),
        (280, "1.0", "code letter G"),
        (1201, "6.5", "code letter K"),
        (500, "0.65", "1.0, 1.5, 2.5, 4.0 and 6.5"),
    ],
)
def test_a_plan_that_is_not_carried_is_not_made_up(lot, level, told):
    with pytest.raises(CannotSample, match=told):
        plan_for(lot, Decimal(level))
