"""The daily check over its doors, without script: as a phone with none, or a slow one, sees it."""

import uuid
from datetime import timedelta
from urllib.parse import quote

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from competence.models import DailyCheck, Defect, Finding, Refusal
from competence.queries.checks import (
    defects_of,
    drafts_of,
    is_trainee_on,
    last_reading,
    machines_to_pick,
    open_defects,
    sheet_of,
)
from competence.queries.operator_start import operator_start, own_record
from tests.doors.check_yard import a_photograph, a_trainee, a_yard, signed_in
from tests.factories import (
    PASSWORD,
    AccountFactory,
    CategoryFactory,
    ChecklistVersionFactory,
    DailyCheckFactory,
    DefectFactory,
    FindingFactory,
    MachineFactory,
    MachineStateFactory,
    OperatorFactory,
    PointFactory,
    RoleFactory,
    SiteFactory,
    TicketEventFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def yard():
    return a_yard()


@pytest.fixture
def phone(yard):
    return signed_in(yard.account)


def start(phone, machine, check_id=None, **fields):
    url = reverse("check-start", args=[machine.fleet_number])
    return phone.post(url, {"check_id": str(check_id or uuid.uuid4()), **fields})


def zone(daily_check, number):
    return reverse("check-zone", args=[daily_check.pk, number])


def answer_all(yard, daily_check):
    for listed in yard.listed:
        FindingFactory(daily_check=daily_check, listed=listed)


def finish(phone, daily_check, **fields):
    given = {"hour_meter": "4210.5", "refusal_id": str(uuid.uuid4()), **fields}
    address = reverse("check-finish", args=[daily_check.pk])
    answer = phone.post(address, given)
    # What is wrong is shown on the page that a browser is sent to.
    return phone.get(address) if answer["Location"] == address else answer


def statements(phone, address):
    with CaptureQueriesContext(connection) as asked:
        phone.get(address)
    return len(asked)


# Picking a machine -------------------------------------------------------------------------------------


def test_machines_at_the_home_site_come_before_the_others(yard, phone):
    MachineFactory(fleet_number="AA-001", site=SiteFactory(name="Tarnside Pit"))
    page = phone.get(reverse("check-pick")).content.decode()
    assert page.index("At Brackenfell Quarry") < page.index("DT-014") < page.index("AA-001")


def test_a_machine_out_of_service_is_not_offered(yard, phone):
    MachineFactory(fleet_number="OLD-1", site=yard.machine.site, is_in_service=False)
    assert "OLD-1" not in phone.get(reverse("check-pick")).content.decode()


def test_a_whole_fleet_number_in_any_case_opens_its_machine(yard, phone):
    answer = phone.get(reverse("check-pick"), {"q": " dt-014 "})
    assert answer["Location"] == reverse("check-start", args=["DT-014"])


def test_an_unknown_fleet_number_says_so_and_keeps_what_was_typed(phone):
    page = phone.get(reverse("check-pick"), {"q": 'ZZ<9>"'}).content.decode()
    assert "No machine in service is called" in page
    assert 'value="ZZ&lt;9&gt;&quot;"' in page
    # A printed code of a machine that was struck off leads to the same words.
    answer = phone.get(reverse("check-start", args=["GONE-1"]), follow=True)
    assert "No machine in service is called" in answer.content.decode()


@pytest.mark.parametrize("odd", ["DT&014", "DT%0A014", "Ä#?", "x" * 300])
def test_an_odd_code_leads_to_the_same_words_and_keeps_what_was_read(phone, odd):
    answer = phone.get(f"/machines/{quote(odd, safe='%')}/check/", follow=True)
    assert answer.status_code == 200
    if odd == "DT&014":
        assert 'value="DT&amp;014"' in answer.content.decode()


def test_a_code_with_a_null_character_in_it_is_no_address(phone):
    assert phone.get("/machines/DT%00014/check/").status_code == 400


@pytest.mark.parametrize(
    "room", ["check", "checks", "refusals", "operators", "tickets", "machines", "defects", "journal"]
)
@pytest.mark.parametrize("odd", ["\x00", "%", "'; --", "\U0001f69c" * 200])
def test_odd_words_find_nothing_and_break_nothing(yard, room, odd):
    RoleFactory(account=yard.account, name="auditor")
    query = dict.fromkeys(("q", "site", "category", "action", "first"), odd)
    assert signed_in(yard.account).get(f"/{room}/", query).status_code == 200


def test_a_photograph_or_point_that_is_not_there_is_not_found(yard, phone):
    huge = 10**30
    assert phone.get(f"/photographs/{huge}/").status_code == 404
    draft = yard.draft()
    assert phone.get(f"/checks/{draft.pk}/zones/{huge}/").status_code == 404
    assert phone.post(f"/checks/{draft.pk}/points/{huge}/").status_code == 409


def test_my_unfinished_check_comes_first(yard, phone):
    draft = yard.draft()
    page = phone.get(reverse("check-pick")).content.decode()
    assert page.index(reverse("check", args=[draft.pk])) < page.index("At Brackenfell Quarry")


def test_picking_asks_the_same_number_of_statements_for_two_machines_and_for_thirty(yard, phone):
    few = statements(phone, reverse("check-pick"))
    for _ in range(28):
        MachineFactory(site=yard.machine.site)
    assert statements(phone, reverse("check-pick")) == few


# Starting ----------------------------------------------------------------------------------------------


def test_the_start_page_shows_stop_use_defects_first(yard, phone):
    DefectFactory(machine=yard.machine, grade="report", note="Mirror bent")
    DefectFactory(machine=yard.machine, grade="stop_use", note="Nuts missing")
    page = phone.get(reverse("check-start", args=["DT-014"])).content.decode()
    assert page.index("Nuts missing") < page.index("Mirror bent")


def test_an_authorised_operator_starts_a_check(yard, phone):
    made = uuid.uuid4()
    answer = start(phone, yard.machine, made)
    assert answer["Location"] == reverse("check", args=[made])
    page = phone.get(answer["Location"]).content.decode()
    assert "Allowed" in page
    assert "0 of 6 answered" in page


def test_the_same_press_sent_twice_starts_one_check(yard, phone):
    made = uuid.uuid4()
    assert start(phone, yard.machine, made)["Location"] == start(phone, yard.machine, made)["Location"]
    assert DailyCheck.objects.count() == 1


def test_starting_again_comes_back_to_the_same_draft(yard, phone):
    first = start(phone, yard.machine)["Location"]
    assert start(phone, yard.machine)["Location"] == first


def test_somebody_without_a_ticket_is_refused_with_every_reason(yard):
    stranger = AccountFactory(operator=OperatorFactory(site=yard.machine.site))
    answer = start(signed_in(stranger), yard.machine)
    refusal = Refusal.objects.get()
    assert answer["Location"] == reverse("refusal", args=[refusal.pk])
    page = signed_in(stranger).get(answer["Location"]).content.decode()
    for reason in refusal.verdict["reasons"]:
        assert reason["sentence"] in page
    assert len(refusal.verdict["reasons"]) == 4
    assert not DailyCheck.objects.exists()


def test_an_allowed_operator_hears_that_an_open_stop_use_defect_stands_over_the_ticket(yard, phone):
    DefectFactory(machine=yard.machine, grade="stop_use")
    page = phone.get(start(phone, yard.machine)["Location"]).content.decode()
    assert "this machine is not to be used" in page


def test_an_account_that_is_no_operator_s_cannot_start(yard):
    odd = AccountFactory(roles=["operator"])
    assert signed_in(odd).get(reverse("check-pick")).status_code == 403


# Supervision -------------------------------------------------------------------------------------------


def confirmed(**changes):
    return {
        "supervisor_name": "carys",
        "supervisor_password": PASSWORD,
        "is_supervising": "on",
    } | changes


def test_a_trainee_alone_is_refused_and_led_back_to_name_a_supervisor(yard):
    phone = signed_in(a_trainee(yard))
    page = phone.get(reverse("check-start", args=["DT-014"])).content.decode()
    assert "Supervising operator&#x27;s sign-in name" in page
    page = phone.get(start(phone, yard.machine)["Location"]).content.decode()
    assert "no supervising operator was named" in page
    assert "Name a supervising operator" in page


def test_a_supervisor_who_confirms_lets_the_trainee_start(yard):
    phone = signed_in(a_trainee(yard))
    start(phone, yard.machine, **confirmed())
    daily_check = DailyCheck.objects.get()
    assert daily_check.supervisor == yard.operator
    # The phone stays the trainee's.
    assert phone.get(reverse("check", args=[daily_check.pk])).status_code == 200


def test_a_supervisor_who_is_named_but_does_not_sign_in_has_not_confirmed(yard):
    phone = signed_in(a_trainee(yard))
    start(phone, yard.machine, supervisor="OP100")
    assert [r["code"] for r in Refusal.objects.get().verdict["reasons"]] == ["supervisor_not_confirmed"]


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"supervisor_password": "wrong"}, "do not go together"),
        ({"supervisor": "OP999"}, "Nobody on the register has the operator number OP999"),
        ({"supervisor": "OP200"}, "That is your own number"),
        ({"is_supervising": ""}, "ticks this to confirm"),
        ({"supervisor_password": ""}, "Both the sign-in name and the password"),
        ({"supervisor_name": "femi"}, "That is your own sign-in"),
        ({"supervisor_name": "office"}, "is not an operator&#x27;s"),
        ({"supervisor_name": "", "supervisor_password": ""}, "signs in here to confirm"),
        ({"supervisor": "op100", "supervisor_name": "hugh"}, "This sign-in is not"),
    ],
)
def test_a_confirmation_that_is_not_whole_confirms_nothing_and_keeps_what_was_typed(yard, changes, said):
    AccountFactory(username="hugh", operator=OperatorFactory(site=yard.machine.site))
    AccountFactory(username="office", roles=["trainer"])
    phone = signed_in(a_trainee(yard))
    given = confirmed(**changes)
    answer = start(phone, yard.machine, **given)
    page = answer.content.decode()
    assert answer.status_code == 200
    assert said in page
    for name in ("supervisor", "supervisor_name"):
        if given.get(name):
            assert f'value="{given[name]}"' in page
    # A password is never written back into a page.
    assert PASSWORD not in page
    assert not DailyCheck.objects.exists()
    assert not Refusal.objects.exists()


