"""Tickets and evidence on screen: what each page says, what it refuses, and that nothing typed is lost."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from competence.models import Evidence, Operator, Ticket, TicketEvent
from competence.queries.accounts import accounts_at, appointment_rows
from competence.queries.operators import progress_of
from competence.queries.ticket_lists import counts, names
from competence.rules.reasons import long_date
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    EvidenceFactory,
    FeatureFactory,
    SiteFactory,
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
def get(client):
    def ask(account, name, *args, **query):
        client.force_login(account)
        return client.get(reverse(name, args=args), query)

    return ask


@pytest.fixture
def post(client):
    def send(account, name, *args, query="", **data):
        client.force_login(account)
        return client.post(reverse(name, args=args) + query, data, follow=True)

    return send


def errors(page):
    return {field: list(said) for field, said in page.context["form"].errors.items()}


def give_full_evidence(world, operator, *, by=None, on=None):
    for kind in ("practical", "paper"):
        EvidenceFactory(
            operator=operator,
            kind=kind,
            category=world.category,
            recorded_by=by or world.far_trainer,
            occurred_on=on or days_ago(30),
        )


# The list ------------------------------------------------------------------------------------------------


def test_the_list_shows_ones_own_sites_soonest_end_first(get, world):
    TicketFactory(number="FAR-1", operator__site=world.other_site)
    TicketFactory(number="SOON", operator=world.newcomer, last_day=days_ago(-10))
    rows = get(world.trainer, "ticket-list").context["rows"]
    assert [row.ticket.number for row in rows] == ["SOON", "OP1-1"]


def test_the_list_is_narrowed_by_end_and_by_state(get, world):
    TicketFactory(number="SOON", operator=world.newcomer, last_day=days_ago(-10))

    def found(**query):
        return [row.ticket.number for row in get(world.trainer, "ticket-list", **query).context["rows"]]

    assert found(state="ends_30") == ["SOON"]
    assert found(ends_to=days_ago(-10)) == ["SOON"]
    assert found(ends_from=days_ago(-11)) == ["OP1-1"]
    assert found(q="ashworth") == ["OP1-1"]
    assert found(category="dumper") == ["OP1-1"]
    assert found(ends_to="tomorrow", state="ends_soon") == ["SOON", "OP1-1"]


def test_the_list_and_the_ticket_take_as_many_statements_however_long(client, world):
    def statements(url):
        client.force_login(world.trainer)
        with CaptureQueriesContext(connection) as captured:
            assert client.get(url).status_code == 200
        return len(captured)

    pages = [reverse("ticket-list") + "?state=in_force", reverse("ticket", args=["OP1-1"]) + "?at="]
    few = [statements(url) for url in pages]
    TicketFactory.create_batch(30, operator__site=world.site)
    for _ in range(5):
        wrong = TicketEventFactory(ticket=world.ticket, kind="suspended")
        TicketEventFactory(ticket=world.ticket, kind="corrected", corrects=wrong, strikes_out=True)
    assert [statements(url) for url in pages] == few
    assert max(few) <= 14


def test_a_ticket_that_ends_today_on_the_sites_calendar_is_still_in_force(get, world, time_machine):
    """23:30 in Auckland is noon in UTC: the day is the site's, not the server's."""
    site = SiteFactory(zone="Pacific/Auckland")
    time_machine.move_to(datetime(2026, 3, 10, 23, 30, tzinfo=ZoneInfo("Pacific/Auckland")), tick=False)
    held = TicketFactory(
        operator__site=site, first_day=datetime(2025, 1, 1).date(), last_day=datetime(2026, 3, 10).date()
    )
    assert get(world.head_trainer, "ticket", held.number).context["row"].state.word == "Ends today"
    time_machine.move_to(datetime(2026, 3, 11, 0, 30, tzinfo=ZoneInfo("Pacific/Auckland")), tick=False)
    assert get(world.head_trainer, "ticket", held.number).context["row"].state.word == "Ended"
    listed = get(world.head_trainer, "ticket-list", state="ended").context["rows"]
    assert [row.ticket.number for row in listed] == [held.number]


# One ticket ----------------------------------------------------------------------------------------------


def test_a_correction_stands_beside_the_event_that_it_corrects(get, world):
    wrong = TicketEventFactory(ticket=world.ticket, kind="suspended")
    TicketEventFactory(
        ticket=world.ticket, kind="corrected", corrects=wrong, strikes_out=True, reason="Wrong man"
    )
    issued, suspended = get(world.auditor, "ticket", "OP1-1").context["happenings"]
    assert not issued.is_corrected
    assert suspended.is_corrected
    assert [correction.why for correction in suspended.corrections] == ["Wrong man"]


def test_conditions_are_said_in_words(get, world):
    FeatureFactory(code="tilt-bucket", name="Tilt bucket", kind="attachment")
    held = TicketFactory(
        operator=world.newcomer,
        conditions={
            "sites": ["HOME"],
            "max_operating_mass_kg": 30000,
            "attachments": ["tilt-bucket"],
            "daylight_only": True,
        },
    )
    assert get(world.trainer, "ticket", held.number).context["row"].conditions == [
        "Only at Home Quarry.",
        "Operating mass up to 30,000 kg.",
        "With these attachments only: Tilt bucket.",
        "In daylight only.",
    ]


def test_the_two_times_have_two_answers(get, world):
    """Suspended five days ago, written down today: in force as it was known then, suspended as known now."""
    TicketEventFactory(
        ticket=world.ticket, kind="suspended", effective_at=moment_ago(5), recorded_at=timezone.now()
    )
    then = timezone.localtime(moment_ago(3), ZoneInfo("Europe/London")).strftime("%Y-%m-%dT%H:%M")

    def answer(**query):
        return get(world.auditor, "ticket", "OP1-1", **query).context["answer"]

    assert answer(at=then)["state"].word == "Suspended"
    assert answer(at=then, known_at=then)["state"].word == "In force"
    assert answer(at="2001-01-01T10:00")["state"] is None


@pytest.mark.parametrize("typed", ["yesterday", "2026-13-01T10:00", "2026-03-29T01:30"])
def test_a_moment_that_never_was_is_an_error_beside_its_field(get, world, typed):
    """The last one falls in the hour that Britain skipped on 29 March 2026."""
    page = get(world.auditor, "ticket", "OP1-1", at=typed)
    assert page.status_code == 200
    assert list(errors(page)) == ["at"]
    assert page.context["answer"] is None
    assert typed in page.content.decode()


def test_the_buttons_are_those_of_ones_rights(get, world):
    def labels(account):
        return [move["label"] for move in get(account, "ticket", "OP1-1").context["moves"]]

    assert labels(world.trainer) == ["Renew", "Vary", "Suspend", "Withdraw"]
    assert labels(world.site_admin) == ["Suspend"]
    assert labels(world.auditor) == []


@pytest.mark.parametrize(
    "name", ["ticket", "ticket-renew", "ticket-vary", "ticket-suspend", "ticket-reinstate", "ticket-withdraw"]
)
def test_an_unknown_ticket_is_a_page_that_says_so(get, world, name):
    assert get(world.trainer, name, "NONE-1").status_code == 404


# Issue ---------------------------------------------------------------------------------------------------


def typed_issue(world, **more):
    return {"category": world.category.pk, "level": "full", "reason": "Passed", **more}


def test_the_page_says_what_is_missing_before_anybody_tries(get, world):
    (progress,) = get(world.trainer, "ticket-issue", "OP2").context["progress"]
    assert progress.missing == ["Practical assessment", "Question paper"]
    assert not progress.is_begun
    EvidenceFactory(operator=world.newcomer, kind="paper", category=world.category)
    (progress,) = get(world.trainer, "ticket-issue", "OP2").context["begun"]
    assert progress.missing == ["Practical assessment"]


def test_a_full_ticket_without_evidence_is_refused_by_name_and_keeps_what_was_typed(post, world):
    page = post(world.trainer, "ticket-issue", "OP2", **typed_issue(world, max_operating_mass_kg=20000))
    (said,) = errors(page)["level"]
    assert "Practical assessment; Question paper" in said
    assert 'value="20000"' in page.content.decode()
    assert not world.newcomer.tickets.exists()


def test_a_ticket_is_issued_with_its_conditions(post, world):
    give_full_evidence(world, world.newcomer)
    typed = typed_issue(world, limit_sites="on", sites=["HOME"], daylight_only="on")
    page = post(world.trainer, "ticket-issue", "OP2", **typed)
    assert page.context["ticket"].number == "OP2-1"
    assert page.context["row"].conditions == ["Only at Home Quarry.", "In daylight only."]


def test_an_end_before_the_start_stands_beside_the_last_day(post, world):
    typed = typed_issue(world, level="trainee", first_day="2026-05-02", last_day="2026-05-01")
    assert errors(post(world.trainer, "ticket-issue", "OP2", **typed)) == {
        "last_day": ["The last day is before the first day."]
    }


def test_a_ticket_that_runs_on_past_the_standards_term_is_refused(post, world):
    typed = typed_issue(world, level="trainee", last_day="2099-01-01")
    assert "at most" in errors(post(world.trainer, "ticket-issue", "OP2", **typed))["last_day"][0]


def test_a_second_ticket_for_the_same_category_is_refused(post, world):
    page = post(world.trainer, "ticket-issue", "OP1", **typed_issue(world, level="trainee"))
    assert "holds ticket OP1-1" in errors(page)["category"][0]


@pytest.mark.parametrize(
    ("typed", "field"),
    [
        ({"limit_sites": "on"}, "sites"),
        ({"sites": ["HOME"]}, "limit_sites"),
        ({"max_operating_mass_kg": "-3"}, "max_operating_mass_kg"),
        ({"sites": ["NOWHERE"], "limit_sites": "on"}, "sites"),
        ({"category": "999999"}, "category"),
        ({"level": "king"}, "level"),
        ({"first_day": "soon"}, "first_day"),
        ({"reason": ""}, "reason"),
        ({"reason": "x" * 301}, "reason"),
    ],
)
def test_what_cannot_be_read_is_an_error_beside_its_field(post, world, typed, field):
    assert field in errors(post(world.trainer, "ticket-issue", "OP2", **typed_issue(world, **typed)))


# Renew, vary, stop, return -------------------------------------------------------------------------------


def test_the_new_period_is_shown_before_anything_is_written(post, get, world):
    give_full_evidence(world, world.operator, on=days_ago(1))
    words = get(world.trainer, "ticket-renew", "OP1-1").context["consequence"]
    assert f"Assessed on {long_date(days_ago(1))}" in words
    page = post(
        world.trainer, "ticket-renew", "OP1-1", assessed_on=days_ago(1), reason="Half written", show="yes"
    )
    assert "Half written" in page.content.decode()
    assert not errors(page)
    assert world.ticket.events.count() == 1


def test_the_page_offers_only_what_was_passed_since_the_last_issue_or_renewal(get, post, world):
    granted = world.event.effective_at.astimezone(ZoneInfo(world.site.zone)).date()
    give_full_evidence(world, world.operator, on=granted)
    page = get(world.trainer, "ticket-renew", "OP1-1")
    assert page.context["consequence"] == (
        "No practical assessment passed since the ticket was last issued or renewed "
        f"({long_date(granted)}) is on record."
    )
    assert page.context["form"]["assessed_on"].value() is None
    assert page.context["ground"].assessments == []
    give_full_evidence(world, world.operator, on=days_ago(1))
    page = get(world.trainer, "ticket-renew", "OP1-1")
    assert {row.occurred_on for row in page.context["ground"].assessments} == {days_ago(1)}
    refused = post(world.trainer, "ticket-renew", "OP1-1", assessed_on=granted, reason="Once more")
    assert "last issued or renewed" in errors(refused)["assessed_on"][0]
    assert "is not the day of a practical assessment passed since" in refused.context["consequence"]


def test_a_ticket_is_renewed(post, world):
    give_full_evidence(world, world.operator, on=days_ago(1))
    page = post(world.trainer, "ticket-renew", "OP1-1", assessed_on=days_ago(1), reason="Re-assessed")
    assert [h.what for h in page.context["happenings"]] == ["Issued", "Renewed"]


@pytest.mark.parametrize(
    ("assessed_on", "said"),
    [(days_ago(-1), "still to come"), (days_ago(3), "No practical assessment passed"), ("", "required")],
)
def test_a_renewal_without_its_assessment_is_refused(post, world, assessed_on, said):
    page = post(world.trainer, "ticket-renew", "OP1-1", assessed_on=assessed_on, reason="Re-assessed")
    assert said in errors(page)["assessed_on"][0]


def test_a_variation_cannot_make_a_ticket_longer(post, world):
    longer = world.ticket.last_day + timedelta(days=1)
    page = post(world.trainer, "ticket-vary", "OP1-1", level="full", last_day=longer, reason="More")
    assert "only a renewal makes it longer" in errors(page)["last_day"][0]
    same = post(
        world.trainer, "ticket-vary", "OP1-1", level="full", last_day=world.ticket.last_day, reason="Same"
    )
    assert "nothing would change" in errors(same)["__all__"][0]


def test_a_variation_changes_conditions(post, world):
    page = post(
        world.trainer,
        "ticket-vary",
        "OP1-1",
        level="full",
        last_day=world.ticket.last_day,
        max_operating_mass_kg="25000",
        reason="Small ones only",
    )
    assert page.context["row"].conditions == ["Operating mass up to 25,000 kg."]


def test_stopping_says_its_consequence_and_is_done_once(get, post, world):
    words = get(world.site_admin, "ticket-suspend", "OP1-1").context["consequence"]
    assert "Ada Ashworth is stopped at the next daily check" in words
    page = post(world.site_admin, "ticket-suspend", "OP1-1", reason="Seen on the phone while moving")
    assert page.context["row"].state.word == "Suspended"
    again = post(world.trainer, "ticket-suspend", "OP1-1", reason="Again")
    assert "suspended already" in errors(again)["__all__"][0]


def test_a_stop_dated_before_the_issue_would_stop_nobody_and_is_refused(post, world):
    page = post(world.trainer, "ticket-suspend", "OP1-1", reason="x", effective_at="2001-01-01T10:00")
    assert "would stop nobody" in errors(page)["effective_at"][0]
    world.ticket.refresh_from_db()
    assert not world.ticket.is_suspended
    assert world.ticket.events.count() == 1


def test_a_stop_may_not_be_dated_ahead(post, world):
    page = post(world.trainer, "ticket-withdraw", "OP1-1", reason="x", effective_at="2999-01-01T10:00")
    assert errors(page)["effective_at"] == ["It takes effect no later than now."]


def test_a_suspended_ticket_is_reinstated_by_a_trainer(post, world):
    post(world.site_admin, "ticket-suspend", "OP1-1", reason="Seen on the phone")
    page = post(world.trainer, "ticket-reinstate", "OP1-1", reason="Spoken to, and watched for a shift")
    assert page.context["row"].state.word == "In force"


def test_a_withdrawn_ticket_offers_nothing_more(get, post, world):
    page = post(world.trainer, "ticket-withdraw", "OP1-1", reason="Ran over a bund, twice")
    assert page.context["moves"] == []
    for name in ("ticket-suspend", "ticket-reinstate", "ticket-withdraw"):
        assert "was withdrawn" in errors(post(world.trainer, name, "OP1-1", reason="x"))["__all__"][0]


def test_nobody_decides_on_their_own_ticket(get, post, world):
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    held = TicketFactory(operator=world.newcomer, category=world.category)
    assert [m["label"] for m in get(own, "ticket", held.number).context["moves"]] == ["Suspend"]
    for name in ("ticket-withdraw", "ticket-reinstate"):
        assert "their own ticket" in errors(post(own, name, held.number, reason="x"))["__all__"][0]


# Correcting an event -------------------------------------------------------------------------------------


def typed_correction(world, **more):
    at = timezone.localtime(world.event.effective_at, ZoneInfo("Europe/London"))
    return {
        "how": "say",
        "effective_at": at.strftime("%Y-%m-%dT%H:%M"),
        "level": "full",
        "first_day": world.event.first_day,
        "last_day": world.event.last_day,
        "reason": "Misread the form",
        **more,
    }


def test_an_event_is_corrected_and_both_stay_visible(post, world):
    sooner = world.event.last_day - timedelta(days=30)
    page = post(world.trainer, "event-correct", "OP1-1", 1, **typed_correction(world, last_day=sooner))
    assert page.context["ticket"].last_day == sooner
    (issued,) = page.context["happenings"]
    assert issued.is_corrected
    assert len(issued.corrections) == 1


def test_an_issue_is_struck_out_and_there_is_no_ticket(post, world):
    page = post(world.trainer, "event-correct", "OP1-1", 1, how="strike", reason="Wrong person")
    assert page.context["row"].state.word == "Struck out"
    assert page.context["moves"] == []


def test_a_correction_gives_no_more_than_the_event_could_have(post, world):
    longer = world.event.last_day + timedelta(days=400)
    page = post(world.trainer, "event-correct", "OP1-1", 1, **typed_correction(world, last_day=longer))
    assert "at most" in errors(page)["last_day"][0]


def test_a_correction_keeps_the_seconds_of_a_moment_that_was_left_alone(post, world):
    now = timezone.now()
    varied = TicketEventFactory(ticket=world.ticket, kind="varied", level="trainee", effective_at=now)
    at = timezone.localtime(now, ZoneInfo("Europe/London")).strftime("%Y-%m-%dT%H:%M")
    said = {"how": "say", "effective_at": at, "reason": "Read wrongly"}
    post(world.trainer, "event-correct", "OP1-1", 2, level="", last_day=days_ago(-90), **said)
    assert TicketEvent.objects.get(ticket=world.ticket, sequence=3).effective_at == varied.effective_at
    page = post(world.trainer, "event-correct", "OP1-1", 2, level="", last_day=days_ago(-90), **said)
    assert "That is what it says already." in page.content.decode()


# Evidence ------------------------------------------------------------------------------------------------


def test_a_site_admin_is_offered_the_kinds_that_come_on_paper(get, world):
    def offered(account):
        return {str(kind) for kind, _, _ in get(account, "evidence-new", "OP2").context["kinds"]}

    assert offered(world.site_admin) == {"medical", "induction", "refresher", "training_hours"}
    assert offered(world.trainer) > offered(world.site_admin)
    assert "recall" not in offered(world.trainer)


@pytest.mark.parametrize(
    ("kind", "asked"),
    [
        ("practical", {"category", "is_met", "counts_to"}),
        ("supervised_hours", {"category", "hours"}),
        ("medical", {"is_met", "counts_to"}),
        ("induction", {"site", "is_met", "counts_to"}),
        ("familiarisation", {"machine_model", "is_met", "counts_to"}),
        ("refresher", {"hours", "category"}),
    ],
)
def test_a_kind_asks_for_what_its_rule_needs(get, world, kind, asked):
    form = get(world.trainer, "evidence-new", "OP2", kind=kind).context["form"]
    assert set(form.fields) - {"occurred_on", "came_from"} == asked


def test_evidence_is_recorded(post, world):
    typed = {"occurred_on": days_ago(1), "is_met": "no", "came_from": "Dr Fenn's letter"}
    post(world.site_admin, "evidence-new", "OP2", query="?kind=medical", **typed)
    row = Evidence.objects.get(operator=world.newcomer)
    assert (row.kind, row.is_met, row.recorded_by) == ("medical", False, world.site_admin)


@pytest.mark.parametrize(
    ("kind", "typed", "field"),
    [
        ("medical", {"occurred_on": days_ago(-2)}, "occurred_on"),
        ("medical", {"counts_to": days_ago(10)}, "counts_to"),
        ("medical", {"is_met": "perhaps"}, "is_met"),
        ("medical", {"came_from": ""}, "came_from"),
        ("practical", {}, "category"),
        ("familiarisation", {"machine_model": ""}, "machine_model"),
        ("induction", {"site": "0"}, "site"),
        ("training_hours", {}, "hours"),
        ("supervised_hours", {"hours": "-1"}, "hours"),
        ("supervised_hours", {"hours": "lots"}, "hours"),
    ],
)
def test_bad_evidence_is_an_error_beside_its_field(post, world, kind, typed, field):
    whole = {"occurred_on": days_ago(1), "is_met": "yes", "came_from": "Folder 3", **typed}
    page = post(world.trainer, "evidence-new", "OP2", query=f"?kind={kind}", **whole)
    assert field in errors(page)
    assert not world.newcomer.evidence.exists()


def test_evidence_is_corrected_once_and_struck_out(post, world):
    typed = {"occurred_on": days_ago(29), "is_met": "yes", "came_from": "Folder 4", "reason": "Wrong folder"}
    post(world.site_admin, "evidence-correct", world.evidence.pk, **typed)
    again = post(world.site_admin, "evidence-correct", world.evidence.pk, **typed)
    assert "corrected already" in errors(again)["__all__"][0]
    newer = Evidence.objects.get(corrects=world.evidence)
    assert newer.came_from == "Folder 4"
    page = post(world.site_admin, "evidence-strike-out", newer.pk, reason="Not hers")
    assert page.status_code == 200
    assert Evidence.objects.get(corrects=newer).strikes_out


def test_refresher_questions_are_shown_and_not_put_right_by_hand(get, client, world):
    row = EvidenceFactory(operator=world.newcomer, kind="recall", category=world.category)
    page = get(world.trainer, "operator", "OP2").content.decode()
    assert "Refresher questions" in page
    for name in ("evidence-correct", "evidence-strike-out"):
        assert reverse(name, args=[row.pk]) not in page
        assert client.get(reverse(name, args=[row.pk])).status_code == 404
    kinds = client.get(reverse("evidence-new", args=["OP2"]) + "?kind=recall").context["kinds"]
    assert "recall" not in {str(kind) for kind, _, _ in kinds}


def test_nobody_records_evidence_about_themself(post, world):
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    typed = {"occurred_on": days_ago(1), "is_met": "yes", "came_from": "Me"}
    page = post(own, "evidence-new", "OP2", query="?kind=medical", **typed)
    assert "about themself" in errors(page)["__all__"][0]
    assert Ticket.objects.filter(operator=world.newcomer).count() == 0


# The start page ------------------------------------------------------------------------------------------


def test_the_start_page_counts_what_needs_somebody_and_leads_to_exactly_those(get, world):
    TicketFactory.create_batch(2, operator__site=world.site, last_day=days_ago(-20))
    TicketFactory(operator__site=world.site, last_day=days_ago(-50))
    TicketFactory(operator__site=world.site, last_day=days_ago(1))
    TicketFactory(operator__site=world.site, is_suspended=True)
    TicketFactory(operator__site=world.site, operator__is_active=False, last_day=days_ago(-20))
    TicketFactory(operator__site=world.other_site, last_day=days_ago(-20))
    part = next(
        one
        for one in get(world.trainer, "home").context["parts"]
        if one.template == "competence/home_staff.html"
    )
    counted = {count.state: count.number for count in part.content}
    assert counted == {"ends_30": 2, "ends_60": 3, "ended": 1, "suspended": 1}
    for state, number in counted.items():
        assert len(get(world.trainer, "ticket-list", state=state).context["rows"]) == number


def test_the_reads_take_the_statements_that_they_say(world, django_assert_num_queries):
    moment, named = timezone.now(), names()
    for category in CategoryFactory.create_batch(3):
        plain_standard(category)
    operator = Operator.objects.with_state().get(number="OP1")
    with django_assert_num_queries(5):
        assert len(progress_of(operator, moment.date(), named)) == 4
    with django_assert_num_queries(2):
        assert counts(frozenset({world.site.pk}), moment)
    with django_assert_num_queries(2):
        assert len(accounts_at(frozenset({world.site.pk}))) >= 3
    with django_assert_num_queries(1):
        assert appointment_rows(moment.date()) == []
