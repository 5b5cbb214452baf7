"""What a ticket amounts to, in words."""

from datetime import UTC, date, datetime, timedelta

import pytest

from competence.rules.conditions import Conditions
from competence.rules.standing import Level, Standing
from competence.rules.ticket_words import condition_words, state_words

TODAY = date(2026, 5, 14)


def held(last_day, first_day=date(2024, 1, 1), **more):
    return Standing(Level.FULL, first_day, last_day, Conditions(), datetime(2024, 1, 1, tzinfo=UTC), **more)


@pytest.mark.parametrize(
    ("days_left", "word", "tone"),
    [
        (31, "In force", "good"),
        (30, "Ends in 30 days", "warn"),
        (2, "Ends in 2 days", "warn"),
        (1, "Ends tomorrow", "warn"),
        (0, "Ends today", "warn"),
        (-1, "Ended", "stop"),
    ],
)
def test_a_ticket_is_told_by_the_days_it_has_left(days_left, word, tone):
    said = state_words(held(TODAY + timedelta(days=days_left)), TODAY)
    assert (said.word, said.tone) == (word, tone)


def test_what_stops_a_ticket_is_told_before_its_dates():
    ended = TODAY - timedelta(days=3)
    assert state_words(held(ended, is_suspended=True), TODAY).word == "Suspended"
    assert state_words(held(ended, is_suspended=True, is_withdrawn=True), TODAY).word == "Withdrawn"
    assert state_words(held(date(2027, 1, 1), first_day=date(2026, 5, 15)), TODAY).word == "Not started"
    assert state_words(None, TODAY).word == "Struck out"


def test_no_state_is_told_by_colour_alone():
    """Two states of one tone still differ by their word."""
    states = [
        state_words(held(TODAY - timedelta(days=1)), TODAY),
        state_words(held(TODAY, is_suspended=True), TODAY),
        state_words(held(TODAY, is_withdrawn=True), TODAY),
        state_words(None, TODAY),
    ]
    assert len({said.word for said in states}) == len(states)


def test_an_empty_set_of_sites_or_attachments_is_none_at_all_and_not_any():
    assert condition_words(Conditions(), {}, {}) == []
    assert condition_words(Conditions(sites=frozenset()), {}, {}) == ["Only at no site at all."]
    assert condition_words(Conditions(attachments=frozenset()), {}, {}) == ["Without any attachment."]


def test_a_name_that_is_not_known_stays_a_code():
    conditions = Conditions(sites=frozenset({"B", "A"}), max_operating_mass_kg=12_500)
    assert condition_words(conditions, {"B": "Brook Quarry"}, {}) == [
        "Only at A, Brook Quarry.",
        "Operating mass up to 12,500 kg.",
    ]