# The walk-around ----------------------------------------------------------------------------------------


def test_a_zone_is_saved_and_leads_to_the_next(yard, phone):
    draft = yard.draft()
    first, second = yard.listed[:2]
    answer = phone.post(zone(draft, 1), {f"answer-{first.pk}": "good", f"answer-{second.pk}": "good"})
    assert answer["Location"] == zone(draft, 2)
    assert draft.findings.count() == 2


def test_a_zone_that_was_passed_over_is_told_on_the_page_after_it(yard, phone):
    draft = yard.draft()
    page = phone.post(zone(draft, 1), {}, follow=True).content.decode()
    name = yard.listed[0].zone_name
    assert f"Nothing was answered in {name}; it is waiting at Finish." in page
    answered = phone.post(zone(draft, 1), {f"answer-{yard.listed[0].pk}": "good"}, follow=True)
    assert "Nothing was answered" not in answered.content.decode().split("data-left-zone")[0].split("<h1")[0]


def test_the_last_zone_leads_to_the_end(yard, phone):
    draft = yard.draft()
    assert phone.post(zone(draft, 3), {})["Location"] == reverse("check-finish", args=[draft.pk])


def test_what_is_whole_is_saved_and_what_is_not_stands_as_typed(yard, phone):
    draft = yard.draft()
    first, second = yard.listed[:2]
    answer = phone.post(
        zone(draft, 1),
        {
            f"answer-{first.pk}": "good",
            f"answer-{second.pk}": "defect",
            f"note-{second.pk}": "Drip under the <pump>",
        },
    )
    page = answer.content.decode()
    assert "Say how bad it is" in page
    assert "Drip under the &lt;pump&gt;" in page
    assert [f.listed_id for f in draft.findings.all()] == [first.pk]


