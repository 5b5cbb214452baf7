"""How long records are kept: by published example, and by what must hold for any rule."""

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.retention import (
    FLOORS,
    Anchor,
    Basis,
    Clause,
    RecordFacts,
    RecordKind,
    keep,
    latest_past,
)

TRAINED = date(2024, 1, 8)
LEFT = date(2026, 12, 15)

days = st.dates(date(1990, 1, 1), date(2080, 12, 31))
kinds = st.sampled_from(RecordKind)
policies = st.lists(
    st.builds(
        Clause,
        anchor=st.sampled_from(Anchor),
        source=st.just("Site rule 7"),
        months=st.integers(0, 600),
        days=st.integers(0, 400),
        basis=st.just(Basis.POLICY),
        site=st.sampled_from([None, "THORN", "OTHER"]),
    ),
    max_size=4,
)
facts = st.builds(
    RecordFacts,
    kind=kinds,
    made_on=days,
    left_on=st.none() | days,
    closed_on=st.none() | days,
    sites=st.sampled_from([frozenset(), frozenset({"THORN"})]),
)


class TestPublishedPeriods:
    def test_training_of_a_leaver_is_kept_sixty_calendar_days(self):
        """30 CFR 46.9 (from memory) and 48.9(c): left 2026-12-15, kept to 2027-02-13."""
        kept = keep(RecordFacts(RecordKind.TRAINING, TRAINED, left_on=LEFT))
        assert kept.until == date(2027, 2, 13)
        assert not kept.is_past(date(2027, 2, 13))
        assert kept.is_past(date(2027, 2, 14))
        assert "30 CFR 46.9 (from memory)" in kept.words

    def test_training_of_somebody_who_works_here_has_no_end_yet(self):
        kept = keep(RecordFacts(RecordKind.TRAINING, date(1999, 1, 4)))
        assert kept.until is None
        assert not kept.is_past(date(2099, 1, 1))

    def test_a_refresher_is_kept_two_years(self):
        """30 CFR 46.9 (from memory): 2024-03-05, kept to 2026-03-05."""
        kept = keep(RecordFacts(RecordKind.REFRESHER, date(2024, 3, 5)))
        assert kept.until == date(2026, 3, 5)

    def test_a_refresher_of_a_leaver_is_kept_as_long_as_the_longer_of_both(self):
        long_ago = keep(RecordFacts(RecordKind.REFRESHER, date(2020, 3, 5), left_on=LEFT))
        lately = keep(RecordFacts(RecordKind.REFRESHER, date(2026, 3, 5), left_on=LEFT))
        assert (long_ago.until, lately.until) == (date(2027, 2, 13), date(2028, 3, 5))

    def test_a_defect_is_kept_from_its_day_until_it_is_corrected(self):
        """30 CFR 56.14100(d)."""
        opened = RecordFacts(RecordKind.DEFECT, date(2026, 5, 1))
        closed = RecordFacts(RecordKind.DEFECT, date(2026, 5, 1), closed_on=date(2026, 5, 9))
        assert keep(opened).until is None
        assert keep(closed).until == date(2026, 5, 9)
        assert keep(closed).by[0].source == "30 CFR 56.14100(d)"

    def test_a_refresher_on_the_last_of_february_ends_on_one(self):
        assert keep(RecordFacts(RecordKind.REFRESHER, date(2024, 2, 29))).until == date(2026, 2, 28)


class TestPolicy:
    FIVE_YEARS = Clause(Anchor.LEFT, "Site rule 7", months=60, basis=Basis.POLICY, site="THORN")

    def test_it_lengthens_at_its_own_site_and_says_so(self):
        here = RecordFacts(RecordKind.TRAINING, TRAINED, left_on=LEFT, sites=frozenset({"THORN"}))
        kept = keep(here, [self.FIVE_YEARS])
        assert kept.until == date(2031, 12, 15)
        assert kept.words == "kept to 15 December 2031: Site rule 7"

    def test_it_says_nothing_at_another_site(self):
        there = RecordFacts(RecordKind.TRAINING, TRAINED, left_on=LEFT, sites=frozenset({"OTHER"}))
        assert keep(there, [self.FIVE_YEARS]) == keep(there)

    def test_what_no_rule_asks_for_is_past_its_time_and_says_so(self):
        kept = keep(RecordFacts(RecordKind.PHOTOGRAPH, LEFT))
        assert kept.is_past(LEFT)
        assert kept.words == "no rule asks for it to be kept"


def test_every_kind_has_its_floor():
    assert set(FLOORS) == set(RecordKind)


@pytest.mark.parametrize("kind", [RecordKind.TRAINING, RecordKind.TICKET, RecordKind.PARTICULARS])
def test_nobody_who_works_here_is_forgotten(kind):
    assert keep(RecordFacts(kind, date(1970, 1, 1))).until is None


@given(facts, policies, days)
def test_policy_never_shortens_what_the_law_asks(facts, policy, today):
    law, both = keep(facts), keep(facts, policy)
    if both.is_past(today):
        assert law.is_past(today)
    if both.until is not None and law.is_asked_for:
        assert law.until is not None
        assert law.until <= both.until


@given(facts, policies)
def test_no_end_lies_before_an_anchor_that_made_it(facts, policy):
    kept = keep(facts, policy)
    if kept.until is not None:
        assert all(facts.anchor(one.anchor) <= kept.until for one in kept.by)


@given(
    st.builds(
        Clause,
        anchor=st.just(Anchor.MADE),
        source=st.just("x"),
        months=st.integers(0, 240),
        days=st.integers(0, 400),
    ),
    days,
)
def test_the_latest_anchor_past_is_the_latest(clause, today):
    anchor = latest_past(clause, today)
    assert clause.end(anchor) < today
    assert clause.end(anchor + timedelta(days=1)) >= today
