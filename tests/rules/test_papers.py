"""Papers: a draw meets its blueprint or says why not; what answers amount to; when the next try may be."""

import random
from collections import Counter
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from assessments.rules.papers import (
    BankItem,
    BankTooSmall,
    Line,
    NextAttempt,
    PaperResult,
    angoff,
    draw,
    next_attempt,
    result,
    shortfalls,
)

DAY = date(2026, 3, 10)


@st.composite
def banks_and_lines(draw_from):
    """A bank that meets its blueprint, some of it seen before."""
    items, lines = [], []
    for topic in draw_from(st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=6, unique=True)):
        held = draw_from(st.integers(1, 8))
        seen = st.none() | st.floats(0, 1e9)
        items += [BankItem(f"{topic}-{n}", topic, draw_from(seen)) for n in range(held)]
        lines.append(Line(topic, draw_from(st.integers(1, held))))
    return items, lines


@given(banks_and_lines(), st.integers(0, 2**53))
def test_a_draw_meets_its_blueprint_with_each_question_once(made, seed):
    items, lines = made
    drawn = draw(items, lines, seed)
    topics = Counter(code.split("-")[0] for code in drawn)
    assert topics == {line.topic: line.questions for line in lines}
    assert len(set(drawn)) == len(drawn)


@given(banks_and_lines(), st.integers(0, 2**53), st.randoms())
def test_the_same_seed_draws_the_same_whatever_the_order_of_the_banks_rows(made, seed, shuffled):
    items, lines = made
    other = list(items)
    shuffled.shuffle(other)
    assert draw(items, lines, seed) == draw(other, lines, seed)


def test_a_known_seed_draws_a_known_paper_so_that_no_version_of_python_changes_it_unseen():
    bank = [BankItem(f"q{n}", "ab"[n % 2]) for n in range(8)]
    assert draw(bank, [Line("a", 2), Line("b", 1)], 2026) == ["q4", "q6", "q1"]


@given(banks_and_lines(), st.integers(0, 2**53))
def test_nothing_seen_is_drawn_while_something_unseen_is_left(made, seed):
    items, lines = made
    drawn = set(draw(items, lines, seed))
    for line in lines:
        of_topic = [item for item in items if item.topic == line.topic]
        left = [item for item in of_topic if item.code not in drawn]
        taken = [item for item in of_topic if item.code in drawn]
        latest = max((-1 if item.last_seen is None else item.last_seen) for item in taken)
        assert all((-1 if item.last_seen is None else item.last_seen) >= latest for item in left)


def test_a_bank_too_small_names_each_topic_and_how_many_are_missing():
    bank = [BankItem("a-1", "a"), BankItem("b-1", "b")]
    lines = [Line("a", 1), Line("b", 3), Line("c", 2)]
    assert [(one.topic, one.missing) for one in shortfalls(bank, lines)] == [("b", 2), ("c", 2)]
    with pytest.raises(BankTooSmall, match="b: 2 short, c: 2 short"):
        draw(bank, lines, 1)


def test_over_a_thousand_draws_every_question_comes_up_about_equally_often():
    """Each draw takes 3 of 12, so a count has mean 250 and variance 1000 * 1/4 * 3/4; the counts' sum is
    fixed, so their squared deviations, over that variance times 12/11, are chi-square with 11 degrees of
    freedom. Bounded at its 0.999 quantile: 31.3. The seeds are fixed, so this does not flicker."""
    bank = [BankItem(f"q{n:02}", "a") for n in range(12)]
    counts = Counter(code for seed in range(1000) for code in draw(bank, [Line("a", 3)], seed))
    variance = 1000 * (3 / 12) * (9 / 12) * 12 / 11
    away = sum((counts[item.code] - 250) ** 2 for item in bank) / variance
    assert away < chi2.ppf(0.999, df=11)
    # A draw that favoured one question by a tenth would be found out.
    favoured = {**counts, "q00": counts["q00"] + 75, "q01": counts["q01"] - 75}
    assert sum((n - 250) ** 2 for n in favoured.values()) / variance > chi2.ppf(0.999, df=11)


def test_every_place_of_a_paper_is_any_topics():
    bank = [BankItem(f"{topic}{n}", topic) for topic in "ab" for n in range(3)]
    firsts = Counter(draw(bank, [Line("a", 1), Line("b", 1)], seed)[0][0] for seed in range(1000))
    assert abs(firsts["a"] - 500) < 4 * (1000 / 4) ** 0.5


