"""Requirements: how each stands on a day, by what had happened by then."""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.requirements import (
    LASTING,
    Evidence,
    Met,
    Requirement,
    RequirementKind,
    Scope,
    assess,
    refresher_due,
    same_model,
)

Kind = RequirementKind
DAY = date(2026, 6, 1)
SCOPE = Scope(frozenset({"dumper-articulated"}), "EAST", "Invented 30", started_on=date(2024, 1, 10))


def ago(days):
    return DAY - timedelta(days=days)


def fact(kind, *, days=30, **parts):
    """A passed fact of so many days ago, about the scope unless it says otherwise."""
    about = {
        Kind.INDUCTION: {"site": "EAST"},
        Kind.FAMILIARISATION: {"machine_model": "Invented 30"},
        Kind.PRACTICAL: {"category": "dumper-articulated"},
        Kind.PAPER: {"category": "dumper-articulated"},
        Kind.RECALL: {"category": "dumper-articulated"},
    }.get(kind, {})
    return Evidence(**{"kind": kind, "occurred_on": ago(days), **about, **parts})


def found(kind, *facts, months=None, hours=None, on=DAY, scope=SCOPE):
    hours = None if hours is None else Decimal(str(hours))
    return assess(Requirement(kind, months, hours), facts, scope, on)


@pytest.mark.parametrize("kind", Kind)
class TestEveryKind:
    def test_is_missing_without_evidence(self, kind):
        on = date(2025, 6, 1)
        asked = {"hours": 8} if "hours" in kind else {"months": 12}
        assert found(kind, on=on, **asked).met is Met.MISSING

    def test_is_met_by_a_passed_fact(self, kind):
        asked = {"hours": 8} if "hours" in kind else {"months": 12}
        assert found(kind, fact(kind, hours=Decimal(8)), **asked).is_met

    def test_is_not_met_by_what_is_still_to_come(self, kind):
        asked = {"hours": 8} if "hours" in kind else {"months": 12}
        assert not found(kind, fact(kind, days=-1, hours=Decimal(8)), **asked).is_met

    def test_is_not_met_by_any_other_kind(self, kind):
        """A paper never stands for a practical: OSHA's letter of 1 August 2005 on 29 CFR 1910.178(l)(4)."""
        others = [fact(other, hours=Decimal(100)) for other in Kind if other is not kind]
        asked = {"hours": 8} if "hours" in kind else {"months": 12}
        assert found(kind, *others, **asked).met is Met.MISSING


class TestTheLatestFactDecides:
    def test_a_failed_medical_outweighs_an_older_good_one(self):
        facts = [fact(Kind.MEDICAL, days=100), fact(Kind.MEDICAL, days=10, is_met=False)]
        finding = found(Kind.MEDICAL, *facts, months=24)
        assert (finding.met, finding.since) == (Met.FAILED, ago(10))

    def test_a_good_medical_outweighs_an_older_failed_one(self):
        facts = [fact(Kind.MEDICAL, days=10), fact(Kind.MEDICAL, days=100, is_met=False)]
        assert found(Kind.MEDICAL, *facts, months=24).is_met

    def test_on_one_day_the_failed_one_counts(self):
        facts = [fact(Kind.MEDICAL), fact(Kind.MEDICAL, is_met=False)]
        assert found(Kind.MEDICAL, *facts).met is Met.FAILED
        assert found(Kind.MEDICAL, *reversed(facts)).met is Met.FAILED

    def test_asked_about_an_earlier_day_later_facts_are_not_known(self):
        facts = [fact(Kind.MEDICAL, days=100), fact(Kind.MEDICAL, days=10, is_met=False)]
        assert found(Kind.MEDICAL, *facts, on=ago(11)).is_met


