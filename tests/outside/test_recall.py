"""The model of recall against values published for FSRS-6, and the register's fold against the library.

Sources: the forgetting curve and its parameters as published for FSRS-6, R(t,S) = (1 + f·t/S)^(−w20) with
f = 0.9^(−1/w20) − 1 and w20 = .1542; first stabilities and difficulties are its parameters w0 to w3 and
w4 − e^(w5·(rating−1)) + 1; the series of days is that of the tests of the library ``fsrs``, 6.3.2.
"""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from fsrs import Card, Rating, Scheduler

from assessments.rules.recall import How, Memory, Seen, recall_of

UTC_ZONE = ZoneInfo("UTC")
FIRST = date(2026, 1, 5)
HIGH = 1000.0


def at(days):
    return datetime.combine(FIRST + timedelta(days=days), time(8, 30), UTC)


def fold(*days_and_hows):
    (recall,) = recall_of([Seen("leaks", at(days), how) for days, how in days_and_hows], UTC_ZONE).values()
    return recall


@pytest.mark.parametrize(
    ("ratio", "recall"), [(0.5, 0.94034), (1, 0.9), (2, 0.84588), (5, 0.76053), (10, 0.69283)]
)
def test_recall_after_so_many_times_the_stability(ratio, recall):
    memory = Memory(FIRST, HIGH, 5.0)
    assert memory.recall(FIRST + timedelta(days=int(ratio * HIGH))) == pytest.approx(recall, abs=5e-6)


@pytest.mark.parametrize(
    ("level", "ratio"), [(0.95, 0.40256), (0.9, 1), (0.85, 1.90643), (0.8, 3.31596), (0.7, 9.28791)]
)
def test_the_interval_for_a_level_in_stabilities(level, ratio):
    assert (Memory(FIRST, HIGH, 5.0).due_on(level) - FIRST).days == int(ratio * HIGH)


@pytest.mark.parametrize("stability", [1, 7, 46, 365])
def test_it_is_nine_in_ten_when_as_many_days_have_passed_as_the_stability(stability):
    memory = Memory(FIRST, float(stability), 5.0)
    assert memory.recall(FIRST + timedelta(days=stability)) == pytest.approx(0.9)
    assert memory.due_on(0.9) == FIRST + timedelta(days=stability)


@pytest.mark.parametrize(
    ("how", "stability", "difficulty"),
    [
        (How.WRONG, 0.212, 6.4133),
        (How.MISSED, 0.212, 6.4133),
        (How.PROMPTED, 1.2931, 5.1122),
        (How.NOT_REACHED, 1.2931, 5.1122),
        (How.RIGHT, 2.3065, 2.1181),
    ],
)
def test_what_is_first_seen(how, stability, difficulty):
    memory = fold((0, how)).memory
    assert memory.stability == pytest.approx(stability, abs=5e-5)
    assert memory.difficulty == pytest.approx(difficulty, abs=5e-5)


def test_the_publishers_own_series_of_days_and_the_fold_along_it():
    """Good six times, again twice, good five times, each on its due date, as the library's defaults space
    them; on the same days the register's fold holds the same stability and difficulty."""
    scheduler, card, moment = Scheduler(enable_fuzzing=False), Card(0), at(0)
    ratings = [Rating.Good] * 6 + [Rating.Again] * 2 + [Rating.Good] * 5
    spaced, history = [], []
    for rating in ratings:
        card, _ = scheduler.review_card(card, rating, moment)
        history.append(Seen("leaks", moment, How.RIGHT if rating is Rating.Good else How.WRONG))
        memory = recall_of(history, UTC_ZONE)["leaks"].memory
        assert memory.stability == pytest.approx(card.stability, rel=1e-9)
        assert memory.difficulty == pytest.approx(card.difficulty, rel=1e-9)
        spaced.append((card.due - card.last_review).days)
        moment = card.due
    assert spaced == [0, 2, 11, 46, 163, 498, 0, 0, 2, 4, 7, 12, 21]


def test_recall_is_the_librarys_on_every_day():
    scheduler, card = Scheduler(enable_fuzzing=False), Card(0)
    card, _ = scheduler.review_card(card, Rating.Good, at(0))
    recall = fold((0, How.RIGHT))
    for days in range(400):
        assert recall.recall(FIRST + timedelta(days=days)) == scheduler.get_card_retrievability(
            card, at(days)
        )


def test_time_is_cut_to_whole_days():
    """After a first stability of 8.2956 days, eight whole days later it is .90247, not .9."""
    assert Memory(FIRST, 8.2956, 1.0).recall(FIRST + timedelta(days=8)) == pytest.approx(0.90247, abs=5e-6)