def test_not_reached_needs_a_reason(yard, phone):
    draft = yard.draft()
    second = yard.listed[1]
    page = phone.post(zone(draft, 1), {f"answer-{second.pk}": "not_reached"}).content.decode()
    assert "Say why it was not reached" in page
    assert not draft.findings.exists()


def test_a_defect_at_a_critical_point_stops_use_whatever_was_tapped(yard, phone):
    draft = yard.draft()
    first = yard.listed[0]
    phone.post(
        zone(draft, 1),
        {f"answer-{first.pk}": "defect", f"grade-{first.pk}": "report", f"note-{first.pk}": "Loose"},
    )
    assert draft.findings.get().grade == "stop_use"


def test_a_note_too_long_is_refused_at_its_field_and_kept(yard, phone):
    draft = yard.draft()
    second = yard.listed[1]
    long = "x" * 501
    answer = phone.post(
        zone(draft, 1),
        {f"answer-{second.pk}": "defect", f"grade-{second.pk}": "report", f"note-{second.pk}": long},
    )
    assert "at most 500 characters" in answer.content.decode()
    assert long in answer.content.decode()


@pytest.mark.parametrize("nonsense", ["excellent", "good\x00", "1"])
def test_an_answer_that_is_none_is_refused_in_words(yard, phone, nonsense):
    draft = yard.draft()
    answer = phone.post(zone(draft, 1), {f"answer-{yard.listed[0].pk}": nonsense})
    assert answer.status_code == 200
    assert not draft.findings.exists()


