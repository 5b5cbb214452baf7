"""Closing an account of staff: signed out, no role left, journalled."""

import pytest
from django.test import Client

from competence.actions.closing import close_account, reopen_account
from competence.actions.errors import ActionRefused
from competence.actions.people import change_operator, correct_operator, open_account
from competence.permissions import NotAllowed
from tests import factories
from tests.actions.journalled import journals
from tests.factories.keeping import ErasureFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def admin():
    return factories.AccountFactory(roles=["site_admin"])


def test_whoever_is_signed_in_is_signed_out_and_holds_no_role(admin):
    trainer = factories.AccountFactory(roles=["trainer", "auditor"])
    browser = Client()
    browser.force_login(trainer)
    assert browser.get("/").status_code == 200
    with journals("account.closed", rows={"competence.account", "competence.role"}, reason="Retired"):
        closed = close_account(by=admin, account=trainer, reason="Retired")
    assert closed.held_roles == []
    assert browser.get("/").status_code == 302
    typed = {"username": trainer.username, "password": factories.PASSWORD}
    answer = Client().post("/sign-in/", typed)
    assert answer.status_code == 200
    assert "_auth_user_id" not in answer.client.session


def test_whoever_comes_back_signs_in_and_is_given_roles_anew(admin):
    trainer = factories.AccountFactory(roles=["trainer"])
    close_account(by=admin, account=trainer, reason="Retired")
    with journals("account.opened_again"):
        reopened = reopen_account(by=admin, account=trainer, reason="Came back")
    assert reopened.is_active
    assert reopened.held_roles == []


def test_refused_in_plain_words(admin):
    operator = factories.AccountFactory(operator=factories.OperatorFactory())
    trainer = factories.AccountFactory(roles=["trainer"])
    close_account(by=admin, account=trainer, reason="Retired")
    for account, told in [
        (admin, "Nobody closes their own"),
        (operator, "Make the operator's entry not active"),
        (trainer, "closed already"),
    ]:
        with journals(None), pytest.raises(ActionRefused, match=told):
            close_account(by=admin, account=account, reason="Why not")


def test_a_site_admin_of_one_site_closes_nobody_of_every_site():
    site = factories.SiteFactory()
    local = factories.AccountFactory(roles=[("site_admin", site)])
    with pytest.raises(NotAllowed):
        close_account(by=local, account=factories.AccountFactory(roles=["trainer"]), reason="Retired")


def test_nobody_is_called_back_under_an_entry_that_was_erased(admin):
    person = factories.OperatorFactory()
    ErasureFactory(operator=person)
    state = person.state
    with pytest.raises(ActionRefused, match="entered anew"):
        change_operator(
            by=admin,
            operator=person,
            employer=state.employer,
            site=state.site,
            is_active=False,
            reason="Back",
        )
    with pytest.raises(ActionRefused, match="entered anew"):
        correct_operator(
            by=admin,
            operator=person,
            given_name="A",
            family_name="B",
            started_on=person.started_on,
            reason="Back",
        )
    with pytest.raises(ActionRefused, match="entered anew"):
        open_account(by=admin, username="back", password="walk-round-first", operator=person)
