"""Looking back is itself written down."""

import pytest

from competence.actions.looks import note_look
from competence.models import JournalEntry, Look
from competence.permissions import NotAllowed
from tests import factories

pytestmark = pytest.mark.django_db


def test_a_look_says_who_looked_at_what_and_stands_in_the_journal():
    auditor = factories.AccountFactory(roles=["auditor"])
    operator = factories.OperatorFactory()
    look = note_look(by=auditor, kind=Look.Kind.RECORD, operator=operator, asked={"at": "2026-03-01"})
    assert (look.by, look.operator, look.site, look.asked) == (
        auditor,
        operator,
        operator.site,
        {"at": "2026-03-01"},
    )
    entry = JournalEntry.objects.get(action="record.looked_at")
    assert entry.rows.get().key == str(look.pk)


def test_nothing_is_taken_out_by_somebody_without_the_right_at_that_site():
    elsewhere, operator = factories.SiteFactory(), factories.OperatorFactory()
    admin = factories.AccountFactory()
    factories.RoleFactory(account=admin, name="site_admin", site=elsewhere)
    with pytest.raises(NotAllowed):
        note_look(by=admin, kind=Look.Kind.PACK, operator=operator)
    assert not Look.objects.exists()


def test_people_take_out_what_is_held_on_themselves_and_nobody_else():
    operator, other = factories.OperatorFactory(), factories.OperatorFactory()
    account = factories.AccountFactory(operator=operator)
    assert note_look(by=account, kind=Look.Kind.ACCESS, operator=operator).pk
    with pytest.raises(NotAllowed):
        note_look(by=account, kind=Look.Kind.ACCESS, operator=other)
    with pytest.raises(NotAllowed):
        note_look(by=account, kind=Look.Kind.PACK, operator=operator)


def test_staff_take_out_what_is_held_on_themselves_and_nobody_else():
    account, other = factories.AccountFactory(roles=["trainer"]), factories.AccountFactory(roles=["trainer"])
    look = note_look(by=account, kind=Look.Kind.ACCESS, account=account)
    assert (look.by, look.asked) == (account, {"account": account.pk})
    for kind, whose in ((Look.Kind.ACCESS, other), (Look.Kind.PACK, account), (Look.Kind.ACCESS, None)):
        with pytest.raises(NotAllowed):
            note_look(by=account, kind=kind, account=whose)
    # Whose file an operator's is says the operator, and an account in its place opens nothing.
    with pytest.raises(NotAllowed):
        note_look(by=account, kind=Look.Kind.ACCESS, operator=factories.OperatorFactory(), account=account)