class TestHowLongItCounts:
    def test_the_standard_s_months_end_on_the_anniversary(self):
        given_on = date(2024, 2, 29)
        medical = Evidence(Kind.MEDICAL, given_on)
        last = date(2026, 2, 28)
        assert found(Kind.MEDICAL, medical, months=24, on=last).counts_to == last
        ended = found(Kind.MEDICAL, medical, months=24, on=last + timedelta(days=1))
        assert (ended.met, ended.since) == (Met.ENDED, last)

    def test_the_sooner_of_its_own_end_and_the_standard_s_counts(self):
        short = fact(Kind.MEDICAL, days=100, counts_to=ago(1))
        assert found(Kind.MEDICAL, short, months=24).met is Met.ENDED
        long = fact(Kind.MEDICAL, days=100, counts_to=ago(-10_000))
        assert found(Kind.MEDICAL, long, months=1).met is Met.ENDED

    def test_without_either_it_counts_for_good(self):
        finding = found(Kind.INDUCTION, fact(Kind.INDUCTION, days=800))
        assert (finding.met, finding.counts_to) == (Met.MET, None)


class TestWhatItIsAbout:
    @pytest.mark.parametrize("site", ["WEST", None])
    def test_an_induction_counts_at_its_own_site_only(self, site):
        assert found(Kind.INDUCTION, fact(Kind.INDUCTION, site=site)).met is Met.MISSING

    @pytest.mark.parametrize("model", ["Invented 40", "", None])
    def test_a_familiarisation_counts_for_its_own_model_only(self, model):
        assert found(Kind.FAMILIARISATION, fact(Kind.FAMILIARISATION, machine_model=model)).met is Met.MISSING

    def test_a_model_is_the_same_but_for_case_and_spacing(self):
        typed = fact(Kind.FAMILIARISATION, machine_model="  invented   30 ")
        assert found(Kind.FAMILIARISATION, typed).is_met
        assert not same_model("", "")
        assert not same_model(None, None)

    @pytest.mark.parametrize("kind", [Kind.PRACTICAL, Kind.PAPER])
    @pytest.mark.parametrize("category", ["loader", None])
    def test_an_assessment_counts_for_its_own_category_only(self, kind, category):
        assert found(kind, fact(kind, category=category)).met is Met.MISSING

    def test_an_accepted_category_s_assessment_counts(self):
        wider = Scope(SCOPE.categories | {"loader"}, "EAST", "Invented 30", SCOPE.started_on)
        assert found(Kind.PRACTICAL, fact(Kind.PRACTICAL, category="loader"), scope=wider).is_met

    def test_a_medical_may_be_for_anything_or_for_this_category(self):
        assert found(Kind.MEDICAL, fact(Kind.MEDICAL, category="dumper-articulated")).is_met
        assert not found(Kind.MEDICAL, fact(Kind.MEDICAL, category="loader")).is_met


class TestHours:
    def test_short_sessions_add_up_and_the_limit_counts(self):
        """30 CFR 46.8: short sessions may add up; at least eight hours is eight or more."""
        sessions = [fact(Kind.TRAINING_HOURS, hours=Decimal(hours)) for hours in ("1.5", "2", "2.5", "1.75")]
        short = found(Kind.TRAINING_HOURS, *sessions, hours=8)
        assert (short.met, short.hours) == (Met.SHORT, Decimal("7.75"))
        sessions.append(fact(Kind.TRAINING_HOURS, hours=Decimal("0.25")))
        assert found(Kind.TRAINING_HOURS, *sessions, hours=8).is_met

    def test_sessions_that_ended_or_were_not_passed_do_not_count(self):
        old = fact(Kind.SUPERVISED_HOURS, days=400, hours=Decimal(20))
        failed = fact(Kind.SUPERVISED_HOURS, hours=Decimal(20), is_met=False)
        assert found(Kind.SUPERVISED_HOURS, old, failed, months=12, hours=8).met is Met.SHORT

    def test_a_session_without_its_hours_adds_nothing(self):
        assert found(Kind.TRAINING_HOURS, fact(Kind.TRAINING_HOURS), hours=1).met is Met.SHORT