# Results -------------------------------------------------------------------------------------------------

LINES = [Line("raising", 2, 2), Line("leaks", 3)]


def answers(raising, leaks):
    return [("raising", n < raising) for n in range(2)] + [("leaks", n < leaks) for n in range(3)]


@pytest.mark.parametrize(
    ("raising", "leaks", "is_passed"),
    [(2, 1, True), (2, 3, True), (2, 0, False), (1, 3, False), (0, 3, False)],
)
def test_a_paper_is_passed_by_its_cut_and_by_every_critical_topic(raising, leaks, is_passed):
    assert result(LINES, answers(raising, leaks), 3).is_passed is is_passed


def test_a_critical_topic_is_named_though_the_total_passes():
    found = result(LINES, answers(1, 3), 3)
    assert found.right >= found.cut
    assert [(one.topic, one.right, one.must_be_right) for one in found.unmet] == [("raising", 1, 2)]


def test_a_result_comes_back_from_its_plain_form_unchanged():
    found = result(LINES, answers(1, 2), 3)
    assert PaperResult.from_plain(found.as_plain()) == found


# Attempts ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("past", "expected"),
    [
        ([], NextAttempt(DAY, 2)),
        ([(0, False)], NextAttempt(DAY + timedelta(days=3), 1)),
        ([(-2, False)], NextAttempt(DAY + timedelta(days=1), 1)),
        ([(-9, False)], NextAttempt(DAY, 1)),
        ([(-9, False), (-5, False)], NextAttempt(None, 0)),
        ([(-9, False), (-5, True)], NextAttempt(DAY, 2)),
        ([(-9, False), (-5, True), (-1, False)], NextAttempt(DAY + timedelta(days=2), 1)),
    ],
)
def test_when_a_paper_may_be_sat_next(past, expected):
    days = [(DAY + timedelta(days=n), is_passed) for n, is_passed in past]
    assert next_attempt(days, attempts=2, wait_days=2, today=DAY) == expected


# Panels --------------------------------------------------------------------------------------------------


def test_a_topics_mean_rating_counts_once_for_each_question_drawn_of_it():
    ratings = {"Ada": {"a": [0.6, 0.8], "b": [0.5]}, "Bram": {"a": [0.8, 0.8], "b": [0.9]}}
    cut = angoff(ratings, [Line("a", 3), Line("b", 2)])
    assert cut.judges == pytest.approx({"Ada": 3.1, "Bram": 4.2})
    assert (cut.questions, cut.cut) == (5, 4)
    assert cut.share == pytest.approx(0.73)


def test_the_cut_is_rounded_up_and_a_whole_mean_stays():
    whole = {judge: {"a": [0.6]} for judge in ("Ada", "Bram")}
    assert angoff(whole, [Line("a", 5)]).cut == 3
    above = {"Ada": {"a": [0.6]}, "Bram": {"a": [0.62]}}
    assert angoff(above, [Line("a", 5)]).cut == 4


@given(st.integers(2, 6), st.integers(1, 8), st.integers())
def test_the_cut_lies_among_the_judges_scores(judges, topics, seed):
    rng = random.Random(seed)  # noqa: S311 -- to be repeated
    lines = [Line(str(n), rng.randint(1, 5)) for n in range(topics)]
    ratings = {
        str(judge): {line.topic: [rng.random() for _ in range(rng.randint(1, 4))] for line in lines}
        for judge in range(judges)
    }
    found = angoff(ratings, lines)
    scores = found.judges.values()
    assert min(scores) - 1e-9 <= found.mean <= max(scores) + 1e-9
    assert 1 <= found.cut <= found.questions
    assert found.se == pytest.approx(found.sd / judges**0.5)


def test_one_judge_is_no_panel_and_a_topic_that_nobody_rated_is_named():
    with pytest.raises(ValueError, match="at least 2 judges; this one has 1"):
        angoff({"Ada": {"a": [0.5]}}, [Line("a", 1)])
    with pytest.raises(ValueError, match="Bram rated no question of b"):
        angoff({"Ada": {"a": [0.5], "b": [0.5]}, "Bram": {"a": [0.5]}}, [Line("a", 1), Line("b", 1)])
