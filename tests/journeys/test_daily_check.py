"""The operator's morning in a real browser: a phone, a glove, a weak signal."""

import pytest
from django.contrib.sessions.models import Session
from django.urls import reverse

from competence.models import DailyCheck, Defect, Refusal
from tests.conftest import DESK, PHONE
from tests.doors.check_yard import a_photograph, a_trainee, a_yard
from tests.factories import PASSWORD, AccountFactory, DefectFactory, FindingFactory, OperatorFactory

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# A phone zooms out of what is too wide, and its inner width grows with it; the client width does not.
FITS = "document.documentElement.scrollWidth <= document.documentElement.clientWidth"


@pytest.fixture
def yard(transactional_db):
    return a_yard()


def card(page, listed):
    return page.locator(f"#point-{listed.pk}")


def tap(page, listed, answer):
    # What the finger meets is the label; the input lies over it, unseen.
    card(page, listed).locator(f"input[value={answer}]").click()


def saved(page, listed, word="Saved"):
    card(page, listed).get_by_text(word, exact=True).wait_for()


def go_on(page):
    page.locator(".action-bar button").click()


def begin(page, fleet_number="DT-014"):
    page.goto(f"/machines/{fleet_number}/check/")
    page.get_by_role("button", name="Start daily check").click()
    page.get_by_role("link", name="Begin").click()
    page.wait_for_url("**/zones/1/")


def at_zone(page, number):
    page.wait_for_url(f"**/zones/{number}/")


def submit(page, hours="1200.5"):
    page.get_by_label("Hour meter").fill(hours)
    page.get_by_role("button", name="Submit").click()
    page.wait_for_url("**/result/")


def answer_zones(page, yard, numbers):
    for number in numbers:
        at_zone(page, number)
        for listed in yard.listed[2 * number - 2 : 2 * number]:
            tap(page, listed, "good")
            saved(page, listed)
        go_on(page)
    page.wait_for_url("**/finish/" if numbers[-1] == 3 else f"**/zones/{numbers[-1] + 1}/")


def test_an_allowed_operator_walks_round_finds_a_leak_photographs_it_and_submits(
    yard, phone_page, sign_in, check_access
):
    page = phone_page
    sign_in(page, yard.account)
    page.goto("/")
    check_access(page)
    page.get_by_role("link", name="Start a daily check").click()
    check_access(page)
    page.get_by_label("Fleet number").fill("dt-014")
    page.get_by_role("button", name="Find").click()
    check_access(page)
    page.get_by_role("button", name="Start daily check").click()
    page.get_by_text("Allowed", exact=True).wait_for()
    check_access(page)
    page.get_by_role("link", name="Begin").click()
    nuts, leaks = yard.listed[:2]
    tap(page, nuts, "good")
    saved(page, nuts)
    tap(page, leaks, "defect")
    page.get_by_text("Say how bad it is").wait_for()
    # Going on is held back at what is missing.
    go_on(page)
    page.wait_for_function(f"document.activeElement.name === 'note-{leaks.pk}'")
    assert page.url.endswith("/zones/1/")
    tap(page, leaks, "report")
    card(page, leaks).get_by_label("What is wrong").fill("Drip at the swing motor")
    saved(page, leaks)
    picture = a_photograph()
    card(page, leaks).locator("input[type=file]").set_input_files(
        {"name": "leak.jpg", "mimeType": "image/jpeg", "buffer": picture.read()}
    )
    card(page, leaks).get_by_text("Photograph kept").wait_for()
    check_access(page)
    go_on(page)
    answer_zones(page, yard, [2, 3])
    check_access(page)
    assert page.get_by_text("Drip at the swing motor").is_visible()
    submit(page)
    page.get_by_text("Fit for use", exact=True).wait_for()
    check_access(page)
    # The picture is really shown, not only named.
    assert (
        page.locator(".defect-photo").evaluate("image => image.decode().then(() => image.naturalWidth)")
        == 400
    )
    kept = DailyCheck.objects.get()
    assert kept.status == "submitted"
    assert [(f.answer, f.note) for f in kept.findings.exclude(answer="good")] == [
        ("defect", "Drip at the swing motor")
    ]
    assert Defect.objects.get().point_title == "Leaks"