def test_a_zone_that_is_not_there_is_not_found(yard, phone):
    draft = yard.draft()
    assert phone.get(zone(draft, 4)).status_code == 404
    assert phone.get(zone(draft, 0)).status_code == 404


def test_a_photograph_is_kept_clean_and_shown_to_those_who_may_see_it(yard, phone):
    draft = yard.draft()
    second = yard.listed[1]
    phone.post(
        zone(draft, 1),
        {
            f"answer-{second.pk}": "defect",
            f"grade-{second.pk}": "report",
            f"note-{second.pk}": "Drip",
            f"photo-{second.pk}": a_photograph("PNG"),
        },
    )
    finding = draft.findings.get()
    assert Image.open(finding.photograph.path).format == "JPEG"
    url = reverse("photograph", args=[finding.pk])
    shown = phone.get(url)
    assert shown["Content-Type"] == "image/jpeg"
    assert shown["X-Content-Type-Options"] == "nosniff"
    assert "private" in shown["Cache-Control"]
    assert b"".join(shown.streaming_content) == finding.photograph.open().read()
    here = AccountFactory(roles=[("site_admin", yard.machine.site)])
    elsewhere = AccountFactory(roles=[("site_admin", SiteFactory())])
    other = AccountFactory(operator=OperatorFactory(site=yard.machine.site))
    assert signed_in(here).get(url).status_code == 200
    assert signed_in(elsewhere).get(url).status_code == 403
    assert signed_in(other).get(url).status_code == 403


@pytest.mark.parametrize("content", [b"%PDF-1.7", b""])
def test_a_file_that_is_no_picture_is_refused_at_its_field_and_the_rest_is_kept(yard, phone, content):
    draft = yard.draft()
    second = yard.listed[1]
    answer = phone.post(
        zone(draft, 1),
        {
            f"answer-{second.pk}": "defect",
            f"grade-{second.pk}": "report",
            f"note-{second.pk}": "Drip",
            f"photo-{second.pk}": SimpleUploadedFile("x.jpg", content),
        },
    )
    if content:
        assert "not a picture that can be read" in answer.content.decode()
    finding = draft.findings.get()
    assert (finding.note, bool(finding.photograph)) == ("Drip", False)


def test_a_photograph_over_the_limit_is_refused_and_the_rest_is_kept(yard, phone, settings):
    settings.PHOTOGRAPH_MAX_BYTES = 1024 * 1024
    draft = yard.draft()
    second = yard.listed[1]
    answer = phone.post(
        zone(draft, 1),
        {
            f"answer-{second.pk}": "defect",
            f"grade-{second.pk}": "report",
            f"note-{second.pk}": "Drip",
            f"photo-{second.pk}": SimpleUploadedFile("x.jpg", b"\xff\xd8\xff" + bytes(1024 * 1024)),
        },
    )
    assert "at most 1 MB can be kept" in answer.content.decode()
    assert draft.findings.get().note == "Drip"


