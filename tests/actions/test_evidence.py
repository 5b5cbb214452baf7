"""Recording evidence, correcting it by a further row, and striking it out."""

from datetime import date
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.errors import ActionRefused
from competence.actions.evidence import (
    correct_evidence,
    keep_evidence,
    record_evidence,
    strike_out_evidence,
)
from competence.models import Evidence
from competence.permissions import NotAllowed
from competence.queries.evidence import evidence_facts
from competence.rules.requirements import RequirementKind
from tests.doors.people_world import people_world
from tests.factories import AccountFactory, EvidenceFactory, OperatorFactory
from tests.factories.base import days_ago

from .journalled import journals

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    return people_world()


def recorded(world, kind="medical", **more):
    whole = {
        "by": world.site_admin,
        "operator": world.newcomer,
        "occurred_on": days_ago(2),
        "came_from": "Letter",
    }
    return record_evidence(kind=kind, **{**whole, **more})


def counting(operator):
    """What the gate would see of somebody's evidence now."""
    people = type(operator).objects.filter(pk=operator.pk)
    found = evidence_facts(people, known_at=timezone.now(), kinds=list(RequirementKind))
    return found.get(operator.number, [])


def test_evidence_is_journalled_with_the_row(world):
    with journals("evidence.recorded", rows={"competence.evidence"}):
        row = recorded(world, counts_to=days_ago(-700))
    assert row.recorded_by == world.site_admin
    assert [fact.occurred_on for fact in counting(world.newcomer)] == [days_ago(2)]


@pytest.mark.parametrize("kind", ["practical", "paper", "familiarisation", "supervised_hours"])
def test_what_is_judged_at_the_machine_or_in_a_paper_takes_a_trainer(world, kind):
    more = {"category": world.category, "machine_model": "Invented 30", "hours": Decimal(4)}
    with journals(None), pytest.raises(NotAllowed):
        recorded(world, kind, **more)
    assert recorded(world, kind, by=world.trainer, **more).kind == kind


@pytest.mark.parametrize(("hours", "is_taken"), [(Decimal(1000), True), (Decimal("1000.25"), False)])
def test_one_row_takes_a_thousand_hours_at_most(world, hours, is_taken):
    if is_taken:
        assert recorded(world, "training_hours", hours=hours).hours == hours
        return
    with journals(None), pytest.raises(ActionRefused, match="1,000") as refused:
        recorded(world, "training_hours", hours=hours)
    assert refused.value.field == "hours"


def test_a_fact_older_than_a_working_life_is_refused(world):
    assert recorded(world, occurred_on=days_ago(21_900))
    with journals(None), pytest.raises(ActionRefused, match="60 years") as refused:
        recorded(world, occurred_on=days_ago(21_920))
    assert refused.value.field == "occurred_on"


def test_nobody_records_at_another_site_or_without_a_role_for_it(world):
    for account in (world.far_admin, world.far_trainer, world.auditor, world.operator_account):
        with journals(None), pytest.raises(NotAllowed):
            recorded(world, by=account)


def test_nobody_records_evidence_about_themself(world):
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site), ("site_admin", world.site)])
    with journals(None), pytest.raises(ActionRefused, match="about themself"):
        recorded(world, by=own)


def test_a_day_to_come_on_the_sites_calendar_is_no_evidence(world, time_machine):
    """At 12:30 in UTC it is the next day in Auckland: there it has happened, in England it has not."""
    time_machine.move_to("2026-03-10T12:30:00+00:00", tick=False)
    auckland = OperatorFactory(site__zone="Pacific/Auckland")
    head = AccountFactory(roles=["site_admin"])
    tomorrow = date(2026, 3, 11)
    assert recorded(world, by=head, operator=auckland, occurred_on=tomorrow).pk
    with journals(None), pytest.raises(ActionRefused) as refused:
        recorded(world, occurred_on=tomorrow)
    assert refused.value.field == "occurred_on"


