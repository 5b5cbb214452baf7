"""Recall: when a topic falls due, what a miss does to that, and what a refresher asks."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessments.rules.papers import Line
from assessments.rules.recall import HALF_MISSES, MISSES, How, Seen, due_on, recall_of, weakest

LONDON = ZoneInfo("Europe/London")
START = datetime(2026, 3, 2, 9, tzinfo=UTC)
DAY = timedelta(days=1)
LEVELS = [0.5, 0.7, Decimal("0.85"), 0.9, 0.95]
ANY_MISS = MISSES | HALF_MISSES


def seen(*days_and_hows, topic="tyres-wheels"):
    """Sightings so many days after the start, an hour apart where one day has several."""
    return [
        Seen(topic, START + days * DAY + place * timedelta(minutes=1), how)
        for place, (days, how) in enumerate(days_and_hows)
    ]


def one(*days_and_hows, zone=LONDON):
    (recall,) = recall_of(seen(*days_and_hows), zone).values()
    return recall


def days_until_due(*days_and_hows, level=0.85):
    due = one(*days_and_hows).due_on(level)
    return None if due is None else (due - START.date()).days


class TestOneTopic:
    def test_after_the_first_right_answer_it_falls_due_soon_and_then_ever_later(self):
        assert days_until_due((0, How.RIGHT)) == 4
        assert days_until_due((0, How.RIGHT), (4, How.RIGHT)) == 34
        assert days_until_due((0, How.RIGHT), (4, How.RIGHT), (34, How.RIGHT)) == 204

    def test_the_day_it_falls_due_is_the_last_on_which_recall_is_enough(self):
        recall = one((0, How.RIGHT), (4, How.RIGHT))
        for level in LEVELS:
            due = recall.due_on(level)
            assert recall.recall(due) >= float(level) > recall.recall(due + DAY)

    def test_what_was_never_answered_right_is_not_known(self):
        for how in How:
            if how is not How.RIGHT:
                recall = one((0, how), (1, how))
                assert (recall.is_known, recall.recall(START.date()), recall.due_on(0.5)) == (
                    False,
                    0.0,
                    None,
                )

    @pytest.mark.parametrize("how", sorted(ANY_MISS))
    def test_a_miss_brings_the_date_nearer_and_an_answer_of_another_day_takes_it_back(self, how):
        known = [(0, How.RIGHT), (4, How.RIGHT), (34, How.RIGHT)]
        missed = days_until_due(*known, (40, how))
        assert 40 <= missed < days_until_due(*known)
        assert days_until_due(*known, (40, how), (40, How.RIGHT)) == missed, (
            "one answer on the day itself does not"
        )
        assert missed < days_until_due(*known, (40, how), (41, How.RIGHT))

    def test_half_a_miss_costs_something_and_less_than_a_miss(self):
        known = [(0, How.RIGHT), (4, How.RIGHT), (34, How.RIGHT)]
        missed, prompted = (days_until_due(*known, (40, how)) for how in (How.MISSED, How.PROMPTED))
        assert missed < prompted < days_until_due(*known)

    def test_a_date_that_has_passed_is_not_put_off_by_another_miss(self):
        assert days_until_due((0, How.RIGHT)) == 4
        assert days_until_due((0, How.RIGHT), (30, How.WRONG)) == 4

    def test_a_point_done_unprompted_moves_no_date(self):
        known = [(0, How.RIGHT), (4, How.RIGHT), (10, How.MISSED)]
        assert days_until_due(*known, (11, How.SHOWN)) == days_until_due(*known)
        assert one(*known, (11, How.SHOWN)).last_shown_on == (START + 11 * DAY).date()

    def test_at_one_moment_the_worse_holds(self):
        both = [Seen("leaks", START, How.WRONG), Seen("leaks", START, How.RIGHT)]
        assert recall_of(both, LONDON) == recall_of(both[::-1], LONDON)
        later = [Seen("leaks", START + 20 * DAY, how) for how in (How.WRONG, How.RIGHT)]
        first = [Seen("leaks", START, How.RIGHT)]
        wrong = recall_of([*first, *later], LONDON)["leaks"].due_on(0.85)
        assert wrong < recall_of([*first, later[1]], LONDON)["leaks"].due_on(0.85)

    def test_a_day_is_one_of_the_sites_calendar(self):
        """23:30 UTC on 1 June is half past midnight on 2 June in London."""
        late = [Seen("leaks", datetime(2026, 6, 1, 23, 30, tzinfo=UTC), How.RIGHT)]
        assert recall_of(late, LONDON)["leaks"].due_on(0.85) == date(2026, 6, 6)
        assert recall_of(late, ZoneInfo("UTC"))["leaks"].due_on(0.85) == date(2026, 6, 5)

    def test_what_cannot_be_is_refused(self):
        with pytest.raises(ValueError, match="without a zone"):
            recall_of([Seen("leaks", datetime(2026, 6, 1), How.RIGHT)], LONDON)
        for level in (0, 1, 85):
            with pytest.raises(ValueError, match="between 0 and 1"):
                one((0, How.RIGHT)).due_on(level)


class TestWhenQuestionsFallDue:
    RECALLS = recall_of(
        seen((0, How.RIGHT), topic="leaks")
        + seen((0, How.RIGHT), (4, How.RIGHT), topic="access")
        + seen((0, How.WRONG), topic="cab"),
        LONDON,
    )

    def test_the_soonest_of_the_critical_topics_decides(self):
        assert due_on(self.RECALLS, ["access", "leaks"], 0.85) == START.date() + 4 * DAY
        assert due_on(self.RECALLS, ["access"], 0.85) == START.date() + 34 * DAY

    def test_or_the_standards_latest_date_where_that_is_sooner(self):
        latest = START.date() + 20 * DAY
        assert due_on(self.RECALLS, ["access"], 0.85, latest) == latest
        assert due_on(self.RECALLS, ["leaks"], 0.85, latest) == START.date() + 4 * DAY

    def test_a_critical_topic_never_answered_right_is_never_met(self):
        for topic in ("cab", "steering-brakes"):
            assert due_on(self.RECALLS, ["access", topic], 0.85, START.date() + 20 * DAY) is None

    def test_where_nothing_says_how_long_it_is_never_met(self):
        assert due_on(self.RECALLS, [], 0.85) is None
        assert due_on(self.RECALLS, [], 0.85, START.date()) == START.date()


class TestWhatIsAsked:
    ON = START.date() + 10 * DAY
    RECALLS = TestWhenQuestionsFallDue.RECALLS

    def asked(self, topics, critical, questions):
        held = topics if isinstance(topics, dict) else dict.fromkeys(topics, 9)
        return weakest(self.RECALLS, held, critical, self.ON, questions)

    def test_a_critical_topic_never_answered_comes_first_and_critical_ones_before_others(self):
        lines = self.asked(["access", "fluids", "leaks", "raising"], {"access", "leaks", "raising"}, 4)
        assert lines == [Line("raising", 1), Line("leaks", 1), Line("access", 1), Line("fluids", 1)]

    def test_each_topic_gets_one_before_the_weakest_gets_two(self):
        lines = self.asked(["access", "leaks", "fluids"], {"access"}, 5)
        assert lines == [Line("access", 2), Line("fluids", 2), Line("leaks", 1)]

    def test_where_there_are_more_topics_than_questions_the_best_known_wait(self):
        lines = self.asked(["access", "leaks", "fluids"], {"access", "leaks", "fluids"}, 2)
        assert lines == [Line("fluids", 1), Line("leaks", 1)]

    def test_no_more_is_asked_than_the_bank_holds(self):
        assert self.asked({"access": 1, "fluids": 2, "leaks": 0}, {"access"}, 8) == [
            Line("access", 1),
            Line("fluids", 2),
        ]
        assert self.asked({}, set(), 5) == []

    def test_between_equals_the_one_never_shown_at_the_machine_comes_first(self):
        recalls = recall_of(seen((0, How.SHOWN), topic="access"), LONDON)
        lines = weakest(recalls, {"access": 1, "tracks": 1}, {"access", "tracks"}, self.ON, 2)
        assert [line.topic for line in lines] == ["tracks", "access"]


HISTORIES = st.lists(
    st.builds(
        Seen,
        topic=st.sampled_from(["leaks", "leaks", "access"]),
        at=st.integers(0, 900).flatmap(
            lambda days: st.sampled_from([START + days * DAY, START + days * DAY + timedelta(hours=5)])
        ),
        how=st.sampled_from(How),
    ),
    max_size=14,
)
LEVEL = st.sampled_from(LEVELS)
quick = settings(deadline=None, max_examples=150)


def due(history, level, topic="leaks"):
    recall = recall_of(history, LONDON).get(topic)
    return (recall.due_on(level) if recall else None) or date.min


@quick
@given(st.data(), HISTORIES)
def test_the_order_in_which_rows_come_does_not_matter(data, history):
    shuffled = data.draw(st.permutations(history))
    assert recall_of(shuffled, LONDON) == recall_of(history, LONDON)


@quick
@given(
    HISTORIES, st.lists(st.sampled_from(sorted(ANY_MISS)), min_size=1, max_size=3), st.integers(0, 400), LEVEL
)
def test_a_miss_never_puts_the_date_off(history, misses, days, level):
    last = max((one.at for one in history), default=START)
    more = [
        Seen("leaks", last + days * DAY + place * timedelta(hours=7), how) for place, how in enumerate(misses)
    ]
    assert due([*history, *more], level) <= due(history, level)


@quick
@given(HISTORIES, LEVEL)
def test_nobody_is_asked_later_for_having_missed(history, level):
    without = [one for one in history if one.how not in ANY_MISS]
    assert due(history, level) <= due(without, level)


@quick
@given(HISTORIES, st.integers(0, 400), LEVEL)
def test_a_right_answer_never_brings_the_date_nearer(history, days, level):
    last = max((one.at for one in history), default=START)
    right = Seen("leaks", last + days * DAY + timedelta(minutes=1), How.RIGHT)
    assert due([*history, right], level) >= due(history, level)


@quick
@given(HISTORIES, LEVEL)
def test_what_was_done_at_the_machine_unprompted_moves_no_date(history, level):
    for topic in ("leaks", "access"):
        asked = [one for one in history if one.how is not How.SHOWN]
        assert due(history, level, topic) == due(asked, level, topic)


@quick
@given(HISTORIES)
def test_recall_falls_with_time_and_a_higher_level_falls_due_sooner(history):
    last = max((one.at.date() for one in history), default=START.date())
    for recall in recall_of(history, LONDON).values():
        fading = [recall.recall(last + days * DAY) for days in (0, 1, 2, 10, 100, 1000)]
        assert all(0 <= later <= sooner <= 1 for sooner, later in pairwise(fading))
        assert not recall.is_known or fading[-1] < fading[0]
        dates = [recall.due_on(level) or date.min for level in LEVELS]
        assert dates == sorted(dates, reverse=True)


@quick
@given(HISTORIES)
def test_one_topic_says_nothing_of_another(history):
    leaks = [one for one in history if one.topic == "leaks"]
    assert recall_of(history, LONDON).get("leaks") == recall_of(leaks, LONDON).get("leaks")
    renamed = [replace(one, topic="access") for one in leaks]
    assert due(renamed, 0.85, "access") == due(leaks, 0.85)


@quick
@given(HISTORIES, st.integers(0, 12))
def test_a_refresher_asks_as_many_as_it_can_and_the_weakest_most(history, questions):
    recalls, held = recall_of(history, LONDON), {"leaks": 3, "access": 2, "cab": 4}
    on = START.date() + 1000 * DAY
    lines = weakest(recalls, held, {"leaks", "cab"}, on, questions)
    assert sum(line.questions for line in lines) == min(questions, 9)
    assert all(line.questions <= held[line.topic] for line in lines)
    critical = [line.topic for line in lines if line.topic != "access"]
    known = [recalls[topic].recall(on) if topic in recalls else 0.0 for topic in critical]
    assert known == sorted(known)
    assert [line.topic for line in lines if line.topic == "access"] == [line.topic for line in lines][2:]
