"""The machines' pages: the list and its filters, one machine, entering, changing, and the label."""

import io
from datetime import UTC, datetime, timedelta
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import pytest
import zxingcpp
from django.urls import resolve, reverse
from PIL import Image

from competence.models import Machine
from competence.outputs.labels import code_for
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    DailyCheckFactory,
    DefectFactory,
    FeatureFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    RefusalFactory,
    SiteFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def site():
    return SiteFactory(name="Thornbeck Quarry", zone="Europe/London")


@pytest.fixture
def admin(client, site):
    account = AccountFactory(roles=[("site_admin", site)])
    client.force_login(account)
    return account


def listed(client, **asked):
    answer = client.get(reverse("machine-list"), asked)
    return [machine.fleet_number for machine in answer.context["page"]]


def test_the_list_shows_the_machines_of_ones_own_sites_only(client, admin, site):
    MachineFactory(fleet_number="DT1", site=site)
    MachineFactory(fleet_number="DT2")
    assert listed(client) == ["DT1"]


def test_the_list_is_narrowed_by_words_category_service_and_stop_use_defects(client, admin, site):
    loader = CategoryFactory(code="loader")
    MachineFactory(fleet_number="LD1", site=site, category=loader, make_and_model="Brock 5")
    MachineFactory(fleet_number="DT2", site=site, is_in_service=False)
    stopped = MachineFactory(fleet_number="DT3", site=site)
    DefectFactory(machine=stopped, grade="stop_use")
    DefectFactory(machine=MachineFactory(fleet_number="DT4", site=site))
    DefectFactory(machine=MachineFactory(fleet_number="DT5", site=site), grade="stop_use", closed=True)
    assert listed(client, q="brock") == ["LD1"]
    assert listed(client, q="brock dt") == []
    assert listed(client, category="loader") == ["LD1"]
    assert listed(client, service="no") == ["DT2"]
    assert listed(client, stopped="yes") == ["DT3"]
    assert listed(client, site="NOWHERE") == []


def test_the_list_asks_the_same_number_of_questions_for_one_machine_and_for_forty(
    client, admin, site, django_assert_max_num_queries
):
    def ask(most):
        with django_assert_max_num_queries(most) as asked:
            client.get(reverse("machine-list"))
        return len(asked)

    MachineFactory(site=site)
    client.get(reverse("machine-list"))
    one = ask(12)
    for machine in MachineFactory.create_batch(40, site=site):
        DailyCheckFactory(machine=machine, submitted=True)
    assert ask(one) == one


def test_a_page_beyond_the_last_is_the_last(client, admin, site):
    MachineFactory.create_batch(51, site=site)
    answer = client.get(reverse("machine-list"), {"page": "99"})
    assert answer.context["page"].number == 2
    assert client.get(reverse("machine-list"), {"page": "x"}).status_code == 200


def test_a_machine_shows_what_it_is_what_is_wrong_and_who_checked_it(client, admin, site):
    machine = MachineFactory(
        site=site, fleet_number="DT1", features=[FeatureFactory(name="Reversing camera")]
    )
    driver = OperatorFactory(site=site, given_name="Ada", family_name="Ashworth")
    DailyCheckFactory(machine=machine, operator=driver, submitted=True, hour_meter="2210.4")
    DefectFactory(machine=machine, grade="stop_use", note="Cords showing.", opened_by__note="Cords showing.")
    RefusalFactory(machine=machine, operator=driver)
    MachineStateFactory(machine=machine, is_in_service=False, reason="Gearbox out.")
    text = client.get(reverse("machine", args=["DT1"])).content.decode()
    for said in (
        "Cords showing.",
        "Ada Ashworth",
        "2210.4",
        "No ticket covers",
        "Gearbox out.",
        "Reversing camera",
    ):
        assert said in text


def test_what_is_no_longer_fitted_is_not_shown_as_fitted(client, admin, site):
    machine = MachineFactory(site=site, features=[FeatureFactory(name="Reversing camera")])
    MachineStateFactory(machine=machine, features=[FeatureFactory(name="Automatic greasing")])
    sheet = client.get(reverse("machine", args=[machine.fleet_number])).context["sheet"]
    assert [feature.name for feature in sheet.fitted] == ["Automatic greasing"]


def test_checks_of_a_machine_at_another_site_stay_with_that_site(client, admin, site):
    elsewhere = SiteFactory()
    machine = MachineFactory(site=elsewhere)
    DailyCheckFactory(machine=machine, site=elsewhere, submitted=True)
    RefusalFactory(machine=machine, site=elsewhere)
    MachineStateFactory(machine=machine, site=site)
    sheet = client.get(reverse("machine", args=[machine.fleet_number])).context["sheet"]
    assert (sheet.checks, sheet.refusals) == ([], [])


def test_the_past_of_a_machine_that_moved_stays_on_the_clock_of_where_it_happened(client, site):
    """A check at half past six in Brisbane is not one of half past nine the evening before."""
    brisbane = SiteFactory(name="Far Quarry", zone="Australia/Brisbane")
    client.force_login(AccountFactory(roles=["site_admin"]))
    machine = MachineFactory(site=brisbane)
    at = datetime(2026, 3, 4, 20, 30, tzinfo=UTC)
    check = DailyCheckFactory(machine=machine, submitted=True, started_at=at - timedelta(minutes=10))
    RefusalFactory(machine=machine, site=brisbane, at=at + timedelta(hours=1))
    DefectFactory(machine=machine, opened_at=at, opened_by__daily_check=check)
    MachineStateFactory(machine=machine, site=site, category=machine.state.category)
    text = client.get(reverse("machine", args=[machine.fleet_number])).content.decode()
    assert text.count("5 Mar 2026, 06:30") == 2
    assert text.count("5 Mar 2026, 07:30") == 1
    assert text.count("clock of Far Quarry") == 3
    entered = machine.states.earliest("pk").effective_at.astimezone(ZoneInfo("Australia/Brisbane"))
    assert f"{entered.day} {entered:%b %Y, %H:%M} (Australia/Brisbane)" in text


