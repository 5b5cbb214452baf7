"""The defects' pages: what is urgent first, one defect, and closing it once."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from competence.models import DefectSighting
from tests.factories import (
    AccountFactory,
    DailyCheckFactory,
    DefectFactory,
    FindingFactory,
    MachineFactory,
    MachineStateFactory,
    SiteFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(zone="Europe/London")


@pytest.fixture
def admin(client, site):
    account = AccountFactory(roles=[("site_admin", site)], first_name="Ned", last_name="Farrow")
    client.force_login(account)
    return account


def defect_at(site, days_ago=0, **changed):
    started = timezone.now() - timedelta(days=days_ago, hours=1)
    machine = changed.pop("machine", None) or MachineFactory(site=site)
    return DefectFactory(machine=machine, opened_by__daily_check__started_at=started, **changed)


def listed(client, **asked):
    return list(client.get(reverse("defect-list"), asked).context["page"])


def test_open_stand_before_closed_and_stop_use_before_report(client, admin, site):
    closed = defect_at(site, grade="stop_use", closed=True)
    report = defect_at(site)
    old_stop, new_stop = defect_at(site, 3, grade="stop_use"), defect_at(site, 1, grade="stop_use")
    assert listed(client) == [new_stop, old_stop, report, closed]


def test_the_list_is_narrowed_by_machine_grade_state_and_days(client, admin, site):
    old = defect_at(site, 10)
    stop = defect_at(site, grade="stop_use")
    closed = defect_at(site, closed=True)
    day = (timezone.now() - timedelta(days=9)).date().isoformat()
    assert listed(client, q=old.machine.fleet_number.lower()) == [old]
    assert listed(client, grade="stop_use") == [stop]
    assert listed(client, state="closed") == [closed]
    assert listed(client, last=day) == [old]
    assert set(listed(client, first=day)) == {stop, closed}
    assert len(listed(client, first="2026-02-31", last="9999-12-31")) == 3


def test_a_day_of_the_filter_is_whole(client, admin, site):
    defect = defect_at(site)
    day = timezone.localtime(defect.opened_at).date().isoformat()
    assert listed(client, first=day, last=day) == [defect]


def test_the_list_asks_the_same_number_of_questions_whatever_its_length(
    client, admin, site, django_assert_num_queries
):
    defect_at(site)
    client.get(reverse("defect-list"))
    with django_assert_num_queries(6):
        client.get(reverse("defect-list"))
    for _ in range(5):
        defect_at(site, closed=True)
    with django_assert_num_queries(6):
        client.get(reverse("defect-list"))


def test_a_defect_follows_its_machine_to_the_new_site(client, admin, site):
    defect = defect_at(SiteFactory())
    assert listed(client) == []
    MachineStateFactory(machine=defect.machine, site=site)
    assert listed(client) == [defect]
    assert client.get(reverse("defect", args=[defect.pk])).context["may_close"]


def test_a_defect_shows_where_it_was_found_and_in_which_checks_it_was_seen_again(client, admin, site):
    defect = defect_at(site, grade="stop_use")
    again = DailyCheckFactory(machine=defect.machine, submitted=True)
    finding = FindingFactory(daily_check=again, defect=True, note="Still there, and longer.")
    DefectSighting.objects.create(defect=defect, finding=finding)
    text = client.get(reverse("defect", args=[defect.pk])).content.decode()
    assert "Still there, and longer." in text
    assert again.operator.number in text
    assert reverse("check-result", args=[again.pk]) in text


def test_closing_says_what_else_keeps_the_machine_standing(client, admin, site):
    defect = defect_at(site, grade="stop_use")
    defect_at(site, grade="stop_use", machine=defect.machine)
    answer = client.post(reverse("defect", args=[defect.pk]), {"done": "New tyre."}, follow=True)
    assert "1 open stop-use defect: do not use" in answer.content.decode()
    defect.refresh_from_db()
    assert (defect.done, defect.closed_by) == ("New tyre.", admin)


def test_closing_without_words_is_told_beside_the_field(client, admin, site):
    defect = defect_at(site)
    answer = client.post(reverse("defect", args=[defect.pk]), {"done": "  "})
    assert "done" in answer.context["form"].errors
    defect.refresh_from_db()
    assert defect.is_open


def test_the_second_to_close_reads_who_did_it_and_when(client, admin, site):
    defect = defect_at(site)
    client.post(reverse("defect", args=[defect.pk]), {"done": "New tyre."})
    answer = client.post(reverse("defect", args=[defect.pk]), {"done": "Another tyre."})
    text = answer.content.decode()
    assert "Ned Farrow closed this defect already" in text
    assert "Another tyre." not in text
    defect.refresh_from_db()
    assert defect.done == "New tyre."


@pytest.mark.parametrize("role", ["trainer", "auditor"])
def test_who_may_not_close_is_shown_whose_move_it_is_and_is_stopped(client, site, role):
    client.force_login(AccountFactory(roles=[(role, site)]))
    defect = defect_at(site)
    answer = client.get(reverse("defect", args=[defect.pk]))
    assert b"A site admin of" in answer.content
    assert b"Close the defect" not in answer.content
    assert client.post(reverse("defect", args=[defect.pk]), {"done": "Mended."}).status_code == 403
