"""The set-up: five kinds of row through Django's admin, every change by the action, nothing deleted."""

import pytest
from django.contrib.admin.models import LogEntry
from django.urls import NoReverseMatch, reverse

from competence.models import Employer, JournalEntry, MinimumCover, Site
from tests.factories import AccountFactory, CategoryFactory, EmployerFactory, SiteFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def admin(client):
    account = AccountFactory(roles=["site_admin"])
    client.force_login(account)
    return account


def test_what_is_kept_goes_through_the_action_and_its_journal(client, admin):
    answer = client.post(reverse("setup:competence_employer_add"), {"name": "Fellside Plant Hire"})
    assert answer.status_code == 302
    assert Employer.objects.get().name == "Fellside Plant Hire"
    entry = JournalEntry.objects.get()
    assert (entry.action, entry.by) == ("employer.kept", admin)
    assert not LogEntry.objects.exists()


def test_a_change_is_journalled_and_leads_back_to_the_list(client, admin):
    site = SiteFactory(zone="Europe/London")
    answer = client.post(
        reverse("setup:competence_site_change", args=[site.pk]),
        {"name": "Thornbeck Quarry", "zone": "Australia/Brisbane"},
        follow=True,
    )
    site.refresh_from_db()
    assert (site.name, site.zone) == ("Thornbeck Quarry", "Australia/Brisbane")
    assert "Thornbeck Quarry" in answer.content.decode()
    assert JournalEntry.objects.get().action == "site.kept"


def test_a_code_sent_along_changes_nothing(client, admin):
    site = SiteFactory(code="THORN")
    client.post(
        reverse("setup:competence_site_change", args=[site.pk]),
        {"code": "OTHER", "name": site.name, "zone": site.zone},
    )
    assert Site.objects.get().code == "THORN"


@pytest.mark.parametrize("zone", ["Mars/Olympus", "", "London"])
def test_bad_input_is_told_beside_its_field_and_journals_nothing(client, admin, zone):
    fields = {"code": "THORN", "name": "Thornbeck Quarry", "zone": zone}
    answer = client.post(reverse("setup:competence_site_add"), fields)
    assert answer.status_code == 200
    assert "zone" in answer.context["adminform"].form.errors
    assert "Thornbeck Quarry" in answer.content.decode()
    assert not JournalEntry.objects.exists()


def test_minimum_cover_is_kept_once_for_a_site_and_category(client, admin):
    fields = {"site": SiteFactory().pk, "category": CategoryFactory().pk, "operators": "3"}
    url = reverse("setup:competence_minimumcover_add")
    assert client.post(url, fields).status_code == 302
    assert client.post(url, fields).status_code == 200
    assert MinimumCover.objects.get().operators == 3


def test_an_empty_list_leads_to_entering_the_first(client, admin):
    text = client.get(reverse("setup:competence_employer_changelist")).content.decode()
    assert text.count(f'href="{reverse("setup:competence_employer_add")}"') == 2


@pytest.mark.parametrize("door", ["delete", "history"])
def test_there_is_no_door_to_delete_or_to_another_history(door):
    with pytest.raises(NoReverseMatch):
        reverse(f"setup:competence_employer_{door}", args=[1])


def test_a_deletion_sent_as_an_action_of_the_list_deletes_nothing(client, admin):
    employer = EmployerFactory()
    client.post(
        reverse("setup:competence_employer_changelist"),
        {"action": "delete_selected", "_selected_action": [employer.pk], "post": "yes"},
    )
    assert Employer.objects.filter(pk=employer.pk).exists()


def test_nobody_needs_a_flag_of_django_s_and_nobody_gets_in_by_one(client):
    account = AccountFactory(roles=["trainer"], is_staff=True, is_superuser=True)
    client.force_login(account)
    assert client.get(reverse("setup:index")).status_code == 403


def test_who_is_not_signed_in_signs_in_by_the_register_s_own_page(client):
    answer = client.get(reverse("setup:index"))
    assert answer["Location"].startswith(reverse("sign-in"))


def test_a_row_that_is_not_there_leads_back(client, admin):
    assert client.get(reverse("setup:competence_site_change", args=[999])).status_code == 302


def test_the_lists_ask_the_same_number_of_questions_whatever_their_length(
    client, admin, django_assert_max_num_queries
):
    url = reverse("setup:competence_minimumcover_changelist")
    client.get(url)
    with django_assert_max_num_queries(8):
        client.get(url)
    for _ in range(5):
        MinimumCover.objects.create(site=SiteFactory(), category=CategoryFactory(), operators=2)
    with django_assert_max_num_queries(8):
        client.get(url)
