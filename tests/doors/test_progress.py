"""An operator's progress to a ticket, the ticket one step away, and evidence of several people."""

from datetime import date
from decimal import Decimal

import pytest
from django.urls import reverse

from assessments.models import Booking
from assessments.queries.progress import picture_of
from competence.actions.journal import seal
from competence.models import Evidence, Operator, Ticket
from competence.queries.journal import verify
from competence.rules.reasons import long_date
from tests.actions.journalled_register import write_journal
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    EvidenceFactory,
    MachineFactory,
    OperatorFactory,
    StandardVersionFactory,
    TicketFactory,
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


def shown(get, account, number="OP2", category="dumper"):
    return get(account, "progress", number, category).context["picture"]


def give_all(world, operator, *, by=None, on=None):
    for kind in ("practical", "paper"):
        EvidenceFactory(
            operator=operator,
            kind=kind,
            category=world.category,
            recorded_by=by or world.head_trainer,
            occurred_on=on or days_ago(30),
        )


# The picture ---------------------------------------------------------------------------------------------


def test_each_requirement_says_whether_it_is_met_when_and_by_what(get, world):
    EvidenceFactory(
        operator=world.newcomer, kind="paper", category=world.category, came_from="Paper 7, hall B"
    )
    page = get(world.trainer, "progress", "OP2", "dumper")
    lines = {line.title: line for line in page.context["picture"].once}
    assert (lines["Question paper"].is_met, lines["Practical assessment"].is_met) == (True, False)
    assert [row.came_from for row in lines["Question paper"].evidence] == ["Paper 7, hall B"]
    assert f"{long_date(days_ago(30))}: Paper 7, hall B" in page.content.decode()
    assert page.context["picture"].move.waits_for == ("Practical assessment",)


def test_hours_add_up_to_a_bar_with_the_newest_sessions_under_it(get, world):
    standard = StandardVersionFactory(
        requirements={"training_hours": {"hours": 40, "title": "Training"}},
    )
    for days in (50, 40, 30, 20):
        EvidenceFactory(
            operator=world.newcomer, kind="training_hours", hours=Decimal("3.5"), occurred_on=days_ago(days)
        )
    page = get(world.trainer, "progress", "OP2", standard.category.code)
    (line,) = page.context["picture"].once
    assert (line.hours, line.share, line.more) == ("14 of 40 h", Decimal("14.00"), 1)
    assert [row.occurred_on for row in line.evidence] == [days_ago(20), days_ago(30), days_ago(40)]
    text = page.content.decode()
    assert 'max="40.00"' in text
    assert 'value="14.00"' in text


def test_a_bar_is_never_longer_than_it_is(get, world):
    standard = StandardVersionFactory(requirements={"training_hours": {"hours": 4}})
    EvidenceFactory(operator=world.newcomer, kind="training_hours", hours=9)
    (line,) = shown(get, world.trainer, category=standard.category.code).once
    assert (line.is_met, line.share, line.hours) == (True, 4, "9 of 4 h")


def test_what_every_check_asks_for_is_asked_at_the_home_site_and_of_each_model_there(get, world):
    MachineFactory(site=world.site, category=world.category, make_and_model="Invented 30")
    MachineFactory(site=world.site, category=world.category, make_and_model="Invented 40")
    MachineFactory(site=world.other_site, category=world.category, make_and_model="Elsewhere 9")
    EvidenceFactory(operator=world.newcomer, kind="familiarisation", machine_model="invented  40")
    EvidenceFactory(operator=world.newcomer, kind="medical", counts_to=days_ago(5))
    found = [(line.title, line.about, line.word) for line in shown(get, world.trainer).lasting]
    assert found == [
        ("Medical", "", "Ended"),
        ("Site induction", "Home Quarry", "Missing"),
        ("Familiarisation", "Invented 30", "Missing"),
        ("Familiarisation", "Invented 40", "Met"),
    ]


def test_what_was_not_passed_and_what_was_struck_out_are_told_apart(get, world):
    EvidenceFactory(operator=world.newcomer, kind="practical", category=world.category, is_met=False)
    wrong = EvidenceFactory(operator=world.newcomer, kind="paper", category=world.category)
    EvidenceFactory(
        operator=world.newcomer, kind="paper", category=world.category, corrects=wrong, strikes_out=True
    )
    assert [line.word for line in shown(get, world.trainer).once] == ["Not passed", "Missing"]


def test_what_it_leads_to_follows_the_standards_terms(get, world, time_machine):
    time_machine.move_to("2026-03-10T12:00:00+00:00", tick=False)
    move = shown(get, world.trainer).move
    assert move.kind == "issue"
    assert "from 10 March 2026 to 9 March 2029" in move.says