class TestRefresher:
    def test_it_is_first_due_within_the_months_of_starting(self):
        due = date(2025, 1, 10)
        assert found(Kind.REFRESHER, months=12, hours=8, on=due).counts_to == due
        late = found(Kind.REFRESHER, months=12, hours=8, on=due + timedelta(days=1))
        assert (late.met, late.since) == (Met.MISSING, due)

    def test_it_is_complete_on_the_day_of_the_session_that_filled_it(self):
        sessions = [
            Evidence(Kind.REFRESHER, date(2025, 1, day), hours=Decimal(hours))
            for day, hours in ((2, "1.5"), (3, "2"), (6, "2.5"), (7, "1.75"))
        ]
        on = date(2025, 2, 1)
        assert found(Kind.REFRESHER, *sessions, months=12, hours=8, on=on).met is Met.SHORT
        sessions.append(Evidence(Kind.REFRESHER, date(2025, 1, 9), hours=Decimal("0.25")))
        assert found(Kind.REFRESHER, *sessions, months=12, hours=8, on=on).counts_to == date(2026, 1, 9)

    def test_sessions_more_than_the_months_apart_do_not_add_up(self):
        sessions = [
            Evidence(Kind.REFRESHER, date(2024, 6, 1), hours=Decimal(4)),
            Evidence(Kind.REFRESHER, date(2025, 6, 2), hours=Decimal(4)),
        ]
        assert not found(Kind.REFRESHER, *sessions, months=12, hours=8, on=date(2025, 6, 3)).is_met
        sessions[1] = Evidence(Kind.REFRESHER, date(2025, 6, 1), hours=Decimal(4))
        assert found(Kind.REFRESHER, *sessions, months=12, hours=8, on=date(2025, 6, 3)).is_met

    def test_hours_over_are_not_carried_into_the_next_one(self):
        sessions = [
            Evidence(Kind.REFRESHER, date(2025, 1, 2), hours=Decimal(12)),
            Evidence(Kind.REFRESHER, date(2025, 1, 3), hours=Decimal(4)),
        ]
        requirement = Requirement(Kind.REFRESHER, 12, Decimal(8))
        assert refresher_due(requirement, sessions, SCOPE.started_on) == date(2026, 1, 2)

    def test_a_refresher_from_before_the_start_does_not_bring_the_due_date_forward(self):
        early = Evidence(Kind.REFRESHER, date(2023, 6, 1), hours=Decimal(8))
        requirement = Requirement(Kind.REFRESHER, 12, Decimal(8))
        assert refresher_due(requirement, [early], SCOPE.started_on) == date(2025, 1, 10)

    def test_a_session_that_was_not_passed_does_not_count(self):
        failed = fact(Kind.REFRESHER, hours=Decimal(8), is_met=False)
        assert not found(Kind.REFRESHER, failed, months=12, hours=8).is_met

    def test_a_refresher_counts_no_longer_than_its_own_paper_says(self):
        short = Evidence(Kind.REFRESHER, ago(30), counts_to=ago(1))
        assert not found(Kind.REFRESHER, short, months=12).is_met
        assert found(Kind.REFRESHER, short, months=12, on=ago(1)).counts_to == ago(1)

    def test_a_standard_that_sets_no_months_still_wants_a_refresher_once(self):
        """Without months nothing falls due; a requirement that never binds would be none at all."""
        assert found(Kind.REFRESHER).met is Met.MISSING
        assert found(Kind.REFRESHER, fact(Kind.REFRESHER, days=800)).is_met
        assert not found(Kind.REFRESHER, fact(Kind.REFRESHER, hours=Decimal(4)), hours=8).is_met