def test_the_pages_of_a_check_ask_as_many_statements_for_three_points_as_for_sixty(yard, phone):
    def asked(checklist):
        draft = DailyCheckFactory(operator=yard.operator, machine=MachineFactory(), checklist=checklist)
        for listed in checklist.listed.order_by("position"):
            FindingFactory(daily_check=draft, listed=listed, defect=True)
        pages = [reverse(name, args=[draft.pk]) for name in ("check", "check-finish")]
        counts = [statements(phone, address) for address in (*pages, zone(draft, 1))]
        DailyCheck.objects.filter(pk=draft.pk).update(
            status="submitted", submitted_at=timezone.now(), hour_meter=1, result="fit"
        )
        return [*counts, statements(phone, reverse("check-result", args=[draft.pk]))]

    assert asked(ChecklistVersionFactory(points=60)) == asked(ChecklistVersionFactory(points=3))


# One tap -------------------------------------------------------------------------------------------------


def tap(phone, draft, listed, **fields):
    given = {f"{name}-{listed.pk}": value for name, value in fields.items()}
    return phone.post(reverse("check-point", args=[draft.pk, listed.pk]), given)


def test_a_tap_is_saved_at_once_and_says_how_far_the_check_is(yard, phone):
    draft = yard.draft()
    answer = tap(phone, draft, yard.listed[0], answer="good")
    assert answer.status_code == 200
    assert answer.json() == {
        "saved": True,
        "sentences": [],
        "grade": "",
        "photograph": "",
        "answered": 1,
        "total": 6,
    }


def test_the_newest_tap_wins(yard, phone):
    draft = yard.draft()
    listed = yard.listed[1]
    tap(phone, draft, listed, answer="good")
    tap(phone, draft, listed, answer="defect", grade="report", note="Drip")
    assert [(f.answer, f.note) for f in draft.findings.all()] == [("defect", "Drip")]


def test_a_defect_that_is_begun_takes_back_good_so_that_the_register_never_says_good(yard, phone):
    draft = yard.draft()
    listed = yard.listed[1]
    tap(phone, draft, listed, answer="good")
    answer = tap(phone, draft, listed, answer="defect")
    assert answer.status_code == 422
    assert answer.json()["sentences"] == ["Say how bad it is: stop use, or report.", "Say what is wrong."]
    assert answer.json()["answered"] == 0
    assert not draft.findings.exists()


def test_a_defect_stands_until_a_whole_answer_replaces_it(yard, phone):
    draft = yard.draft()
    listed = yard.listed[1]
    tap(phone, draft, listed, answer="defect", grade="report", note="Drip", photo=a_photograph())
    tap(phone, draft, listed, answer="not_reached")
    assert draft.findings.get().answer == "defect"
    assert draft.findings.get().photograph


def test_a_point_of_another_checklist_is_refused(yard, phone):
    draft = yard.draft()
    stranger = ChecklistVersionFactory().listed.first()
    assert tap(phone, draft, stranger, answer="good").status_code == 409
    assert not Finding.objects.exists()


def test_nobody_else_answers_or_reads_my_draft(yard):
    draft = yard.draft()
    other = signed_in(AccountFactory(operator=OperatorFactory(site=yard.machine.site)))
    assert tap(other, draft, yard.listed[0], answer="good").status_code == 403
    assert other.get(reverse("check", args=[draft.pk])).status_code == 403
    assert not draft.findings.exists()


def test_a_submitted_check_takes_no_more_answers(yard, phone):
    done = yard.draft(submitted=True)
    answer = tap(phone, done, yard.listed[0], answer="good")
    assert answer.status_code == 409
    assert "submitted already" in answer.json()["sentences"][0]


