"""Missed checks on screen, and telling the register which machines worked."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from competence.models import JournalEntry, MachineUse
from competence.queries.missed_checks import site_strips, unchecked_lately
from tests.doors.check_yard import signed_in
from tests.factories import (
    AccountFactory,
    DailyCheckFactory,
    DefectFactory,
    MachineFactory,
    MachineUseFactory,
    RefusalFactory,
    SiteFactory,
)
from tests.factories.base import days_ago

pytestmark = pytest.mark.django_db

UTC = ZoneInfo("UTC")


@pytest.fixture
def machine():
    return MachineFactory(fleet_number="LO-01", site=SiteFactory(zone="UTC", name="Bell Pit", code="BELL"))


@pytest.fixture
def admin(machine):
    return AccountFactory(roles=[("site_admin", machine.site)])


def morning(days):
    day = days_ago(days)
    return datetime(day.year, day.month, day.day, 6, tzinfo=UTC)


def page_of(account, **query):
    return signed_in(account).get(reverse("missed-check-list"), query)


def cells(page, number=0):
    return [cell.letter + cell.also for cell in page.context["rows"][number].cells]


def test_a_shift_with_a_check_and_one_without_stand_beside_each_other(machine, admin):
    checked = DailyCheckFactory(machine=machine, started_at=morning(3), submitted=True)
    MachineUseFactory(machine=machine, on=days_ago(3))
    MachineUseFactory(machine=machine, on=days_ago(2))
    page = page_of(admin)
    assert cells(page)[-4:] == ["C", "U", "·", "·"]
    text = page.content.decode()
    assert reverse("check-result", args=[checked.pk]) in text
    assert "8.0 h on the day shift: no daily check before it." in text
    assert "worked unchecked, of 2 recorded shifts" in text
    assert unchecked_lately(frozenset({machine.site.pk}), timezone.now()) == 1


def test_a_draft_is_no_check(machine, admin):
    DailyCheckFactory(machine=machine, started_at=morning(2))
    MachineUseFactory(machine=machine, on=days_ago(2))
    assert cells(page_of(admin))[-3] == "U"


def test_a_refusal_and_a_stop_use_defect_lead_to_their_pages(machine, admin):
    refusal = RefusalFactory(machine=machine, at=morning(5))
    defect = DefectFactory(machine=machine, grade="stop_use", opened_at=morning(3))
    page = page_of(admin)
    assert cells(page)[-6:-2] == ["R", "·", "S", "S"]
    text = page.content.decode()
    assert reverse("refusal", args=[refusal.pk]) in text
    assert reverse("defect", args=[defect.pk]) in text


def test_the_worst_machine_comes_first(machine, admin):
    worse = MachineFactory(fleet_number="ZZ-99", site=machine.site)
    MachineUseFactory(machine=worse)
    DailyCheckFactory(machine=machine, started_at=morning(1), submitted=True)
    numbers = [row.strip.machine.fleet_number for row in page_of(admin).context["rows"]]
    assert numbers == ["ZZ-99", "LO-01"]


def test_a_check_made_elsewhere_counts_but_is_not_opened(machine, admin):
    other = SiteFactory(zone="UTC")
    check = DailyCheckFactory(machine=machine, site=other, started_at=morning(1), submitted=True)
    MachineUseFactory(machine=machine)
    page = page_of(admin)
    assert cells(page)[-2] == "C"
    assert str(check.pk) not in page.content.decode()


def test_only_the_account_s_own_sites_can_be_chosen(machine, admin):
    elsewhere = MachineFactory(fleet_number="EX-77")
    page = page_of(admin, site=elsewhere.site.code, days="999").content.decode()
    assert "EX-77" not in page
    assert "LO-01" in page


def test_a_strip_takes_as_many_statements_for_many_machines_as_for_one(machine, django_assert_num_queries):
    for _ in range(6):
        other = MachineFactory(site=machine.site)
        MachineUseFactory(machine=other)
        DailyCheckFactory(machine=other, started_at=morning(2), submitted=True)
    with django_assert_num_queries(5):
        assert len(site_strips(machine.site, timezone.now(), days=28, sites_seen=None).strips) == 7


def send(account, text, **more):
    file = SimpleUploadedFile("uses.csv", text.encode(), "text/csv")
    data = {"what": "file", "file-file": file, **more}
    return signed_in(account).post(reverse("use-record"), data, follow=True)


def a_file(*lines):
    return "machine,date,shift,hours\n" + "\n".join(lines) + "\n"


def test_a_file_is_recorded_and_the_same_file_twice_adds_nothing(machine, admin):
    text = a_file(f"lo-01,{days_ago(2)},day,7.5", f"LO-01,{days_ago(2)},night,3")
    assert "2 shifts recorded." in send(admin, text).content.decode()
    entries = JournalEntry.objects.count()
    assert "0 shifts recorded, 2 known already and left as they are." in send(admin, text).content.decode()
    assert MachineUse.objects.count() == 2
    assert JournalEntry.objects.count() == entries


def test_one_bad_line_keeps_the_whole_file_out_and_is_told(machine, admin):
    stranger = MachineFactory(fleet_number="EX-77", site=SiteFactory(name="Far Pit"))
    text = a_file(
        f"LO-01,{days_ago(2)},day,7.5",
        f"NO-1,{days_ago(2)},day,7.5",
        f"{stranger.fleet_number},{days_ago(2)},day,7.5",
        "LO-01,yesterday,day,7.5",
    )
    page = send(admin, text).content.decode()
    for said in (
        "Nothing was recorded.",
        "Line 3: no machine has the fleet number “NO-1”.",
        "Line 4: EX-77 stands at Far Pit, which is not your site.",
        "Line 5: the date “yesterday”",
    ):
        assert said in page
    assert not MachineUse.objects.exists()


def test_other_hours_are_refused_until_it_is_said_that_they_replace(machine, admin):
    use = MachineUseFactory(machine=machine)
    text = a_file(f"LO-01,{use.on},day,2")
    assert "8.0 hours are recorded already (Shift sheet), not 2.0." in send(admin, text).content.decode()
    page = send(admin, text, **{"file-replaces": "on"}).content.decode()
    assert "0 shifts recorded, 1 put right." in page
    assert MachineUse.objects.get(corrects=use).hours == 2
    assert cells(page_of(admin))[-2] == "U"


def test_a_shift_to_come_has_not_been_worked(machine, admin):
    page = send(admin, a_file(f"LO-01,{days_ago(-2)},day,2")).content.decode()
    assert "is still to come." in page


def test_one_shift_is_recorded_by_hand(machine, admin):
    data = {
        "what": "one",
        "one-machine": machine.pk,
        "one-on": days_ago(1).isoformat(),
        "one-shift": "",
        "one-hours": "4",
        "one-source": "Told by the foreman",
    }
    answer = signed_in(admin).post(reverse("use-record"), data, follow=True)
    assert "1 shift recorded." in answer.content.decode()
    assert cells(page_of(admin))[-2] == "U"


@pytest.mark.parametrize("data", [{}, {"what": "file"}, {"what": "one", "one-hours": "x", "one-on": "soon"}])
def test_nonsense_is_told_and_is_no_error(machine, admin, data):
    assert signed_in(admin).post(reverse("use-record"), data).status_code == 200


def test_recording_many_takes_no_more_statements_to_look_up(machine, admin):
    def statements(days):
        lines = [f"LO-01,{days_ago(day)},day,7" for day in days]
        with CaptureQueriesContext(connection) as taken:
            send(admin, a_file(*lines))
        return len([one for one in taken.captured_queries if one["sql"].startswith("SELECT")])

    assert statements(range(1, 3)) == statements(range(10, 20))


def test_it_was_worked_yesterday_and_the_day_before_is_not_today(machine):
    MachineUseFactory(machine=machine, on=days_ago(9))
    assert unchecked_lately(None, timezone.now()) == 0
    assert unchecked_lately(None, timezone.now() - timedelta(days=5)) == 1