def test_a_holder_sees_what_an_assessment_today_would_give(get, world, time_machine):
    """Inside the window of 90 days the new period runs on from the old end."""
    time_machine.move_to("2026-03-10T12:00:00+00:00", tick=False)
    Ticket.objects.filter(pk=world.ticket.pk).update(first_day=date(2023, 4, 2), last_day=date(2026, 4, 1))
    move = shown(get, world.trainer, "OP1").move
    assert (move.kind, move.is_ready) == ("renew", False)
    assert "from 2 April 2023 to 1 April 2029. Now it ends on 1 April 2026" in move.says


def test_the_next_steps_are_links_for_who_may_take_them(get, world):
    def ways(account):
        return [
            [way["label"] for way in found]
            for _, found in get(account, "progress", "OP2", "dumper").context["once"]
        ]

    assert ways(world.trainer) == [["Book an assessment", "Record evidence"], ["Record evidence"]]
    assert ways(world.site_admin) == [["Book an assessment"], []]
    assert ways(world.auditor) == [[], []]
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    assert ways(own) == [[], []]


def test_nobody_is_led_to_record_refresher_questions_by_hand(get, world):
    StandardVersionFactory(category=world.category, requirements={"recall": {}, "medical": {}})
    lasting = get(world.trainer, "progress", "OP2", "dumper").context["lasting"]
    assert {line.kind.value: [way["label"] for way in ways] for line, ways in lasting} == {
        "recall": [],
        "medical": ["Record evidence"],
    }


def test_the_links_lead_to_pages_that_open(get, client, world):
    page = get(world.trainer, "progress", "OP2", "dumper")
    links = [way["url"] for part in ("once", "lasting") for _, ways in page.context[part] for way in ways]
    assert len(links) >= 4
    assert {client.get(link).status_code for link in links} == {200}


def test_a_coming_booking_is_told(get, world):
    machine = MachineFactory(fleet_number="DT-1", site=world.site, category=world.category)
    Booking.objects.create(
        on=days_ago(-3),
        site=world.site,
        machine=machine,
        operator=world.newcomer,
        assessor=world.trainer,
        made_at=moment_ago(1),
        made_by=world.trainer,
    )
    page = get(world.trainer, "progress", "OP2", "dumper")
    assert f"{long_date(days_ago(-3))} on DT-1" in " ".join(page.content.decode().split())


def test_without_a_standard_in_force_the_page_says_so(get, world):
    page = get(world.trainer, "progress", "OP2", CategoryFactory().code)
    assert page.context["picture"].move is None
    assert "No standard is in force" in page.content.decode()


@pytest.mark.parametrize("address", [("NOBODY", "dumper"), ("OP2", "no-such")])
def test_an_unknown_person_or_category_is_a_page_that_says_so(get, world, address):
    assert get(world.trainer, "progress", *address).status_code == 404


def test_the_picture_takes_six_statements_however_long_the_record(world, django_assert_num_queries):
    for _ in range(2):
        for kind in ("practical", "paper", "medical", "induction"):
            EvidenceFactory.create_batch(
                6, operator=world.newcomer, kind=kind, **_about(world, kind), came_from="File"
            )
        for number in range(5):
            MachineFactory(site=world.site, category=world.category, make_and_model=f"Model {number}")
        person = Operator.objects.with_state().get(pk=world.newcomer.pk)
        with django_assert_num_queries(6):
            picture_of(person, world.category, days_ago(0))


def _about(world, kind):
    return {"category": world.category} if kind in ("practical", "paper") else {}


def test_the_operators_record_leads_to_it(get, world):
    text = get(world.auditor, "operator", "OP1").content.decode()
    assert reverse("progress", args=["OP1", "dumper"]) in text
    assert reverse("progress-list", args=["OP1"]) in text
    listed = get(world.auditor, "progress-list", "OP2").content.decode()
    assert reverse("progress", args=["OP2", "dumper"]) in listed


# One step ------------------------------------------------------------------------------------------------


def test_with_everything_on_record_the_ticket_is_issued_in_one_step(get, post, world):
    give_all(world, world.newcomer)
    write_journal()
    page = get(world.trainer, "progress", "OP2", "dumper")
    assert "Issue now" in page.content.decode()
    page = post(world.trainer, "progress", "OP2", "dumper", move="issue")
    ticket = world.newcomer.tickets.get()
    assert page.redirect_chain[-1][0] == reverse("ticket", args=[ticket.number])
    assert (ticket.level, ticket.first_day) == ("full", days_ago(0))
    assert ticket.events.get().recorded_by == world.trainer
    assert "version 1 of the standard" in ticket.events.get().reason
    seal()
    assert verify().problems == []