def test_somebody_who_is_refused_reads_every_reason_and_whom_to_ring(yard, phone_page, sign_in, check_access):
    AccountFactory(
        first_name="Greta",
        last_name="Dunmore",
        phone="01632 960 112",
        roles=[("site_admin", yard.machine.site)],
    )
    stranger = AccountFactory(operator=OperatorFactory(site=yard.machine.site))
    sign_in(phone_page, stranger)
    phone_page.goto("/machines/DT-014/check/")
    phone_page.get_by_role("button", name="Start daily check").click()
    phone_page.get_by_text("Refused", exact=True).wait_for()
    reasons = Refusal.objects.get().verdict["reasons"]
    assert len(reasons) == 4
    for reason in reasons:
        assert phone_page.get_by_text(reason["sentence"], exact=True).is_visible()
    assert (
        phone_page.get_by_role("link", name="Call Greta Dunmore").get_attribute("href") == "tel:01632960112"
    )
    check_access(phone_page)


@pytest.mark.slow
def test_signing_in_again_in_another_tab_sends_what_waited_in_the_open_page(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    begin(page)
    nuts = yard.listed[0]
    Session.objects.all().delete()
    tap(page, nuts, "good")
    saved(page, nuts, "Kept on this phone until you sign in again")
    other = page.context.new_page()
    sign_in(other, yard.account)
    page.bring_to_front()
    saved(page, nuts)
    assert not page.get_by_text("You are signed out.").is_visible()
    assert DailyCheck.objects.get().findings.get().answer == "good"


def test_a_zone_left_bare_is_told_and_a_file_that_is_dropped_is_not_called_saved(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    begin(page)
    page.get_by_role("button", name="Save and go on to").click()
    at_zone(page, 2)
    page.get_by_text(
        f"Nothing was answered in {yard.listed[0].zone_name}; it is waiting at Finish."
    ).wait_for()
    page.go_back()
    at_zone(page, 1)
    leaks = yard.listed[1]
    tap(page, leaks, "defect")
    card(page, leaks).locator("input[value=report]").click()
    card(page, leaks).get_by_label("What is wrong").fill("Drip")
    saved(page, leaks)
    card(page, leaks).locator("input[type=file]").set_input_files(
        {"name": "bill.txt", "mimeType": "text/plain", "buffer": b"a bill"}
    )
    card(page, leaks).get_by_text("not a picture that can be read").wait_for()
    saved(page, leaks, "The answer is saved, the file is not")


def test_nothing_is_lost_when_the_session_ends_in_the_middle(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    begin(page)
    nuts, leaks = yard.listed[:2]
    tap(page, nuts, "good")
    saved(page, nuts)
    Session.objects.all().delete()
    tap(page, leaks, "not_reached")
    card(page, leaks).get_by_label("Why it was not reached").fill("Parked over a pit")
    page.get_by_text("You are signed out.").wait_for()
    saved(page, leaks, "Kept on this phone until you sign in again")
    assert not page.get_by_text("sent as soon as there is a signal").is_visible()
    page.get_by_role("link", name="Sign in again").click()
    page.get_by_label("Username").fill("carys")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    at_zone(page, 1)
    saved(page, leaks)
    findings = {f.listed_id: f for f in DailyCheck.objects.get().findings.all()}
    assert findings[nuts.pk].answer == "good"
    assert findings[leaks.pk].not_reached_reason == "Parked over a pit"
    assert page.evaluate("Object.keys(localStorage).length") == 0


def test_the_walk_round_goes_on_without_a_signal_and_is_sent_when_it_returns(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    begin(page)
    # The other zones are fetched ahead while there is a signal.
    page.wait_for_load_state("networkidle")
    page.context.set_offline(True)
    nuts, leaks, oil, coolant = yard.listed[:4]
    tap(page, nuts, "good")
    saved(page, nuts, "Not sent yet: waiting for a signal")
    tap(page, leaks, "defect")
    tap(page, leaks, "report")
    card(page, leaks).get_by_label("What is wrong").fill("Drip")
    card(page, leaks).locator("input[type=file]").set_input_files(
        {"name": "leak.jpg", "mimeType": "image/jpeg", "buffer": a_photograph().read()}
    )
    go_on(page)
    at_zone(page, 2)
    tap(page, oil, "not_reached")
    card(page, oil).get_by_label("Why it was not reached").fill("Bonnet is locked")
    # Changed one's mind: the newest answer is the one that is sent.
    tap(page, oil, "good")
    tap(page, coolant, "good")
    page.get_by_text("4 answers, with a photograph, not sent yet").wait_for()
    assert not DailyCheck.objects.get().findings.exists()
    page.context.set_offline(False)
    saved(page, coolant)
    page.get_by_text("4 of 6 answered").wait_for()
    answers = {f.listed_id: f for f in DailyCheck.objects.get().findings.all()}
    assert [answers[p.pk].answer for p in (nuts, leaks, oil, coolant)] == ["good", "defect", "good", "good"]
    assert answers[leaks.pk].photograph
    go_on(page)
    answer_zones(page, yard, [3])
    submit(page)
    assert page.get_by_text("Fit for use", exact=True).is_visible()


def test_a_phone_that_dies_without_a_signal_still_has_the_answers(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    begin(page)
    page.context.set_offline(True)
    nuts, leaks = yard.listed[:2]
    tap(page, nuts, "defect")
    card(page, nuts).get_by_label("What is wrong").fill("One nut missing")
    card(page, nuts).locator("input[type=file]").set_input_files(
        {"name": "nut.jpg", "mimeType": "image/jpeg", "buffer": a_photograph().read()}
    )
    saved(page, nuts, "Not sent yet: waiting for a signal")
    tap(page, leaks, "defect")
    address = page.url
    page.close()
    page.context.set_offline(False)
    again = page.context.new_page()
    again.goto(address)
    saved(again, nuts)
    card(again, nuts).get_by_text("Photograph kept").wait_for()
    assert DailyCheck.objects.get().findings.get().photograph
    # What was begun stands as it was begun, with what is missing.
    assert card(again, leaks).locator("input[value=defect]").is_checked()
    card(again, leaks).get_by_text("Say what is wrong").wait_for()


def test_a_trainee_is_stopped_alone_and_starts_with_a_supervisor_who_confirms(
    yard, phone_page, sign_in, check_access
):
    page = phone_page
    sign_in(page, a_trainee(yard))
    page.goto("/machines/DT-014/check/")
    check_access(page)
    page.get_by_role("button", name="Start daily check").click()
    page.get_by_text("no supervising operator was named").wait_for()
    page.get_by_role("link", name="Name a supervising operator").click()
    page.get_by_label("Supervising operator's sign-in name").fill("carys")
    page.get_by_label("Supervising operator's password").fill("not this")
    page.get_by_role("button", name="Start daily check").click()
    page.get_by_text("do not go together").first.wait_for()
    check_access(page)
    assert page.get_by_label("Supervising operator's sign-in name").input_value() == "carys"
    page.get_by_label("Supervising operator's password").fill(PASSWORD)
    page.get_by_label("I am supervising now").check()
    page.get_by_role("button", name="Start daily check").click()
    page.get_by_text("under supervision only").wait_for()
    assert DailyCheck.objects.get().supervisor == yard.operator
    assert Refusal.objects.count() == 1


def test_two_taps_on_submit_are_one_check_and_going_back_changes_nothing(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    draft = yard.draft()
    for listed in yard.listed:
        FindingFactory(daily_check=draft, listed=listed)
    # An answer begun over a kept one leaves words on the phone; they go when the check is in.
    page.goto(reverse("check-zone", args=[draft.pk, 1]))
    tap(page, yard.listed[1], "defect")
    page.get_by_text("Say what is wrong").wait_for()
    page.reload()
    tap(page, yard.listed[1], "good")
    saved(page, yard.listed[1])
    page.evaluate("key => localStorage.setItem(key, '{}')", f"daily-check-{draft.pk}")
    page.goto(reverse("check-finish", args=[draft.pk]))
    page.get_by_label("Hour meter").fill("1200.5")
    page.get_by_role("button", name="Submit").dblclick()
    page.wait_for_url("**/result/")
    page.wait_for_function("localStorage.length === 0")
    submitted_at = DailyCheck.objects.get().submitted_at
    page.go_back()
    page.goto(reverse("check-finish", args=[draft.pk]))
    page.wait_for_url("**/result/")
    assert page.get_by_text("Fit for use", exact=True).is_visible()
    assert DailyCheck.objects.get().submitted_at == submitted_at


@pytest.mark.slow
def test_a_photograph_is_made_small_before_it_is_sent(yard, phone_page, sign_in):
    page = phone_page
    sign_in(page, yard.account)
    begin(page)
    leaks = yard.listed[1]
    tap(page, leaks, "defect")
    tap(page, leaks, "report")
    card(page, leaks).get_by_label("What is wrong").fill("Drip")
    saved(page, leaks)
    large = a_photograph(size=(3200, 2400)).read()
    page.evaluate(
        """key => {
            const send = window.fetch;
            window.fetch = (url, options) => {
                const file = options && options.body instanceof FormData && options.body.get(key);
                if (file) window.sentBytes = file.size;
                return send(url, options);
            };
        }""",
        f"photo-{leaks.pk}",
    )
    card(page, leaks).locator("input[type=file]").set_input_files(
        {"name": "leak.jpg", "mimeType": "image/jpeg", "buffer": large}
    )
    card(page, leaks).get_by_text("Photograph kept").wait_for()
    assert 20_000 < page.evaluate("window.sentBytes") < len(large) / 2
    picture = DailyCheck.objects.get().findings.get().photograph
    assert (picture.width, picture.height) == (1600, 1200)


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_staff_read_the_sheet_and_the_lists_in_light_and_dark(yard, open_page, sign_in, check_access, scheme):
    done = yard.draft(submitted=True)
    for listed in yard.listed[:5]:
        FindingFactory(daily_check=done, listed=listed)
    FindingFactory(daily_check=done, listed=yard.listed[5], defect=True)
    DefectFactory(machine=yard.machine, grade="stop_use")
    staff = AccountFactory(roles=["auditor"])
    for device in (PHONE, DESK):
        page = open_page(device, color_scheme=scheme)
        sign_in(page, staff)
        for address in ("/checks/", "/refusals/", reverse("check-result", args=[done.pk])):
            page.goto(address)
            check_access(page)
            assert page.evaluate(FITS), address
        sign_in(page, yard.account)
        for address in ("/", "/check/", "/my/", "/machines/DT-014/check/"):
            page.goto(address)
            check_access(page)
            assert page.evaluate(FITS), address


@pytest.mark.slow
def test_without_script_the_same_check_is_done_by_forms(yard, open_page, sign_in):
    page = open_page(PHONE, java_script_enabled=False)
    sign_in(page, yard.account)
    begin(page)
    for number in (1, 2, 3):
        at_zone(page, number)
        for listed in yard.listed[2 * number - 2 : 2 * number]:
            tap(page, listed, "good")
        go_on(page)
    page.wait_for_url("**/finish/")
    submit(page)
    assert DailyCheck.objects.get().result == "fit"
