"""The journal's pages: the checkpoint for everybody with the right, entries for who holds it everywhere."""

import pytest
from django.db import transaction
from django.urls import reverse

from competence.actions.journal import record, seal
from competence.actions.setup import keep_setup
from competence.models import Employer, JournalEntry, JournalledRow
from competence.queries.journal_rows import journalled_models
from tests.factories import AccountFactory, FindingFactory, SiteFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def admin():
    return AccountFactory(roles=["site_admin"], username="rhona", first_name="Rhona", last_name="Ashgill")


@pytest.fixture
def auditor():
    return AccountFactory(roles=["auditor"])


@pytest.fixture
def entry(admin, auditor):
    """A register that is whole: the accounts are journalled, then one employer is kept, then sealed."""
    rows = [row for model in journalled_models() for row in model._base_manager.all()]
    record(by=None, action="register.begun", rows=rows)
    keep_setup(by=admin, row=Employer(name="Fellside Plant Hire"), reason="New on site.")
    seal()
    return JournalEntry.objects.latest("pk")


def test_the_entries_are_shown_newest_first_in_words(client, auditor, entry):
    client.force_login(auditor)
    answer = client.get(reverse("journal"))
    assert [what for _, what in answer.context["rows"]] == ["Employer kept", "Register begun"]
    text = answer.content.decode()
    assert "Rhona Ashgill" in text
    assert "New on site." in text
    assert answer.context["stated"]["root"] in text


def test_the_entries_are_narrowed_by_who_what_and_when(client, auditor, entry):
    client.force_login(auditor)

    def numbers(**asked):
        return [one.pk for one, _ in client.get(reverse("journal"), asked).context["rows"]]

    day = entry.at.date().isoformat()
    assert numbers(by="rhona") == [entry.pk]
    assert numbers(action="register.begun") == [entry.pk - 1]
    assert len(numbers(first=day, last=day)) == 2
    assert numbers(last="2020-01-01") == []
    assert len(numbers(first="2026-02-31")) == 2


def test_the_list_takes_as_many_questions_for_a_long_journal(
    client, admin, auditor, entry, django_assert_num_queries
):
    client.force_login(auditor)
    client.get(reverse("journal"))
    with django_assert_num_queries(9):
        client.get(reverse("journal"))
    for name in "ABCDE":
        keep_setup(by=admin, row=Employer(name=f"Firm {name}"))
    with django_assert_num_queries(9):
        client.get(reverse("journal"))


def test_a_role_at_one_site_sees_the_checkpoint_and_no_entry(client, entry):
    client.force_login(AccountFactory(roles=[("auditor", SiteFactory())]))
    answer = client.get(reverse("journal"))
    assert answer.context["stated"]["root"] in answer.content.decode()
    assert b"Employer kept" not in answer.content
    assert client.get(reverse("journal-entry", args=[entry.pk])).status_code == 403
    assert client.post(reverse("journal-bundle"), {"entries": entry.pk}).status_code == 403


def test_an_entry_shows_its_rows_and_says_when_they_were_erased(client, auditor, entry):
    client.force_login(auditor)
    url = reverse("journal-entry", args=[entry.pk])
    assert b"Fellside Plant Hire" in client.get(url).content
    JournalledRow.objects.filter(entry=entry).update(content=None, salt=None)
    assert b"The content was erased" in client.get(url).content


def test_an_entry_of_a_check_is_a_line_a_point_with_the_rest_folded(
    client, auditor, django_assert_max_num_queries
):
    finding = FindingFactory()
    finding.daily_check.verdict = {"is_allowed": True, "facts": {"person": None}}
    with transaction.atomic():
        entry = record(by=None, action="check.submitted", rows=[finding.daily_check, finding])
    client.force_login(auditor)
    with django_assert_max_num_queries(9):
        page = client.get(reverse("journal-entry", args=[entry.pk])).content.decode()
    assert f"{finding.listed.point.title}: {finding.answer.replace('_', ' ')}" in page
    assert "{&#x27;is_allowed" not in page
    assert "&quot;is_allowed&quot;: true" in page
    assert "columns left empty" in page


def test_a_whole_register_is_verified(client, auditor, entry):
    # The session that signing in makes is no record; the sign-in's own moment is left out of images.
    client.force_login(auditor)
    answer = client.post(reverse("journal-verify"))
    text = answer.content.decode()
    assert "All is as it was written" in text
    assert f"Nothing was altered since the first entry, of {entry.at:%-d %B %Y}." in text


def test_an_altered_row_is_named_to_who_may_read_it_and_counted_to_others(client, auditor, entry):
    Employer.objects.update(name="Altered Plant Hire")
    client.force_login(auditor)
    text = client.post(reverse("journal-verify")).content.decode()
    assert "Something is not as it was written" in text
    assert "Altered Plant Hire" in text
    assert "A record in the register was changed and no entry of the journal says so." in text
    assert "first 2 entries still make what was signed on" in text


def test_an_alteration_is_counted_to_a_role_at_one_site_without_its_contents(client, entry):
    Employer.objects.update(name="Altered Plant Hire")
    client.force_login(AccountFactory(roles=[("trainer", SiteFactory())]))
    text = client.post(reverse("journal-verify")).content.decode()
    assert "Something is not as it was written" in text
    assert "Altered row" in text
    assert "Altered Plant Hire" not in text


def test_verifying_is_asked_for_and_never_done_by_a_link(client, auditor, entry):
    client.force_login(auditor)
    assert client.get(reverse("journal-verify")).status_code == 405
