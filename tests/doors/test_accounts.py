"""Accounts, roles and passwords on screen."""

import pytest
from django.contrib.auth import authenticate
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from zeal import zeal_ignore

from competence.models import Account, Appointment, JournalEntry, Role
from tests.factories import PASSWORD, AccountFactory
from tests.factories.base import days_ago

from .people_world import people_world

pytestmark = pytest.mark.django_db
LONG = "a long one for Bram"


@pytest.fixture
def world():
    return people_world()


@pytest.fixture
def get(client):
    def ask(account, name, *args, **query):
        client.force_login(account)
        return client.get(reverse(name, args=args), query)

    return ask


@pytest.fixture
def post(client):
    def send(account, name, /, *args, **data):
        client.force_login(account)
        return client.post(reverse(name, args=args), data, follow=True)

    return send


def signs_in(client, username, password):
    return client.post(reverse("sign-in"), {"username": username, "password": password}).status_code == 302


def errors(page, which="form"):
    return {field: list(said) for field, said in page.context[which].errors.items()}


def test_an_operators_account_comes_with_their_role_at_their_home_site(post, world):
    page = post(world.site_admin, "account-new", "OP2", username="bram", password=LONG)
    assert page.context["operator"] == world.newcomer
    role = Role.objects.get(account__username="bram")
    assert (role.name, role.site) == ("operator", world.site)
    assert signs_in(Client(), "bram", LONG)


def test_a_weak_password_or_a_taken_name_stands_beside_its_field(post, world):
    taken = world.trainer.username
    page = post(world.site_admin, "account-new", "OP2", username=taken, password=LONG)
    assert "is taken" in errors(page)["username"][0]
    page = post(
        world.site_admin, "account-new", "OP2", username="bram", password="short", phone="01632 960111"
    )
    assert "password" in errors(page)
    assert 'value="01632 960111"' in page.content.decode()
    assert not Account.objects.filter(operator=world.newcomer).exists()


def test_a_staff_account_is_opened_and_given_a_role_where_one_may(post, world):
    typed = {"given_name": "Carys", "family_name": "Carrow", "username": "carys", "password": LONG}
    page = post(world.site_admin, "account-staff-new", **typed)
    assert page.context["account"].username == "carys"
    post(world.site_admin, "account", "carys", do="role", name="auditor", site=world.site.pk)
    role = Role.objects.get(account__username="carys")
    assert (role.name, role.site) == ("auditor", world.site)


@pytest.mark.parametrize("where", ["", "every", "0", "nowhere"])
def test_a_role_is_never_given_wider_than_was_chosen_and_may_be(post, world, where):
    """An empty choice must not read as every site."""
    page = post(world.site_admin, "account", world.auditor.username, do="role", name="trainer", site=where)
    assert list(errors(page, "asked")) == ["site"]
    assert world.auditor.roles.count() == 1


def test_a_head_may_give_a_role_for_every_site(post, world):
    post(world.head, "account", world.auditor.username, do="role", name="auditor", site="every")
    assert world.auditor.roles.filter(site=None).exists()


def test_an_account_of_another_site_is_not_opened(get, world):
    assert get(world.site_admin, "account", world.far_trainer.username).status_code == 403
    assert get(world.site_admin, "account", "nobody").status_code == 404
    listed = {account.username for account in get(world.site_admin, "account-list").context["page"]}
    assert world.trainer.username in listed
    assert world.far_trainer.username not in listed


def test_a_new_password_signs_the_person_out_everywhere(post, world):
    elsewhere = Client()
    assert signs_in(elsewhere, world.trainer.username, PASSWORD)
    post(world.site_admin, "account", world.trainer.username, do="password", password=LONG)
    # Django reads the dead session, ends it and looks again; zeal takes that for reading row by row.
    with zeal_ignore():
        assert elsewhere.get(reverse("operator-list")).status_code == 302
    assert signs_in(Client(), world.trainer.username, LONG)
    assert JournalEntry.objects.get().action == "account.password_set"