def test_sent_twice_it_is_issued_once_and_the_second_is_told(post, world):
    give_all(world, world.newcomer)
    post(world.trainer, "progress", "OP2", "dumper", move="issue")
    page = post(world.trainer, "progress", "OP2", "dumper", move="issue")
    assert "The record has changed" in page.content.decode()
    assert world.newcomer.tickets.get().events.count() == 1


def test_with_something_missing_nothing_is_issued(get, post, world):
    assert "Issue now" not in get(world.trainer, "progress", "OP2", "dumper").content.decode()
    page = post(world.trainer, "progress", "OP2", "dumper", move="issue")
    assert "Practical assessment; Question paper" in errors(page)["__all__"][0]
    assert not world.newcomer.tickets.exists()


@pytest.mark.parametrize("move", ["", "withdraw", "\x00"])
def test_a_move_that_is_none_is_refused(post, world, move):
    give_all(world, world.newcomer)
    page = post(world.trainer, "progress", "OP2", "dumper", move=move)
    assert page.status_code == 200
    assert page.context["form"].errors
    assert not world.newcomer.tickets.exists()


def test_a_trainees_ticket_is_raised_in_one_step(post, get, world):
    ticket = TicketFactory(operator=world.newcomer, category=world.category, level="trainee")
    give_all(world, world.newcomer)
    assert shown(get, world.trainer).move.kind == "raise"
    post(world.trainer, "progress", "OP2", "dumper", move="raise")
    ticket.refresh_from_db()
    assert ticket.level == "full"


def test_a_newer_assessment_renews_in_one_step(post, get, world):
    ticket = TicketFactory(operator=world.newcomer, category=world.category, last_day=days_ago(-20))
    give_all(world, world.newcomer, on=days_ago(3))
    move = shown(get, world.trainer).move
    assert (move.kind, move.assessed_on, move.is_ready) == ("renew", days_ago(3), True)
    post(world.trainer, "progress", "OP2", "dumper", move="renew")
    ticket.refresh_from_db()
    assert ticket.last_day > days_ago(-1000)
    # That assessment gives nothing more; the next renewal waits for another.
    assert shown(get, world.trainer).move.waits_for


def test_a_renewal_waits_for_all_that_the_standard_asks_for_now(get, world):
    """A ticket without its paper on record, and an assessment that went into it."""
    EvidenceFactory(
        operator=world.operator, kind="practical", category=world.category, occurred_on=days_ago(120)
    )
    page = get(world.trainer, "progress", "OP1", "dumper")
    assert page.context["picture"].move.waits_for == (
        "A practical assessment, newer than the one that the ticket rests on",
        "Question paper",
    )
    assert "A renewal takes a newer one." in page.content.decode()


def test_a_refreshers_hours_make_no_bar(get, world):
    standard = StandardVersionFactory(requirements={"refresher": {"hours": 8, "months": 12}})
    EvidenceFactory.create_batch(3, operator=world.newcomer, kind="refresher", hours=8)
    (line,) = shown(get, world.trainer, category=standard.category.code).lasting
    assert (line.is_met, line.hours) == (True, "")


def test_a_suspended_ticket_waits_for_its_reinstatement(get, world):
    TicketFactory(operator=world.newcomer, category=world.category, is_suspended=True, last_day=days_ago(-20))
    give_all(world, world.newcomer, on=days_ago(3))
    assert shown(get, world.trainer).move.waits_for == ("The ticket reinstated",)


def test_a_ticket_that_lapsed_too_long_ago_takes_the_full_route(get, world):
    TicketFactory(
        operator=world.newcomer, category=world.category, first_day=days_ago(900), last_day=days_ago(61)
    )
    assert shown(get, world.trainer).move.kind == "issue"
    TicketFactory(
        operator=OperatorFactory(number="OP3", site=world.site),
        category=world.category,
        first_day=days_ago(900),
        last_day=days_ago(59),
    )
    assert shown(get, world.trainer, "OP3").move.kind == "renew"


def test_who_recorded_the_assessment_sees_who_decides_where_two_are_asked_for(get, post):
    world = people_world(issue_by_another=True)
    give_all(world, world.newcomer, by=world.trainer)
    other = AccountFactory(first_name="Una", last_name="Underhill", roles=[("trainer", world.site)])
    page = get(world.trainer, "progress", "OP2", "dumper")
    text = page.content.decode()
    assert "Issue now" not in text
    assert set(page.context["others_may"]) == {other, world.head_trainer}
    assert "Una Underhill" in text
    assert (
        "two people" in errors(post(world.trainer, "progress", "OP2", "dumper", move="issue"))["__all__"][0]
    )
    assert "Issue now" in get(other, "progress", "OP2", "dumper").content.decode()
    post(other, "progress", "OP2", "dumper", move="issue")
    assert world.newcomer.tickets.get().level == "full"