@pytest.mark.parametrize("kind", ["training_hours", "supervised_hours"])
def test_hours_are_said_in_hours(world, kind):
    with journals(None), pytest.raises(ActionRefused) as refused:
        recorded(world, kind, by=world.trainer if kind == "supervised_hours" else world.site_admin)
    assert refused.value.field == "hours"


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("induction", {}),
        ("familiarisation", {}),
        ("practical", {}),
        ("paper", {}),
        ("medical", {"counts_to": days_ago(3)}),
        ("refresher", {"hours": Decimal(0)}),
        ("medical", {"came_from": ""}),
        ("telepathy", {}),
    ],
)
def test_a_fact_without_what_its_kind_needs_is_refused(world, kind, more):
    by = world.trainer
    with journals(None), pytest.raises(ValidationError):
        recorded(world, kind, by=by, **more)
    assert not Evidence.objects.filter(operator=world.newcomer).exists()


def test_a_correction_replaces_the_row_and_keeps_it(world):
    row = recorded(world)
    with journals("evidence.corrected", rows={"competence.evidence"}, reason="Misread"):
        newer = correct_evidence(by=world.site_admin, evidence=row, occurred_on=days_ago(5), reason="Misread")
    assert newer.came_from == "Letter"
    assert [fact.occurred_on for fact in counting(world.newcomer)] == [days_ago(5)]
    assert Evidence.objects.filter(pk=row.pk).exists()


def test_a_row_is_corrected_once_and_a_correction_changes_something(world):
    row = recorded(world)
    with journals(None), pytest.raises(ActionRefused, match="nothing would change"):
        correct_evidence(by=world.site_admin, evidence=row, reason="No reason")
    correct_evidence(by=world.site_admin, evidence=row, came_from="Another letter", reason="Misread")
    with journals(None), pytest.raises(ActionRefused, match="corrected already"):
        correct_evidence(by=world.site_admin, evidence=row, came_from="A third", reason="Misread")


def test_a_correction_needs_a_reason(world):
    row = recorded(world)
    with journals(None), pytest.raises(ValidationError):
        correct_evidence(by=world.site_admin, evidence=row, occurred_on=days_ago(5), reason="")


def test_a_row_that_is_struck_out_counts_no_more(world):
    row = recorded(world, "training_hours", hours=Decimal("3.5"))
    with journals("evidence.struck_out", rows={"competence.evidence"}, reason="Not his"):
        struck = strike_out_evidence(by=world.site_admin, evidence=row, reason="Not his")
    assert counting(world.newcomer) == []
    for gone in (row, struck):
        with journals(None), pytest.raises(ActionRefused):
            strike_out_evidence(by=world.site_admin, evidence=gone, reason="Again")


def test_what_a_trainer_recorded_is_not_put_right_by_a_site_admin(world):
    row = recorded(world, "practical", by=world.trainer, category=world.category)
    for action in (correct_evidence, strike_out_evidence):
        with journals(None), pytest.raises(NotAllowed):
            action(by=world.site_admin, evidence=row, reason="x")


def test_refresher_questions_come_from_answers_and_from_nobody_else(world):
    row = EvidenceFactory(operator=world.newcomer, kind="recall", category=world.category)
    with journals(None), pytest.raises(ActionRefused, match="when they are answered"):
        recorded(world, "recall", by=world.trainer, category=world.category, counts_to=days_ago(-90))
    with pytest.raises(ActionRefused, match="when they are answered"):
        correct_evidence(by=world.trainer, evidence=row, reason="Longer.", counts_to=days_ago(-900))
    with pytest.raises(ActionRefused, match="when they are answered"):
        strike_out_evidence(by=world.trainer, evidence=row, reason="Not wanted.")
    kept = keep_evidence(
        by=world.trainer,
        operator=world.newcomer,
        kind="recall",
        category=world.category,
        occurred_on=days_ago(0),
        counts_to=days_ago(-90),
        came_from="Refresher questions",
    )
    assert kept in Evidence.objects.filter(kind="recall")