class TestRecall:
    LOADER = replace(SCOPE, categories=SCOPE.categories | {"loader"})

    def told(self, day, end, category="dumper-articulated", **parts):
        return Evidence(Kind.RECALL, day, counts_to=end, category=category, **parts)

    def test_the_latest_day_decides_though_it_ends_sooner(self):
        answered = self.told(date(2026, 1, 5), date(2026, 9, 1))
        missed = self.told(date(2026, 2, 5), date(2026, 3, 1))
        assert found(Kind.RECALL, answered, missed, on=date(2026, 3, 1)).counts_to == date(2026, 3, 1)
        assert found(Kind.RECALL, answered, missed, on=date(2026, 3, 2)).met is Met.ENDED

    def test_the_standards_latest_date_ends_it_sooner(self):
        answered = self.told(date(2026, 1, 5), date(2029, 9, 1))
        assert found(Kind.RECALL, answered, months=12, on=date(2026, 2, 1)).counts_to == date(2027, 1, 5)

    def test_of_one_day_the_soonest_end_holds(self):
        day, on = date(2026, 1, 5), date(2026, 2, 1)
        facts = [self.told(day, date(2026, 9, 1)), self.told(day, date(2026, 3, 1), category="loader")]
        for order in (facts, facts[::-1]):
            assert assess(Requirement(Kind.RECALL), order, self.LOADER, on).counts_to == date(2026, 3, 1)

    def test_of_no_category_or_another_it_is_not_looked_at(self):
        for category in (None, "loader"):
            other = self.told(date(2026, 1, 5), date(2026, 9, 1), category=category)
            assert found(Kind.RECALL, other, on=date(2026, 2, 1)).met is Met.MISSING


FACTS = st.lists(
    st.builds(
        Evidence,
        kind=st.sampled_from(Kind),
        occurred_on=st.dates(date(2024, 1, 1), date(2026, 12, 31)),
        is_met=st.booleans(),
        counts_to=st.none() | st.dates(date(2024, 1, 1), date(2027, 6, 30)),
        hours=st.none() | st.decimals("0.25", 10, places=2),
        category=st.sampled_from([None, "dumper-articulated", "loader"]),
        site=st.sampled_from([None, "EAST", "WEST"]),
        machine_model=st.sampled_from([None, "Invented 30", "Invented 40"]),
    ),
    max_size=8,
)
REQUIREMENTS = st.builds(
    Requirement,
    kind=st.sampled_from(Kind),
    months=st.none() | st.integers(1, 36),
    hours=st.none() | st.sampled_from([Decimal(1), Decimal(8)]),
)


@given(st.data(), FACTS, REQUIREMENTS, st.dates(date(2024, 1, 1), date(2027, 6, 30)))
def test_the_order_of_the_evidence_does_not_matter(data, facts, requirement, on):
    shuffled = data.draw(st.permutations(facts))
    assert assess(requirement, shuffled, SCOPE, on) == assess(requirement, facts, SCOPE, on)


@given(FACTS, REQUIREMENTS, st.dates(date(2024, 1, 1), date(2027, 6, 30)))
def test_what_happens_later_never_changes_the_answer_for_a_day(facts, requirement, on):
    by_then = [f for f in facts if f.occurred_on <= on]
    assert assess(requirement, by_then, SCOPE, on) == assess(requirement, facts, SCOPE, on)


@given(FACTS, REQUIREMENTS, st.dates(date(2024, 1, 1), date(2027, 6, 30)))
def test_without_any_fact_of_its_kind_nothing_lasting_is_met_but_a_first_refresher(facts, requirement, on):
    others = [f for f in facts if f.kind is not requirement.kind]
    finding = assess(requirement, others, SCOPE, on)
    if finding.is_met:
        assert requirement.kind is Kind.REFRESHER
        assert on <= finding.counts_to


@given(FACTS, REQUIREMENTS, st.dates(date(2024, 1, 1), date(2027, 6, 30)))
def test_a_met_requirement_is_met_up_to_the_day_it_names(facts, requirement, on):
    finding = assess(requirement, facts, SCOPE, on)
    by_then = [f for f in facts if f.occurred_on <= on]
    if finding.is_met and finding.counts_to:
        assert assess(requirement, by_then, SCOPE, finding.counts_to).is_met
        assert not assess(requirement, by_then, SCOPE, finding.counts_to + timedelta(days=1)).is_met


def test_what_must_hold_at_every_check():
    assert {Kind.MEDICAL, Kind.INDUCTION, Kind.FAMILIARISATION, Kind.REFRESHER, Kind.RECALL} == LASTING
