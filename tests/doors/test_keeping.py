"""The doors of keeping: what is past, taking out, erasing, and what verifying says of it after."""

import json
import zipfile
from io import BytesIO

import pytest
from django.test import Client
from django.urls import reverse

from competence.models import Erasure, KeepingRule, Look
from tests import factories
from tests.actions.journalled_register import write_journal
from tests.actions.test_erasures import leave

pytestmark = pytest.mark.django_db


def browser(account):
    client = Client()
    client.force_login(account)
    return client


@pytest.fixture
def admin():
    return browser(factories.AccountFactory(roles=["site_admin"]))


@pytest.fixture
def gone():
    person = factories.OperatorFactory(number="QX-7", given_name="Ottoline", family_name="Farrow")
    leave(person, 100)
    return person


def test_the_page_names_who_is_past_their_time_and_leads_to_erasing(admin, gone):
    write_journal()
    assert "Ottoline Farrow (QX-7)" in admin.get("/keeping/").content.decode()
    assert (
        reverse("keeping-person-erase", args=["QX-7"]) in admin.get("/keeping/people/QX-7/").content.decode()
    )
    page = admin.get("/keeping/people/QX-7/erase/").content.decode()
    assert "Operator number, given name, family name" in page
    answer = admin.post("/keeping/people/QX-7/erase/", {"why": "Asked for it", "typed": "qx-7"}, follow=True)
    assert "Farrow" not in answer.content.decode()
    assert "Asked for it" in answer.content.decode()
    told = admin.post("/journal/verify/").content.decode()
    assert "All is as it was written" in told
    assert "Asked for it" in told


def test_while_something_is_kept_the_page_says_what_and_nothing_can_be_sent(admin, gone):
    factories.EvidenceFactory(operator=gone, kind="refresher")
    write_journal()
    page = admin.get("/keeping/people/QX-7/erase/").content.decode()
    assert "Refreshers: kept to" in page
    assert "for good" not in page
    answer = admin.post("/keeping/people/QX-7/erase/", {"why": "Asked for it", "typed": "QX-7"})
    assert "Nothing was erased" in answer.content.decode()
    assert not Erasure.objects.exists()


def test_operators_take_out_their_own_and_it_is_noted(gone):
    person = factories.OperatorFactory()
    account = factories.AccountFactory(operator=person)
    answer = browser(account).post(reverse("my-held"))
    assert "record.json" in zipfile.ZipFile(BytesIO(answer.content)).namelist()
    look = Look.objects.get()
    assert (look.kind, look.operator, look.by) == ("access", person, account)


@pytest.mark.parametrize("role", ["trainer", "site_admin", "auditor"])
def test_staff_take_out_their_own_from_the_start_page_and_it_is_noted(role):
    account = factories.AccountFactory(roles=[role], first_name="Ottoline", last_name="Farrow")
    page = browser(account).get(reverse("home")).content.decode()
    assert f'action="{reverse("my-held")}"' in page
    answer = browser(account).post(reverse("my-held"))
    told = zipfile.ZipFile(BytesIO(answer.content)).read("record.json").decode()
    assert json.loads(told)["about"] == "Ottoline Farrow"
    assert "pbkdf2" not in told
    assert "password" not in told
    look = Look.objects.get()
    assert (look.kind, look.by, look.asked) == ("access", account, {"account": account.pk})


def test_a_rule_of_the_firm_is_kept_and_shown(admin):
    site = factories.SiteFactory()
    sent = {"kind": "check", "site": site.pk, "months": 36, "anchor": "made", "source": "Procedure 4"}
    page = admin.post("/keeping/rules/new/", sent, follow=True).content.decode()
    assert KeepingRule.objects.get().months == 36
    assert f"Policy: Procedure 4 ({site.code})" in page
    assert "3 years from the day itself" in page


def test_a_photograph_that_is_not_there_is_not_found(admin):
    for label, key in [("competence.finding", "no-number"), ("competence.site", "1"), ("nothing", "1")]:
        door = reverse("keeping-record-erase", args=[label, key, "photograph"])
        assert admin.get(door).status_code == 404
