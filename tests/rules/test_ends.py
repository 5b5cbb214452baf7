"""What of a record has an end, by example and by asking the gate's own question day by day."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessments.outputs.end_table import plain_cell
from assessments.rules.ends import Window, end_of, lasting_ends, number_words
from competence.rules.gate import StandardFacts
from competence.rules.requirements import Evidence, Met, Requirement, RequirementKind, Scope, assess

TODAY = date(2026, 3, 2)
DAY = timedelta(days=1)
STARTED = date(2020, 1, 6)
MEDICAL, INDUCTION, REFRESHER, RECALL, FAMILIARISATION = (
    RequirementKind.MEDICAL,
    RequirementKind.INDUCTION,
    RequirementKind.REFRESHER,
    RequirementKind.RECALL,
    RequirementKind.FAMILIARISATION,
)
YEAR = Window(TODAY - 30 * DAY, TODAY + 365 * DAY)


def standard(*requirements, accepts=()):
    return StandardFacts(1, date(2019, 1, 1), frozenset(accepts), tuple(requirements))


def ends(evidence, held=("loader",), window=YEAR, **standards):
    found = lasting_ends(held, standards, evidence, STARTED, TODAY, window)
    return sorted((one.kind, one.about, one.on, "+".join(sorted(one.categories))) for one in found)


def test_a_medical_that_two_tickets_need_is_one_end():
    medical = standard(Requirement(MEDICAL, months=24))
    facts = [Evidence(MEDICAL, TODAY - 100 * DAY, counts_to=TODAY + 20 * DAY)]
    assert ends(facts, ("loader", "dozer"), loader=medical, dozer=medical) == [
        ("medical", "", TODAY + 20 * DAY, "dozer+loader")
    ]


def test_a_medical_ends_on_another_day_for_a_standard_that_asks_for_it_oftener():
    facts = [Evidence(MEDICAL, date(2025, 6, 1))]
    found = ends(
        facts,
        ("loader", "crane"),
        loader=standard(Requirement(MEDICAL, months=12)),
        crane=standard(Requirement(MEDICAL, months=10)),
    )
    assert found == [
        ("medical", "", date(2026, 4, 1), "crane"),
        ("medical", "", date(2026, 6, 1), "loader"),
    ]


def test_what_ended_is_told_and_what_failed_or_never_was_has_no_end():
    asked = standard(Requirement(MEDICAL, months=24))
    ended = Evidence(MEDICAL, TODAY - 400 * DAY, counts_to=TODAY - 9 * DAY)
    assert ends([ended], loader=asked) == [("medical", "", TODAY - 9 * DAY, "loader")]
    assert ends([], loader=asked) == []
    failed = Evidence(MEDICAL, TODAY - 3 * DAY, is_met=False)
    assert ends([ended, failed], loader=asked) == []


def test_an_induction_ends_site_by_site():
    asked = standard(Requirement(INDUCTION, months=12))
    facts = [
        Evidence(INDUCTION, date(2025, 4, 1), site="NORTH"),
        Evidence(INDUCTION, date(2025, 9, 1), site="SOUTH"),
    ]
    assert ends(facts, loader=asked) == [
        ("induction", "NORTH", date(2026, 4, 1), "loader"),
        ("induction", "SOUTH", date(2026, 9, 1), "loader"),
    ]


def test_a_familiarisation_ends_model_by_model_however_it_is_spelled():
    asked = standard(Requirement(FAMILIARISATION, months=12))
    facts = [
        Evidence(FAMILIARISATION, date(2025, 4, 1), machine_model="Orrick WL48"),
        Evidence(FAMILIARISATION, date(2025, 5, 1), machine_model="ORRICK  WL48"),
    ]
    assert [on for _, _, on, _ in ends(facts, loader=asked)] == [date(2026, 5, 1)]


def test_a_refresher_falls_due_and_an_overdue_one_has_the_day_it_was_due():
    asked = standard(Requirement(REFRESHER, months=12, hours=Decimal(8)))
    done = Evidence(REFRESHER, date(2025, 4, 10), hours=Decimal(8))
    assert ends([done], loader=asked) == [("refresher", "", date(2026, 4, 10), "loader")]
    old = Evidence(REFRESHER, date(2025, 2, 20), hours=Decimal(8))
    assert ends([old], loader=asked) == [("refresher", "", date(2026, 2, 20), "loader")]


def test_refresher_questions_end_for_their_own_category_only():
    asked = standard(Requirement(RECALL, recall_level=Decimal("0.85")))
    facts = [Evidence(RECALL, date(2026, 2, 1), counts_to=date(2026, 4, 1), category="loader")]
    assert ends(facts, ("loader", "dozer"), loader=asked, dozer=asked) == [
        ("recall", "", date(2026, 4, 1), "loader")
    ]


def test_what_ends_outside_the_window_or_is_not_asked_for_is_left_out():
    asked = standard(Requirement(MEDICAL, months=24))
    facts = [Evidence(MEDICAL, TODAY - 10 * DAY)]
    assert ends(facts, loader=asked) == []
    assert ends(facts, loader=standard()) == []
    assert ends(facts, ("dozer",), loader=asked) == []


@given(
    kind=st.sampled_from([MEDICAL, REFRESHER]),
    months=st.one_of(st.none(), st.integers(1, 14)),
    hours=st.sampled_from([None, Decimal(8)]),
    facts=st.lists(
        st.tuples(
            st.integers(0, 700), st.booleans(), st.one_of(st.none(), st.integers(0, 500)), st.integers(1, 9)
        ),
        max_size=5,
    ),
)
def test_the_end_is_the_last_day_on_which_the_gate_would_take_it(kind, months, hours, facts):
    requirement = Requirement(kind, months, hours)
    evidence = [
        Evidence(
            kind,
            TODAY - ago * DAY,
            is_met,
            counts_to=None if lasts is None else TODAY + (lasts - ago) * DAY,
            hours=Decimal(amount),
        )
        for ago, is_met, lasts, amount in facts
    ]
    scope = Scope(frozenset({"loader"}), "NORTH", "", STARTED)
    end = end_of(requirement, evidence, scope, TODAY)
    is_met_today = assess(requirement, evidence, scope, TODAY).is_met
    if is_met_today and end is None:
        assert assess(requirement, evidence, scope, TODAY + 2000 * DAY).is_met
    elif is_met_today:
        assert assess(requirement, evidence, scope, end).is_met
        assert not assess(requirement, evidence, scope, end + DAY).is_met
    elif end is not None:
        assert end < TODAY
        assert assess(requirement, evidence, scope, TODAY).met is not Met.FAILED


def test_small_numbers_are_words():
    assert [number_words(number) for number in (1, 3, 10, 11)] == ["one", "three", "ten", "11"]


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r", "\n"])
def test_a_cell_that_a_spreadsheet_would_run_is_defused(start):
    assert plain_cell(f"{start}HYPERLINK(1)") == f"'{start}HYPERLINK(1)"
    assert plain_cell("Ada Ashworth") == "Ada Ashworth"