def test_nobody_issues_their_own(get, post, world):
    give_all(world, world.newcomer)
    own = AccountFactory(operator=world.newcomer, roles=[("trainer", world.site)])
    assert "Issue now" not in get(own, "progress", "OP2", "dumper").content.decode()
    assert "own ticket" in errors(post(own, "progress", "OP2", "dumper", move="issue"))["__all__"][0]


# Several people ------------------------------------------------------------------------------------------


def typed(world, **more):
    return {
        "operators": [world.operator.pk, world.newcomer.pk],
        "occurred_on": days_ago(1).isoformat(),
        "came_from": "Toolbox talk 12",
        **more,
    }


def test_the_kinds_offered_are_those_of_ones_rights(get, world):
    def kinds(account):
        return [kind for kind, _, _ in get(account, "evidence-group").context["kinds"]]

    assert kinds(world.trainer) == ["familiarisation", "induction", "training_hours", "refresher", "medical"]
    assert kinds(world.site_admin) == ["induction", "training_hours", "refresher", "medical"]


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("familiarisation", {"machine_model": "Invented 30"}),
        ("training_hours", {"hours": "2"}),
        ("refresher", {}),
        ("medical", {"counts_to": days_ago(-300).isoformat()}),
    ],
)
def test_a_session_is_recorded_for_all_who_are_ticked(post, world, kind, more):
    page = post(world.trainer, "evidence-group", query=f"?kind={kind}", **typed(world, **more))
    assert "of 2 people is on record" in page.content.decode()
    assert Evidence.objects.filter(came_from="Toolbox talk 12", kind=kind).count() == 2


def test_the_induction_is_that_of_the_site_whose_people_are_shown(get, world):
    form = get(world.site_admin, "evidence-group", kind="induction").context["form"]
    assert form["site"].value() == world.site.pk
    assert set(form.fields["operators"].queryset) == {world.operator, world.newcomer}
    assert "is_met" not in form.fields


def test_people_of_another_site_or_not_at_work_are_not_offered(get, post, world):
    far = OperatorFactory(site=world.other_site)
    gone = OperatorFactory(site=world.site, is_active=False)
    form = get(world.trainer, "evidence-group", kind="medical", site="OTHER").context["form"]
    assert not {far, gone} & set(form.fields["operators"].queryset)
    page = post(world.trainer, "evidence-group", query="?kind=medical", **typed(world, operators=[far.pk]))
    assert list(errors(page)) == ["operators"]


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"occurred_on": days_ago(-5).isoformat()}, "operators"),
        ({"occurred_on": "yesterday"}, "occurred_on"),
        ({"operators": []}, "operators"),
        ({"operators": ["x"]}, "operators"),
        ({"hours": "many"}, "hours"),
        ({"hours": "-1"}, "hours"),
        ({"hours": ""}, "hours"),
    ],
)
def test_bad_input_is_told_beside_its_field_and_the_ticks_are_kept(post, world, more, field):
    page = post(
        world.trainer, "evidence-group", query="?kind=training_hours", **{**typed(world, hours="2"), **more}
    )
    assert page.status_code == 200
    assert list(errors(page)) == [field]
    assert "Toolbox talk 12" in page.content.decode()
    if field != "operators":
        assert page.content.decode().count(" checked") == 2
    assert not Evidence.objects.filter(came_from="Toolbox talk 12").exists()


def test_sent_twice_it_counts_once_and_says_whose(post, world):
    post(world.trainer, "evidence-group", query="?kind=refresher", **typed(world))
    page = post(world.trainer, "evidence-group", query="?kind=refresher", **typed(world))
    assert [said.split(":")[0] for said in errors(page)["operators"]] == [
        "Ada Ashworth (OP1)",
        "Bram Bellamy (OP2)",
    ]
    assert Evidence.objects.filter(came_from="Toolbox talk 12").count() == 2


def test_a_kind_that_is_each_persons_own_leads_back_to_the_kinds(get, post, world):
    assert "kinds" in get(world.trainer, "evidence-group", kind="practical").context
    post(world.trainer, "evidence-group", query="?kind=paper", **typed(world))
    assert not Evidence.objects.filter(came_from="Toolbox talk 12").exists()
    post(world.site_admin, "evidence-group", query="?kind=familiarisation", **typed(world, machine_model="X"))
    assert not Evidence.objects.filter(came_from="Toolbox talk 12").exists()