def test_a_machine_takes_the_same_number_of_questions_however_long_its_history(
    client, admin, site, django_assert_num_queries
):
    machine = MachineFactory(site=site)
    DailyCheckFactory(machine=machine, submitted=True)
    DefectFactory(machine=machine)
    RefusalFactory(machine=machine)
    url = reverse("machine", args=[machine.fleet_number])
    client.get(url)
    with django_assert_num_queries(12):
        client.get(url)
    for _ in range(5):
        DailyCheckFactory(machine=machine, submitted=True)
        RefusalFactory(machine=machine)
        DefectFactory(machine=machine)
        MachineStateFactory(machine=machine, features=[FeatureFactory()])
    with django_assert_num_queries(12):
        client.get(url)


def machine_fields(site, **changed):
    fields = {
        "fleet_number": "DT900",
        "make_and_model": "Harrow 30",
        "category": CategoryFactory().pk,
        "site": site.pk,
        "operating_mass_kg": "24000",
    }
    return {**fields, **changed}


def test_a_machine_is_entered_and_small_letters_become_capitals(client, admin, site):
    answer = client.post(reverse("machine-new"), machine_fields(site, fleet_number=" dt900 "))
    assert answer["Location"] == reverse("machine", args=["DT900"])
    assert Machine.objects.get().state.site == site


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("fleet_number", "DT 900"),
        ("fleet_number", "DT0"),
        ("operating_mass_kg", "-5"),
        ("operating_mass_kg", "9" * 40),
        ("category", "no"),
        ("make_and_model", ""),
    ],
)
def test_bad_input_is_told_beside_its_field_and_what_was_typed_stays(client, admin, site, field, value):
    MachineFactory(fleet_number="DT0")
    asked = machine_fields(site, serial_number="SN-77", **{field: value})
    answer = client.post(reverse("machine-new"), asked)
    assert answer.status_code == 200
    assert field in answer.context["form"].errors
    assert "SN-77" in answer.content.decode()
    assert Machine.objects.count() == 1


def test_a_site_admin_may_choose_only_their_own_site(client, admin, site):
    answer = client.post(reverse("machine-new"), machine_fields(SiteFactory()))
    assert "site" in answer.context["form"].errors


def test_a_machine_is_taken_out_of_service_with_a_reason(client, admin, site):
    machine = MachineFactory(site=site, features=[FeatureFactory()])
    url = reverse("machine-change", args=[machine.fleet_number])
    fields = {
        key: value for key, value in client.get(url).context["form"].initial.items() if value is not None
    }
    del fields["is_in_service"]
    assert "reason" in client.post(url, fields).context["form"].errors
    client.post(url, {**fields, "reason": "Gearbox out."})
    machine.refresh_from_db()
    assert not machine.state.is_in_service
    assert machine.state.features.count() == 1


def test_a_moment_of_change_is_read_on_the_clock_of_the_site(client):
    site = SiteFactory(zone="Australia/Brisbane")
    client.force_login(AccountFactory(roles=["site_admin"]))
    machine = MachineFactory(site=site)
    url = reverse("machine-change", args=[machine.fleet_number])
    fields = {
        key: value for key, value in client.get(url).context["form"].initial.items() if value is not None
    }
    said = {"make_and_model": "Invented 31", "reason": "Plate misread."}
    client.post(url, {**fields, **said, "effective_at": "2026-01-05T06:00"})
    state = machine.states.latest("pk")
    assert state.effective_at.isoformat() == "2026-01-04T20:00:00+00:00"


def test_the_label_s_code_read_back_is_the_address_where_the_check_starts(client, admin, site):
    machine = MachineFactory(site=site, fleet_number="DT1")
    address = client.get(reverse("machine-label", args=["DT1"])).context["address"]
    picture = io.BytesIO()
    code_for(address).save(picture, kind="png", scale=6, border=4)
    (read,) = zxingcpp.read_barcodes(Image.open(picture))
    assert read.text == address
    found = resolve(urlsplit(read.text).path)
    assert (found.url_name, list(found.kwargs.values())) == ("check-start", [machine.fleet_number])


def test_the_drawn_code_is_a_picture_of_its_own_address(client, admin, site):
    MachineFactory(site=site, fleet_number="DT1")
    answer = client.get(reverse("machine-qr", args=["DT1"]))
    assert answer["Content-Type"] == "image/svg+xml"
    assert answer.content.startswith(b"<?xml")


@pytest.mark.django_db(transaction=True)
def test_a_phone_s_camera_reads_each_label_of_a_printed_sheet(desk_page, sign_in):
    site = SiteFactory()
    for fleet_number in ("DT1", "DT2", "DT3"):
        MachineFactory(site=site, fleet_number=fleet_number)
    MachineFactory(site=site, fleet_number="DT4", is_in_service=False)
    sign_in(desk_page, AccountFactory(roles=[("site_admin", site)]))
    desk_page.goto(reverse("machine-labels"))
    desk_page.wait_for_load_state("networkidle")
    desk_page.emulate_media(media="print")
    sheet = Image.open(io.BytesIO(desk_page.screenshot(full_page=True)))
    read = {urlsplit(code.text).path for code in zxingcpp.read_barcodes(sheet)}
    assert read == {reverse("check-start", args=[number]) for number in ("DT1", "DT2", "DT3")}