def test_a_role_is_ended_with_a_reason(post, world):
    role = world.trainer.roles.get()
    args = (world.trainer.username, role.pk)
    assert "reason" in errors(post(world.site_admin, "role-end", *args, reason=""))
    post(world.site_admin, "role-end", *args, reason="Moved on")
    role.refresh_from_db()
    assert role.ended_at
    assert get_status(world.trainer) == 403


def get_status(account):
    client = Client()
    client.force_login(account)
    return client.get(reverse("operator-list")).status_code


def test_one_changes_ones_own_password_and_stays_signed_in(client, world):
    client.force_login(world.auditor)
    typed = {"old_password": "wrong", "new_password1": LONG, "new_password2": LONG}
    page = client.post(reverse("password-change"), typed)
    assert list(errors(page)) == ["old_password"]
    page = client.post(reverse("password-change"), {**typed, "old_password": PASSWORD}, follow=True)
    assert page.redirect_chain[-1][0] == reverse("home")
    assert client.get(reverse("operator-list")).status_code == 200
    assert [(e.action, e.by) for e in JournalEntry.objects.all()] == [("account.password_set", world.auditor)]


def test_an_appointment_is_made_listed_and_replaced(get, post, world):
    typed = {
        "account": world.trainer.pk,
        "category": world.category.pk,
        "first_day": days_ago(1),
        "last_day": days_ago(-300),
        "duties": "Assesses at the machine",
    }
    backwards = post(world.head, "appointment-new", **{**typed, "last_day": days_ago(9)})
    assert errors(backwards)["last_day"] == ["The last day is before the first day."]
    post(world.head, "appointment-new", **typed)
    page = post(world.head, "appointment-new", **{**typed, "last_day": days_ago(0)})
    assert [row.word for row in page.context["rows"]] == ["In force", "Replaced"]
    assert Appointment.objects.count() == 2
    assert not get(world.site_admin, "appointment-list").context["may_appoint"]


def test_the_accounts_list_takes_as_many_statements_for_many(client, world):
    def statements():
        client.force_login(world.head)
        with CaptureQueriesContext(connection) as captured:
            client.get(reverse("account-list"))
        return len(captured)

    few = statements()
    AccountFactory.create_batch(20, roles=["auditor", ("trainer", world.site)])
    assert statements() == few <= 8


@pytest.mark.parametrize("typed", ["t-101", "T-101", " T-101 "])
def test_somebody_signs_in_by_the_number_as_it_is_printed(client, rf, typed):
    """On the label, the card and every page it is T-101; the sign-in name is t-101."""
    account = AccountFactory(username="t-101")
    page = client.post(reverse("sign-in"), {"username": typed, "password": PASSWORD})
    assert page.status_code == 302
    assert int(client.session["_auth_user_id"]) == account.pk
    request = rf.post("/")
    # The supervising operator and the second assessor sign in by the same door.
    assert authenticate(request, username=typed, password=PASSWORD) == account
    assert authenticate(request, username=typed, password=PASSWORD.upper()) is None


def test_a_wrong_sign_in_is_told_in_plain_words(client):
    AccountFactory(username="t-101")
    page = client.post(reverse("sign-in"), {"username": "T-101", "password": "not the password"})
    assert "This name and password do not go together" in page.content.decode()
    assert "_auth_user_id" not in client.session


def test_ones_own_page_offers_no_role_and_a_posted_one_is_refused(get, client, world):
    page = get(world.head, "account", world.head.username).content.decode()
    assert "Nobody gives themself a role" in page
    assert "Give the role" not in page
    assert "Give the role" in get(world.head, "account", world.trainer.username).content.decode()
    client.force_login(world.head)
    url = reverse("account", args=[world.head.username])
    refused = client.post(url, {"do": "role", "name": "trainer", "site": "every"})
    assert "Nobody gives themself a role" in str(refused.context["asked"].errors["name"])
    assert not world.head.roles.filter(name="trainer").exists()
