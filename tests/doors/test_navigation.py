"""The frame of every page: the rooms that a role may enter, and where one is."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from competence.views.navigation import GROUPS
from tests.factories import (
    AccountFactory,
    DefectFactory,
    MachineFactory,
    OperatorFactory,
    RefusalFactory,
    SiteFactory,
)

pytestmark = pytest.mark.django_db


def labels(client, path, part="groups"):
    return [way.label for way in client.get(path).context[part]]


def current(client, path, part="navigation"):
    return [way.label for way in client.get(path).context[part] if way.is_current]


@pytest.mark.parametrize(
    ("role", "expected"),
    [
        (
            "trainer",
            [
                "Start",
                "People",
                "Assessments",
                "Questions",
                "Plant",
                "Checks",
                "Standards",
                "Ask the gate",
                "Ask the record",
                "Journal",
            ],
        ),
        (
            "auditor",
            [
                "Start",
                "People",
                "Assessments",
                "Questions",
                "Plant",
                "Checks",
                "Standards",
                "Ask the gate",
                "Audit",
                "Journal",
            ],
        ),
        (
            "site_admin",
            [
                "Start",
                "People",
                "Assessments",
                "Plant",
                "Checks",
                "Standards",
                "Ask the gate",
                "Audit",
                "Journal",
                "Set-up",
            ],
        ),
    ],
)
def test_each_role_is_offered_its_rooms(client, role, expected):
    client.force_login(AccountFactory(roles=[role]))
    assert labels(client, reverse("home")) == expected


def test_an_operator_is_offered_the_check_first(client):
    client.force_login(AccountFactory(operator=OperatorFactory()))
    assert labels(client, reverse("home")) == [
        "Start",
        "Check a machine",
        "My record",
        "My papers",
        "Standards",
    ]


def test_the_set_up_is_for_who_holds_the_role_at_every_site(client):
    client.force_login(AccountFactory(roles=[("site_admin", SiteFactory())]))
    assert "Set-up" not in labels(client, reverse("home"))


def test_every_room_offered_opens(client):
    client.force_login(
        AccountFactory(operator=OperatorFactory(), roles=["operator", "trainer", "site_admin", "auditor"])
    )
    offered = client.get(reverse("home")).context["navigation"]
    assert len(offered) == sum(len(rooms) for _, rooms in GROUPS)
    assert {client.get(way.url).status_code for way in offered} == {200}


def test_a_page_below_a_room_stands_in_that_room_with_its_neighbours(client):
    client.force_login(AccountFactory(roles=["site_admin"]))
    machine = MachineFactory()
    path = reverse("machine-change", args=[machine.fleet_number])
    assert current(client, path) == ["Machines"]
    assert current(client, path, "groups") == ["Plant"]
    assert labels(client, path, "neighbours") == ["Machines", "Defects"]


def test_a_room_on_its_own_has_no_neighbours(client):
    client.force_login(AccountFactory(roles=["trainer"]))
    assert labels(client, reverse("gate"), "neighbours") == []
    assert current(client, reverse("gate")) == ["Ask the gate"]


def test_the_frame_says_who_is_signed_in_and_in_which_roles(client):
    site = SiteFactory(name="Thornbeck Quarry")
    account = AccountFactory(first_name="Ned", last_name="Farrow", roles=["trainer", ("site_admin", site)])
    client.force_login(account)
    text = client.get(reverse("home")).content.decode()
    assert "Ned Farrow" in text
    assert "Trainer, every site; site admin, Thornbeck Quarry" in text


def test_a_site_admin_starts_with_what_stands_still_at_their_own_site(client):
    site = SiteFactory()
    client.force_login(AccountFactory(roles=[("site_admin", site)]))
    stopped = DefectFactory(machine=MachineFactory(site=site), grade="stop_use")
    DefectFactory(machine=MachineFactory(site=site))
    DefectFactory(grade="stop_use")
    idle = MachineFactory(site=site, is_in_service=False)
    lately = RefusalFactory(machine=stopped.machine)
    RefusalFactory(machine=stopped.machine, at=timezone.now() - timedelta(days=8))
    RefusalFactory()
    board = next(
        part.content
        for part in client.get(reverse("home")).context["parts"]
        if part.template == "competence/home_board.html"
    )
    assert (board.stops, board.stop_count) == ([stopped], 1)
    assert (board.refusals, board.refusal_count) == ([lately], 1)
    assert (board.out_of_service, board.out_of_service_count) == ([idle], 1)


def test_a_trainer_starts_with_who_was_stopped_and_an_auditor_with_the_journal_as_well(client):
    site = SiteFactory()
    stopped = DefectFactory(machine=MachineFactory(site=site), grade="stop_use")
    lately = RefusalFactory(machine=stopped.machine)
    RefusalFactory()
    shown = {}
    for role in ("trainer", "auditor"):
        client.force_login(AccountFactory(roles=[(role, site)]))
        parts = {part.template: part.content for part in client.get(reverse("home")).context["parts"]}
        board = parts["competence/home_board.html"]
        assert (board.stops, board.refusals) == ([stopped], [lately])
        shown[role] = "competence/home_journal.html" in parts
    assert shown == {"trainer": False, "auditor": True}


def test_the_site_admin_s_part_asks_the_same_number_of_questions_however_much_stands_still(
    client, django_assert_num_queries
):
    client.force_login(AccountFactory(roles=["site_admin"]))
    for most in (1, 8):
        for _ in range(most):
            DefectFactory(grade="stop_use")
            RefusalFactory()
            MachineFactory(is_in_service=False)
        with django_assert_num_queries(FRAME_AND_PARTS):
            client.get(reverse("home"))


# Session, account and roles; what ends, and what was missed; the tickets' counts; and the board's six.
FRAME_AND_PARTS = 3 + 15 + 2 + 6
