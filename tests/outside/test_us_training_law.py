"""The register's rules against what United States regulations say, and the days that follow from it.

Facts for modelling, not legal advice; each names its paragraph. The days were worked out with dateutil.
"""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from competence.rules.dates import Period, PeriodEnd, RenewalRefused, renewed_period
from competence.rules.gate import decide
from competence.rules.reasons import ReasonCode
from competence.rules.requirements import Evidence, Met, Requirement, RequirementKind, Scope, assess
from tests.rules.facts import ALLOWED, HUGH, NOON, SUPERVISED, refused_for, supervised_by

Kind = RequirementKind
DAY = timedelta(days=1)


def scope(started_on=date(2020, 1, 1)):
    return Scope(frozenset({"truck"}), "EAST", "Invented 30", started_on)


class TestPoweredIndustrialTrucks:
    """29 CFR 1910.178(l)."""

    def test_an_evaluation_is_due_at_least_every_three_years(self):
        """(l)(4)(iii); evaluated on 29 February 2024, the next is due by 28 February 2027."""
        evaluated = Evidence(Kind.PRACTICAL, date(2024, 2, 29), category="truck")
        every_three_years = Requirement(Kind.PRACTICAL, months=36)
        due = date(2027, 2, 28)
        assert assess(every_three_years, [evaluated], scope(), due).counts_to == due
        assert assess(every_three_years, [evaluated], scope(), due + DAY).met is Met.ENDED

    @pytest.mark.parametrize("papers", [1, 5])
    def test_papers_alone_are_no_evaluation_of_performance(self, papers):
        """OSHA's letter of interpretation, 1 August 2005: however many papers, none is an evaluation."""
        passed = [Evidence(Kind.PAPER, date(2026, 1, 1) + n * DAY, category="truck") for n in range(papers)]
        on = date(2026, 6, 1)
        assert assess(Requirement(Kind.PAPER), passed, scope(), on).is_met
        assert assess(Requirement(Kind.PRACTICAL), passed, scope(), on).met is Met.MISSING

    def test_nobody_operates_before_training_is_complete(self):
        """(l)(1)(ii): no ticket, no machine; a trainee, under (l)(2)(i), is the one exception."""
        untrained = replace(ALLOWED, person=replace(ALLOWED.person, tickets=()))
        assert refused_for(untrained) == [ReasonCode.TICKET_MISSING]

    def test_a_trainee_operates_only_under_somebody_fit_to_supervise(self):
        """(l)(2)(i)(A): direct supervision of a person with knowledge, training and experience to train."""
        assert decide(SUPERVISED, NOON).is_allowed
        assert not decide(replace(SUPERVISED, supervision=None), NOON).is_allowed
        assert not decide(supervised_by(replace(HUGH, tickets=())), NOON).is_allowed


class TestSurfaceMineTraining:
    """30 CFR part 46."""

    REFRESHER = Requirement(Kind.REFRESHER, months=12, hours=Decimal(8))

    def sessions(self, *hours, first=date(2026, 2, 2)):
        return [
            Evidence(Kind.REFRESHER, first + place * DAY, hours=Decimal(h)) for place, h in enumerate(hours)
        ]

    def test_eight_hours_a_year_from_sessions_that_may_be_short(self):
        """46.8: 1.5 + 2 + 2.5 + 1.75 is 7.75 h, not met; a quarter of an hour more meets it."""
        asked = {"scope": scope(started_on=date(2025, 1, 1)), "on": date(2026, 3, 1)}
        short = self.sessions("1.5", "2", "2.5", "1.75")
        assert assess(self.REFRESHER, short, **asked).met is Met.SHORT
        assert assess(
            self.REFRESHER, [*short, *self.sessions("0.25", first=date(2026, 2, 9))], **asked
        ).is_met

    def test_the_first_is_due_within_twelve_months_of_starting(self):
        """46.8: counted from the day on which work began."""
        started = scope(started_on=date(2025, 3, 1))
        assert assess(self.REFRESHER, [], started, date(2026, 3, 1)).is_met
        assert not assess(self.REFRESHER, [], started, date(2026, 3, 2)).is_met

    @pytest.mark.parametrize(("days", "last"), [(90, date(2026, 4, 10)), (60, date(2026, 3, 11))])
    def test_calendar_days_are_counted_from_the_day_after(self, days, last):
        """46.5(d), and 46.5(c) from memory: 90 and 60 calendar days from 10 January 2026.

        The first day counted is the day after (common practice); so the register counts a lapse too.
        """
        held = Period(date(2025, 1, 11), date(2026, 1, 10))
        terms = {"months": 12, "ends": PeriodEnd.DAY_BEFORE, "window_days": 30, "lapse_limit_days": days}
        assert renewed_period(held, last, **terms).first_day == last
        with pytest.raises(RenewalRefused):
            renewed_period(held, last + DAY, **terms)
