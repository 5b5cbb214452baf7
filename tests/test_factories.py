"""Every factory makes a row that the register itself would accept."""

import inspect

import pytest
from django.utils import timezone

from competence.queries.gate import snapshot
from competence.queries.tickets import fold
from competence.rules.gate import decide
from tests import factories
from tests.factories import (
    AccountFactory,
    DefectFactory,
    MachineFactory,
    OperatorFactory,
    StandardVersionFactory,
    TicketFactory,
    authorised_operator,
    plain_standard,
)

FACTORIES = [
    made for name, made in vars(factories).items() if name.endswith("Factory") and inspect.isclass(made)
]

pytestmark = pytest.mark.django_db


@pytest.mark.parametrize("factory", FACTORIES, ids=lambda factory: factory.__name__)
def test_a_row_is_valid_by_default(factory):
    kept = factory()
    row = type(kept).objects.get(pk=kept.pk)
    # The database holds the constraints; here each value that is stated passes its field's validators.
    row.clean_fields(exclude=[field.name for field in row._meta.fields if not getattr(row, field.attname)])


def test_a_ticket_equals_the_fold_of_its_chain():
    now = timezone.now()
    for ticket in (TicketFactory(), TicketFactory(is_suspended=True), TicketFactory(is_withdrawn=True)):
        folded = fold(ticket, at=timezone.now(), known_at=timezone.now())
        assert folded is not None
        assert (folded.level, folded.first_day, folded.last_day) == (
            ticket.level,
            ticket.first_day,
            ticket.last_day,
        )
        assert (folded.is_suspended, folded.is_withdrawn) == (ticket.is_suspended, ticket.is_withdrawn)
        assert folded.since == ticket.since
        assert ticket.since >= now or not (ticket.is_suspended or ticket.is_withdrawn)


def test_the_gate_allows_an_authorised_operator_and_refuses_a_new_one():
    machine = MachineFactory()
    plain_standard(machine.state.category)
    now = timezone.now()

    def verdict_on(operator):
        return decide(
            snapshot(operator=operator.number, machine=machine.fleet_number, at=now, known_at=now), now
        )

    allowed = verdict_on(authorised_operator(machine))
    assert allowed.is_allowed, allowed
    assert not verdict_on(OperatorFactory(site=machine.site)).is_allowed


def test_an_operator_s_account_holds_the_role_at_the_home_site():
    operator = OperatorFactory()
    account = AccountFactory(operator=operator)
    assert [(role.name, role.site) for role in account.held_roles] == [("operator", operator.site)]
    assert account.check_password(factories.PASSWORD)


def test_a_second_version_starts_after_the_first():
    first = StandardVersionFactory()
    second = StandardVersionFactory(category=first.category)
    assert (second.number, second.in_force_from > first.in_force_from) == (2, True)


def test_a_defect_comes_from_a_check_of_its_own_machine():
    defect = DefectFactory(grade="stop_use", closed=True)
    assert defect.opened_by.daily_check.machine == defect.machine
    assert defect.opened_by.grade == defect.grade == "stop_use"
    assert not defect.is_open