def test_a_signed_out_phone_is_sent_to_sign_in_and_nothing_is_written(yard, phone):
    draft = yard.draft()
    phone.logout()
    answer = tap(phone, draft, yard.listed[0], answer="good")
    assert answer.status_code == 302
    assert not draft.findings.exists()


# The end -------------------------------------------------------------------------------------------------


def test_a_whole_check_is_submitted_and_found_fit(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    answer = finish(phone, draft)
    assert answer["Location"] == reverse("check-result", args=[draft.pk])
    assert "Fit for use" in phone.get(answer["Location"]).content.decode()


def test_a_point_not_reached_is_told_beside_the_verdict_with_its_reason(yard, phone):
    draft = yard.draft()
    for listed in yard.listed[:-1]:
        FindingFactory(daily_check=draft, listed=listed)
    FindingFactory(
        daily_check=draft, listed=yard.listed[-1], answer="not_reached", not_reached_reason="Horn fuse drawn"
    )
    page = phone.get(finish(phone, draft)["Location"]).content.decode()
    before_the_fold = page.split("Every point of this check")[0]
    assert "Fit for use" in before_the_fold
    assert "Not reached: 1" in before_the_fold
    assert "Horn: Horn fuse drawn" in before_the_fold


def test_a_rejected_end_is_shown_by_a_get_and_told_once_with_what_was_typed(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    address = reverse("check-finish", args=[draft.pk])
    answer = phone.post(address, {"hour_meter": "many", "refusal_id": str(uuid.uuid4())})
    assert (answer.status_code, answer["Location"]) == (302, address)
    assert "as a number" in phone.get(address).content.decode()
    again = phone.get(address).content.decode()
    assert "as a number" not in again
    assert 'value="many"' in again


def test_submitting_twice_shows_the_same_result(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    first = finish(phone, draft)
    submitted_at = DailyCheck.objects.get().submitted_at
    assert finish(phone, draft)["Location"] == first["Location"]
    assert DailyCheck.objects.get().submitted_at == submitted_at


def test_points_unanswered_are_named_with_the_way_to_each(yard, phone):
    draft = yard.draft()
    FindingFactory(daily_check=draft, listed=yard.listed[0])
    page = finish(phone, draft).content.decode()
    assert "Not answered yet: Leaks, Engine oil, Coolant, Seat belt, Horn" in page
    assert f"{zone(draft, 3)}#point-{yard.listed[5].pk}" in page
    assert 'value="4210.5"' in page
    assert DailyCheck.objects.get().status == "draft"


@pytest.mark.parametrize(
    ("reading", "said"),
    [
        ("", "Read the hour meter"),
        ("many", "as a number"),
        ("-1", "below zero"),
        ("1199.9", "does not run backwards"),
        ("9000", "but only"),
        ("1200.55", "One figure after the point"),
        ("NaN", "as a number"),
        ("99999999999", "more than an hour meter can read"),
    ],
)
def test_a_reading_that_cannot_be_right_is_refused_beside_its_field(yard, phone, reading, said):
    yard.draft(submitted=True, started_at=timezone.now() - timedelta(days=1))
    draft = yard.draft()
    answer_all(yard, draft)
    answer = finish(phone, draft, hour_meter=reading)
    assert said in answer.content.decode()
    assert answer.context["form"].errors.keys() == {"hour_meter"}
    assert DailyCheck.objects.get(pk=draft.pk).status == "draft"


def test_a_doubted_reading_is_kept_with_a_note_that_says_why(yard, phone):
    yard.draft(submitted=True, started_at=timezone.now() - timedelta(days=1))
    draft = yard.draft()
    answer_all(yard, draft)
    finish(phone, draft, hour_meter="12,5", hour_meter_note="New meter fitted yesterday")
    kept = DailyCheck.objects.get(pk=draft.pk)
    assert (kept.status, str(kept.hour_meter)) == ("submitted", "12.5")


def test_a_critical_defect_ends_in_do_not_use_with_whom_to_ring(yard, phone):
    AccountFactory(
        first_name="Greta",
        last_name="Dunmore",
        phone="01632 960 112",
        roles=[("site_admin", yard.machine.site)],
    )
    draft = yard.draft()
    for listed in yard.listed[1:]:
        FindingFactory(daily_check=draft, listed=listed)
    FindingFactory(
        daily_check=draft, listed=yard.listed[0], defect=True, grade="stop_use", note="Two nuts missing"
    )
    page = phone.get(finish(phone, draft)["Location"]).content.decode()
    assert "Do not use" in page
    assert "Wheel nuts: a defect that stops use." in page
    assert "Take the key out" in page
    assert 'href="tel:01632960112"' in page
    assert Defect.objects.get().grade == "stop_use"


def test_a_clock_that_is_wrong_is_told_and_one_that_cannot_be_read_stops_nothing(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    ahead = (timezone.now() + timedelta(minutes=47)).isoformat()
    page = phone.get(finish(phone, draft, device_clock_at=ahead)["Location"]).content.decode()
    assert "47 minutes ahead of the register" in page
    again = yard.draft()
    answer_all(yard, again)
    finish(phone, again, device_clock_at="half past six", hour_meter_note="Read twice")
    assert DailyCheck.objects.get(pk=again.pk).status == "submitted"


def test_a_new_list_keeps_the_answers_that_still_hold_and_names_the_new_points(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    kept = [listed.point for listed in yard.listed[:4]]
    ChecklistVersionFactory(
        category=yard.machine.state.category, points=[*kept, PointFactory(title="Fire extinguisher")]
    )
    page = finish(phone, draft).content.decode()
    assert "The checklist changed to version 2" in page
    assert "4 answers were kept" in page
    assert "Points to answer now: Fire extinguisher." in page
    assert 'value="4210.5"' in page
    assert "4 of 5 answered" in page


def test_who_was_suspended_meanwhile_is_refused_once_and_the_draft_is_kept(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    TicketEventFactory(ticket=yard.operator.tickets.get(), kind="suspended")
    press = str(uuid.uuid4())
    first = finish(phone, draft, refusal_id=press)
    assert finish(phone, draft, refusal_id=press)["Location"] == first["Location"]
    assert Refusal.objects.count() == 1
    assert DailyCheck.objects.get().status == "draft"
    assert draft.findings.count() == 6


def test_a_check_is_set_aside_with_a_reason_only(yard, phone):
    draft = yard.draft()
    url = reverse("check-set-aside", args=[draft.pk])
    assert "Say in a few words" in phone.post(url, {"reason": "  "}).content.decode()
    assert phone.post(url, {"reason": "Wrong machine"})["Location"] == reverse("home")
    assert DailyCheck.objects.get().status == "set_aside"
    assert "was set aside" in phone.get(reverse("check", args=[draft.pk])).content.decode()
    assert phone.get(zone(draft, 1))["Location"] == reverse("check", args=[draft.pk])


def test_an_old_result_does_not_read_as_today_s(yard, phone):
    old = yard.draft(submitted=True, started_at=timezone.now() - timedelta(days=2))
    url = reverse("check-result", args=[old.pk])
    assert "record of an earlier day" in phone.get(url).content.decode()
    DefectFactory(machine=yard.machine, grade="stop_use")
    assert "A stop-use defect is open on this machine now" in phone.get(url).content.decode()


# Records -------------------------------------------------------------------------------------------------


def test_staff_see_the_whole_sheet_of_a_check_at_their_site_only(yard):
    done = yard.draft(submitted=True)
    for listed in yard.listed[:5]:
        FindingFactory(daily_check=done, listed=listed)
    FindingFactory(daily_check=done, listed=yard.listed[5], defect=True, note="Horn is weak")
    url = reverse("check-result", args=[done.pk])
    here = signed_in(AccountFactory(roles=[("auditor", yard.machine.site)]))
    page = here.get(url).content.decode()
    assert "Horn is weak" in page
    for listed in yard.listed:
        assert listed.point.title in page
    assert signed_in(AccountFactory(roles=[("auditor", SiteFactory())])).get(url).status_code == 403


def test_a_result_names_the_checklist_that_was_walked_whatever_the_machine_is_now(yard, phone):
    draft = yard.draft()
    answer_all(yard, draft)
    address = finish(phone, draft)["Location"]
    MachineStateFactory(machine=yard.machine, category=CategoryFactory(name="Water cart"))
    page = phone.get(address).content.decode()
    assert "Articulated dumper, version 1" in page
    assert "Water cart" not in page


def test_a_draft_is_not_a_record_for_staff(yard):
    staff = signed_in(AccountFactory(roles=["auditor"]))
    assert staff.get(reverse("check-result", args=[yard.draft().pk])).status_code == 404


@pytest.fixture
def some_checks(yard):
    yard.draft(submitted=True, started_at=timezone.now() - timedelta(days=9))
    yard.draft(submitted=True, result="do_not_use")
    DailyCheckFactory(submitted=True, machine__fleet_number="EX-900")


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({}, 3),
        ({"q": "dt-014"}, 2),
        ({"q": "bellamy dt"}, 2),
        ({"q": "nobody"}, 0),
        ({"result": "do_not_use"}, 1),
        ({"result": "nonsense"}, 3),
        ({"first": (timezone.now() - timedelta(days=2)).date().isoformat()}, 2),
        ({"last": (timezone.now() - timedelta(days=2)).date().isoformat()}, 1),
        ({"first": "0001-01-01", "last": "9999-12-31", "site": "x", "page": "z"}, 3),
    ],
)
def test_the_list_is_narrowed_by_words_result_and_days(some_checks, query, found):
    staff = signed_in(AccountFactory(roles=["auditor"]))
    answer = staff.get(reverse("check-list"), query)
    assert answer.context["page"].paginator.count == found


def test_the_list_holds_the_own_sites_only(yard, some_checks):
    staff = signed_in(AccountFactory(roles=[("site_admin", yard.machine.site)]))
    assert staff.get(reverse("check-list")).context["page"].paginator.count == 2
    foreign = SiteFactory()
    assert staff.get(reverse("check-list"), {"site": foreign.pk}).context["page"].paginator.count == 2


def test_the_list_asks_the_same_number_of_statements_for_two_and_for_twenty(yard):
    staff = signed_in(AccountFactory(roles=["auditor"]))
    for _ in range(2):
        yard.draft(submitted=True)
    few = statements(staff, reverse("check-list"))
    for _ in range(18):
        DailyCheckFactory(submitted=True)
    assert statements(staff, reverse("check-list")) == few


def test_each_query_asks_as_many_statements_as_it_says(yard, django_assert_num_queries):
    now, draft = timezone.now(), yard.draft()
    for ask, said in (
        (lambda: machines_to_pick(yard.operator, "d"), 2),
        (lambda: drafts_of(yard.operator), 1),
        (lambda: is_trainee_on(yard.operator, yard.machine, now), 3),
        (lambda: open_defects(yard.machine), 1),
        (lambda: last_reading(yard.machine), 1),
        (lambda: defects_of(draft), 1),
        (lambda: sheet_of(draft), 2),
        (lambda: operator_start(yard.operator, now), 3),
        (lambda: own_record(yard.operator, now), 3),
    ):
        with django_assert_num_queries(said):
            ask()


def test_my_record_shows_my_own_tickets_checks_and_refusals(yard, phone):
    yard.draft(submitted=True)
    stranger = DailyCheckFactory(submitted=True)
    page = phone.get(reverse("my-record")).content.decode()
    assert yard.operator.tickets.get().number in page
    assert "In force" in page
    assert stranger.machine.fleet_number not in page


def test_an_account_without_a_role_is_told_so_and_staff_are_not():
    words = "Your account holds no role yet"
    assert words in signed_in(AccountFactory()).get(reverse("home")).content.decode()
    staff = signed_in(AccountFactory(roles=["auditor"]))
    assert words not in staff.get(reverse("home")).content.decode()


def test_the_start_page_offers_the_draft_the_check_and_the_last_machine(yard, phone):
    yard.draft(submitted=True)
    draft = yard.draft()
    page = phone.get(reverse("home")).content.decode()
    assert reverse("check", args=[draft.pk]) in page
    assert reverse("check-pick") in page
    assert "DT-014 again" in page
