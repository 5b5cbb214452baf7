"""The operators' list and record, and the acts that keep them, as people meet them on screen."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from competence.models import Employer, Operator
from tests.factories import (
    EvidenceFactory,
    OperatorFactory,
    OperatorStateFactory,
    RefusalFactory,
    TicketEventFactory,
    TicketFactory,
    plain_standard,
)
from tests.factories.base import days_ago, moment_ago

from .people_world import people_world

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    return people_world()


@pytest.fixture
def asked(client, world):
    """``asked(account, name, ...)``: the page as that account gets it."""

    def ask(account, name, *args, follow=True, **query):
        client.force_login(account)
        return client.get(reverse(name, args=args), query, follow=follow)

    return ask


@pytest.fixture
def posted(client, world):
    def post(account, name, *args, **data):
        client.force_login(account)
        return client.post(reverse(name, args=args), data, follow=True)

    return post


def names_on(page):
    return {row.operator.number for row in page.context["rows"]}


def test_the_list_shows_the_people_of_ones_own_sites_only(asked, world):
    OperatorFactory(number="FAR", site=world.other_site)
    assert names_on(asked(world.trainer, "operator-list")) == {"OP1", "OP2"}
    assert names_on(asked(world.far_trainer, "operator-list")) == {"FAR"}
    assert names_on(asked(world.head, "operator-list")) == {"OP1", "OP2", "FAR"}


@pytest.mark.parametrize("text", ["ada", "ashworth", "ada ash", "op1", "Ashworth Ada"])
def test_somebody_is_found_by_any_part_of_name_or_number(asked, world, text):
    assert names_on(asked(world.trainer, "operator-list", q=text)) == {"OP1"}


@pytest.mark.parametrize(
    ("state", "ticket"),
    [
        ("in_force", {}),
        ("ends_30", {"first_day": days_ago(100), "last_day": days_ago(-30)}),
        ("ends_90", {"first_day": days_ago(100), "last_day": days_ago(-89)}),
        ("ended", {"first_day": days_ago(100), "last_day": days_ago(2)}),
        ("suspended", {"is_suspended": True}),
        ("withdrawn", {"is_withdrawn": True}),
        ("not_started", {"first_day": days_ago(-3)}),
    ],
)
def test_the_list_is_narrowed_by_what_a_ticket_amounts_to_today(asked, world, state, ticket):
    fits = OperatorFactory(number="FITS", site=world.site)
    TicketFactory(operator=fits, category=world.category, **ticket)
    found = names_on(asked(world.trainer, "operator-list", state=state))
    assert "FITS" in found
    assert "OP2" not in found
    assert ("OP1" in found) == (state == "in_force")


def test_no_ticket_means_none_that_was_not_withdrawn(asked, world):
    gone = OperatorFactory(number="GONE", site=world.site)
    TicketFactory(operator=gone, is_withdrawn=True)
    assert names_on(asked(world.trainer, "operator-list", state="none")) == {"OP2", "GONE"}


def test_the_other_filters_narrow_too(asked, world):
    firm = world.operator.state.employer
    assert names_on(asked(world.trainer, "operator-list", employer=firm.pk)) == {"OP1"}
    assert names_on(asked(world.trainer, "operator-list", category="dumper")) == {"OP1"}
    assert names_on(asked(world.trainer, "operator-list", site="OTHER")) == set()
    OperatorStateFactory(operator=world.newcomer, is_active=False)
    assert names_on(asked(world.trainer, "operator-list")) == {"OP1"}
    assert names_on(asked(world.trainer, "operator-list", active="no")) == {"OP2"}


@pytest.mark.parametrize(
    "query",
    [
        {"state": "odd"},
        {"state": "ends_soon"},
        {"employer": "x"},
        {"employer": "9" * 20},
        {"page": "999"},
        {"page": "x"},
    ],
)
def test_a_filter_that_makes_no_sense_is_no_error(asked, world, query):
    assert asked(world.trainer, "operator-list", **query).status_code == 200


def statements(client, account, url):
    """How many statements the page takes, signing in left out."""
    client.force_login(account)
    with CaptureQueriesContext(connection) as captured:
        assert client.get(url).status_code == 200
    return len(captured)


def test_the_list_takes_as_many_statements_for_forty_people_as_for_two(client, world):
    url = reverse("operator-list") + "?state=in_force"
    few = statements(client, world.trainer, url)
    for operator in OperatorFactory.create_batch(40, site=world.site):
        TicketFactory.create_batch(2, operator=operator)
    assert statements(client, world.trainer, url) == few <= 15


def test_the_record_takes_as_many_statements_whatever_the_history(client, world):
    url = reverse("operator", args=["OP1"])
    few = statements(client, world.trainer, url)
    for kind in ("medical", "practical", "familiarisation", "induction"):
        EvidenceFactory.create_batch(3, operator=world.operator, kind=kind)
    EvidenceFactory(operator=world.operator, corrects=world.evidence)
    for ticket in TicketFactory.create_batch(4, operator=world.operator):
        TicketEventFactory(ticket=ticket, kind="suspended")
        TicketEventFactory(ticket=ticket, kind="reinstated")
        plain_standard(ticket.category)
    OperatorStateFactory.create_batch(3, operator=world.operator)
    RefusalFactory.create_batch(3, operator=world.operator)
    assert statements(client, world.trainer, url) == few <= 24


def test_the_record_says_what_is_missing_and_what_is_met(asked, world):
    says = {
        line.what: (line.is_met, line.says)
        for line in asked(world.trainer, "operator", "OP1").context["lasting"]
    }
    assert says["Medical"][0]
    assert says["Medical"][1].startswith("Met to ")
    assert says["Site induction: Home Quarry"] == (False, "Not on record")


def test_the_line_of_time_flags_what_was_written_down_later(asked, world):
    TicketEventFactory(
        ticket=world.ticket,
        kind="suspended",
        effective_at=moment_ago(5),
        recorded_at=timezone.now(),
    )
    years = asked(world.auditor, "operator", "OP1").context["years"]
    happenings = [happening for year in years for happening in year.happenings]
    assert [year.year for year in years] == sorted({year.year for year in years}, reverse=True)
    assert [h.recorded_later != "" for h in happenings if h.what.startswith("Suspended")] == [True]
    keys = [h.sort_key[0] for h in happenings]
    assert keys == sorted(keys, reverse=True)


def test_corrected_and_struck_out_evidence_stays_visible(asked, world):
    EvidenceFactory(
        operator=world.operator, corrects=world.evidence, strikes_out=True, reason="Another person's."
    )
    page = asked(world.auditor, "operator", "OP1").content.decode()
    assert "Struck out" in page
    assert "Another person&#x27;s." in page


def test_an_auditor_sees_the_record_and_no_button_to_change_it(asked, world):
    page = asked(world.auditor, "operator", "OP1").content.decode()
    assert reverse("evidence-new", args=["OP1"]) not in page
    assert reverse("operator-change", args=["OP1"]) not in page
    assert reverse("ticket-issue", args=["OP1"]) not in page
    assert reverse("ticket-issue", args=["OP1"]) in asked(world.trainer, "operator", "OP1").content.decode()


@pytest.mark.parametrize(
    "name", ["operator", "operator-change", "operator-correct", "evidence-new", "ticket-issue", "account-new"]
)
def test_an_unknown_number_is_a_page_that_says_so(asked, world, name):
    world.trainer.roles.create(name="site_admin", site=world.site)
    assert asked(world.trainer, name, "NOBODY").status_code == 404


def test_a_person_is_entered_and_a_taken_number_keeps_what_was_typed(posted, world):
    firm = Employer.objects.first()
    typed = {
        "number": "OP9",
        "given_name": "Carys",
        "family_name": "Carrow",
        "employer": firm.pk,
        "site": world.site.pk,
        "started_on": "2026-01-05",
    }
    page = posted(world.site_admin, "operator-new", **typed)
    assert page.context["operator"].name == "Carys Carrow"
    again = posted(world.site_admin, "operator-new", **typed)
    assert again.context["form"].errors["number"] == ["Operator number OP9 is taken."]
    assert 'value="Carrow"' in again.content.decode()
    assert Operator.objects.filter(number="OP9").count() == 1


def test_another_site_is_not_offered_to_a_site_admin_of_one(asked, posted, world):
    for page in (asked(world.site_admin, "operator-new"), asked(world.site_admin, "operator-change", "OP1")):
        assert list(page.context["form"].fields["site"].queryset) == [world.site]
    state = world.operator.state
    typed = {"site": world.other_site.pk, "employer": state.employer_id, "is_active": "on", "reason": "Moved"}
    page = posted(world.site_admin, "operator-change", "OP1", **typed)
    assert list(page.context["form"].errors) == ["site"]


def test_a_change_needs_a_reason_and_no_day_to_come(posted, world):
    state = world.operator.state
    typed = {"site": state.site_id, "employer": state.employer_id, "effective_at": "2999-01-01T10:00"}
    page = posted(world.site_admin, "operator-change", "OP1", **typed)
    assert "reason" in page.context["form"].errors
    page = posted(world.site_admin, "operator-change", "OP1", reason="Left us", **typed)
    assert page.context["form"].errors["effective_at"] == ["A change takes effect no later than now."]
    assert "Left us" in page.content.decode()
    posted(world.site_admin, "operator-change", "OP1", reason="Left us", **{**typed, "effective_at": ""})
    world.operator.refresh_from_db()
    world.operator_account.refresh_from_db()
    assert not world.operator.state.is_active
    assert not world.operator_account.is_active


def test_a_name_is_corrected_and_the_correction_is_on_the_line_of_time(posted, world):
    page = posted(
        world.site_admin,
        "operator-correct",
        "OP1",
        given_name="Adah",
        family_name="Ashworth",
        started_on="2025-01-06",
        reason="Misspelt on entry",
    )
    assert page.context["operator"].name == "Adah Ashworth"
    assert "Misspelt on entry" in [h.why for year in page.context["years"] for h in year.happenings]
