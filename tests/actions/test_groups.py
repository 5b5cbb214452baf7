"""Evidence of several people at once: all of them or none, named where refused, and counted once."""

from datetime import date
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import connection
from django.test.utils import CaptureQueriesContext

from assessments.actions.groups import record_group_evidence
from competence.actions.errors import ActionRefused
from competence.actions.evidence import strike_out_evidence
from competence.actions.journal import seal
from competence.models import Account, Evidence
from competence.permissions import NotAllowed
from competence.queries.journal import verify
from tests.doors.people_world import people_world
from tests.factories import AccountFactory, OperatorFactory
from tests.factories.base import days_ago

from .journalled import journals
from .journalled_register import write_journal

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    return people_world()


def recorded(world, *operators, kind="induction", **more):
    whole = {
        "by": world.site_admin,
        "occurred_on": days_ago(1),
        "came_from": "Toolbox talk 12",
        "site": world.site if kind == "induction" else None,
    }
    people = operators or (world.operator, world.newcomer)
    return record_group_evidence(operators=people, kind=kind, **{**whole, **more})


def faults(*arguments, **more):
    """What was refused, by field, with nothing kept and nothing journalled."""
    before = Evidence.objects.count()
    with journals(None), pytest.raises((ActionRefused, ValidationError)) as refused:
        recorded(*arguments, **more)
    assert Evidence.objects.count() == before
    if isinstance(refused.value, ActionRefused):
        return {refused.value.field: [refused.value.sentence]}
    return refused.value.message_dict


def test_a_session_is_one_entry_with_a_row_for_each_person(world):
    write_journal()
    with journals("evidence.recorded", rows={"competence.evidence"}) as entry:
        rows = recorded(world)
    assert entry().rows.count() == 2
    assert {row.operator for row in rows} == {world.operator, world.newcomer}
    assert {(row.is_met, row.came_from, row.recorded_by) for row in rows} == {
        (True, "Toolbox talk 12", world.site_admin)
    }
    seal()
    assert verify().problems == []


def test_a_session_takes_as_many_statements_for_forty_people_as_for_two(world):
    def statements(people):
        by = Account.objects.get(pk=world.site_admin.pk)
        with CaptureQueriesContext(connection) as captured:
            recorded(world, *people, by=by)
        return len(captured)

    few = statements(OperatorFactory.create_batch(2, site=world.site))
    assert statements(OperatorFactory.create_batch(40, site=world.site)) == few


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("familiarisation", {"machine_model": "Invented 30"}),
        ("training_hours", {"hours": Decimal("3.5")}),
        ("refresher", {"hours": Decimal(4)}),
        ("medical", {"counts_to": days_ago(-700)}),
    ],
)
def test_each_kind_is_kept_with_what_it_needs(world, kind, more):
    rows = recorded(world, kind=kind, by=world.trainer, **more)
    for name, value in more.items():
        assert {getattr(row, name) for row in rows} == {value}


@pytest.mark.parametrize("kind", ["practical", "paper", "supervised_hours", "telepathy"])
def test_what_is_each_persons_own_is_not_recorded_for_several(world, kind):
    said = faults(world, kind=kind, by=world.trainer, category=world.category, hours=Decimal(4))
    assert list(said) == ["kind"]


def test_a_familiarisation_takes_a_trainer(world):
    with journals(None), pytest.raises(NotAllowed):
        recorded(world, kind="familiarisation", machine_model="Invented 30")


def test_one_person_of_another_site_stops_it_for_all(world):
    stranger = OperatorFactory(site=world.other_site)
    for account in (world.site_admin, world.trainer, world.auditor):
        with journals(None), pytest.raises(NotAllowed):
            recorded(world, world.operator, stranger, by=account)
    assert not Evidence.objects.filter(came_from="Toolbox talk 12").exists()


def test_one_person_who_is_oneself_stops_it_for_all_by_name(world):
    own = AccountFactory(operator=world.newcomer, roles=[("site_admin", world.site)])
    said = faults(world, by=own)
    assert said == {
        "operators": ["Bram Bellamy (OP2): nobody records evidence about themself; ask somebody else."]
    }


def test_a_day_to_come_is_refused_for_those_where_it_is_still_to_come(world, time_machine):
    """At 12:30 in UTC it is the next day in Auckland already."""
    time_machine.move_to("2026-03-10T12:30:00+00:00", tick=False)
    far = OperatorFactory(site__zone="Pacific/Auckland")
    head = AccountFactory(roles=["site_admin"])
    said = faults(world, world.newcomer, far, kind="medical", by=head, occurred_on=date(2026, 3, 11))
    assert said == {"operators": ["Bram Bellamy (OP2): that day is still to come at Home Quarry."]}
    assert recorded(world, far, kind="medical", by=head, occurred_on=date(2026, 3, 11))


def test_hours_are_said_in_hours(world):
    assert list(faults(world, kind="training_hours")) == ["hours"]


def test_a_session_of_nobody_is_none(world):
    with journals(None), pytest.raises(ActionRefused) as refused:
        record_group_evidence(
            by=world.site_admin, operators=[], kind="medical", occurred_on=days_ago(1), came_from="List"
        )
    assert refused.value.field == "operators"


@pytest.mark.parametrize("more", [{"came_from": ""}, {"site": None}, {"counts_to": days_ago(2)}])
def test_a_session_without_what_its_kind_needs_is_refused(world, more):
    assert faults(world, **more)


def test_the_same_session_sent_twice_counts_once_and_says_whose(world):
    recorded(world)
    third = OperatorFactory(site=world.site)
    said = faults(world, third, world.newcomer)["operators"]
    assert len(said) == 1
    assert said[0].startswith("Bram Bellamy (OP2): exactly this is on record already")


@pytest.mark.parametrize(
    "more", [{"came_from": "Toolbox talk 13"}, {"occurred_on": days_ago(2)}, {"counts_to": days_ago(-30)}]
)
def test_another_session_is_another_fact(world, more):
    recorded(world)
    assert len(recorded(world, **more)) == 2


def test_a_familiarisation_with_the_same_model_in_other_letters_is_the_same(world):
    recorded(world, kind="familiarisation", by=world.trainer, machine_model="Invented 30")
    said = faults(world, kind="familiarisation", by=world.trainer, machine_model="INVENTED  30")
    assert len(said["operators"]) == 2
    assert recorded(world, kind="familiarisation", by=world.trainer, machine_model="Invented 40")


def test_what_was_struck_out_can_be_recorded_again(world):
    for row in recorded(world):
        strike_out_evidence(by=world.site_admin, evidence=row, reason="Wrong day")
    assert len(recorded(world)) == 2
