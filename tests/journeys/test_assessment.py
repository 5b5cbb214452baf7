"""The trainer's walk-around in a real browser: a phone, a glove, a weak signal, and a ticket at the end."""

import json
from urllib.parse import urlsplit

import pytest
from django.contrib.sessions.models import Session
from django.urls import reverse
from playwright.sync_api import Error as BrowserError

from assessments.models import Assessment, PointNote, Tap
from competence.models import Evidence, Precedence, Ticket
from tests.conftest import DESK, PHONE
from tests.doors.check_yard import a_photograph, a_yard
from tests.factories import (
    PASSWORD,
    AccountFactory,
    AppointmentFactory,
    EvidenceFactory,
    OperatorFactory,
    plain_standard,
)
from tests.factories.assessments import AssessmentFactory

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


class Ground:
    """A newcomer with everything but the practical, two appointed trainers, and an order to keep."""

    def __init__(self) -> None:
        self.yard = a_yard()
        self.machine, self.listed = self.yard.machine, self.yard.listed
        self.category = self.machine.state.category
        plain_standard(self.category, issue_by_another=True)
        site = self.machine.site
        self.operator = OperatorFactory(number="OP500", given_name="Dilip", family_name="Fenwick", site=site)
        EvidenceFactory(operator=self.operator, kind="paper", category=self.category)
        self.account = AccountFactory(username="dilip", operator=self.operator)
        self.trainer, self.second = (
            AccountFactory(username=name, first_name=name.title(), last_name="Dunmore", roles=["trainer"])
            for name in ("greta", "hugh")
        )
        for account in (self.trainer, self.second):
            AppointmentFactory(account=account, category=self.category)
        Precedence.objects.create(
            version=self.yard.checklist,
            earlier=self.listed[2],
            later=self.listed[3],
            is_safety=False,
            why="Oil is read before the cap is warm.",
        )

    def assessment(self, **fields):
        return AssessmentFactory(
            machine=self.machine,
            operator=self.operator,
            assessor=self.trainer,
            checklist=self.yard.checklist,
            standard_version=self.category.standard_versions.get(number=2),
            **fields,
        )


@pytest.fixture
def ground(transactional_db):
    return Ground()


def card(page, listed):
    return page.locator(f"#point-{listed.pk}")


def tap(page, listed, mark):
    card(page, listed).locator(f".answers input[value={mark}]").click()


def saved(page, listed, word="Saved"):
    card(page, listed).get_by_text(word, exact=True).wait_for()


def to_zone(page, number):
    page.locator(f"[data-zone-link='{number}']").click()
    page.locator(f"#zone-{number}").wait_for()


def address(name, assessment):
    return reverse(f"assessment-{name}" if name else "assessment", args=[assessment.pk])


def taps_on(page):
    """The keys under which the phone still keeps taps."""
    return page.evaluate("Object.keys(localStorage).filter(key => key.includes('taps'))")


def fits(page):
    # A phone zooms out of what is too wide, and its inner width grows with it; the client width does not.
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth"), page.url


def marks_kept(assessment):
    return [
        (tap.listed.point.title, tap.mark)
        for tap in Tap.objects.filter(assessment=assessment).select_related("listed__point").order_by("pk")
    ]


def test_a_whole_assessment_through_a_dead_spot_and_a_reload_ends_in_a_ticket(
    ground, phone_page, open_page, sign_in, check_access
):
    page = phone_page
    sign_in(page, ground.trainer)
    page.goto("/")
    page.get_by_text("Index").click()
    page.get_by_role("link", name="Start an assessment").click()
    check_access(page)
    page.get_by_label("Operator number").fill("op500")
    page.get_by_label("Machine's fleet number").fill("dt-014")
    page.get_by_role("button", name="Go on").click()
    page.get_by_text("Missing of the standard").wait_for()
    check_access(page)
    fits(page)
    page.get_by_role("button", name="Start marking").click()
    nuts, leaks, oil, coolant, belt, horn = ground.listed
    saved_before = card(page, nuts)
    saved_before.wait_for()
    check_access(page)
    tap(page, nuts, "unprompted")
    saved(page, nuts)
    # The signal goes; the walk-around goes on, zone to zone, and breaks an order.
    page.context.set_offline(True)
    tap(page, leaks, "missed")
    saved(page, leaks, "Not sent yet: waiting for a signal")
    to_zone(page, 2)
    tap(page, coolant, "unprompted")
    card(page, coolant).get_by_text("Seen before “Engine oil”, which comes first.").wait_for()
    tap(page, oil, "prompted")
    page.get_by_role("button", name="Undo").click()
    card(page, oil).get_by_text("Seen 3rd").wait_for(state="hidden")
    tap(page, oil, "unprompted")
    card(page, oil).get_by_text("Seen 3rd").wait_for()
    page.get_by_text("5 not sent").wait_for()
    assert len(taps_on(page)) == 1
    assessment = Assessment.objects.get()
    assert len(marks_kept(assessment)) == 1
    check_access(page)
    # The battery dies, and the page is opened again where there is a signal.
    where = page.url
    page.close()
    page.context.set_offline(False)
    page = page.context.new_page()
    page.goto(where)
    to_zone(page, 2)
    saved(page, oil)
    saved(page, coolant)
    assert marks_kept(assessment) == [
        ("Wheel nuts", "unprompted"),
        ("Leaks", "missed"),
        ("Coolant", "unprompted"),
        ("Engine oil", "prompted"),
        ("Engine oil", ""),
        ("Engine oil", "unprompted"),
    ]
    assert (
        page.evaluate("localStorage.getItem(Object.keys(localStorage).find(k => k.includes('taps')))") is None
    )
    # Next leads to what is not marked.
    page.locator("[data-next]").click()
    tap(page, belt, "unprompted")
    saved(page, belt)
    page.get_by_role("link", name="Finish").click()
    page.get_by_text("Not marked yet: 1").wait_for()
    check_access(page)
    page.get_by_role("link", name="Horn").click()
    tap(page, horn, "unprompted")
    saved(page, horn)
    page.get_by_role("link", name="Finish").click()
    page.wait_for_url("**/finish/")
    fits(page)
    page.get_by_role("button", name="Finish").click()
    page.get_by_text("Competent", exact=True).wait_for()
    check_access(page)
    fits(page)
    page.get_by_role("button", name="I confirm, as the assessor").click()
    page.get_by_label("Dilip Fenwick's sign-in name").fill("carys")
    page.get_by_label("Dilip Fenwick's password").fill(PASSWORD)
    page.get_by_role("button", name="I confirm, as the operator").click()
    page.get_by_text("This sign-in is not Dilip Fenwick's").first.wait_for()
    check_access(page)
    page.get_by_label("Dilip Fenwick's sign-in name").fill("dilip")
    page.get_by_label("Dilip Fenwick's password").fill(PASSWORD)
    page.get_by_role("button", name="I confirm, as the operator").click()
    page.get_by_text("Both have confirmed").wait_for()
    check_access(page)
    fits(page)
    evidence = Evidence.objects.get(operator=ground.operator, kind="practical")
    assert (evidence.is_met, evidence.recorded_by) == (True, ground.trainer)
    assert not Ticket.objects.filter(operator=ground.operator).exists()
    # Another trainer issues the ticket, where the standard asks for another.
    desk = open_page(DESK)
    sign_in(desk, ground.second)
    desk.goto(address("record", assessment))
    check_access(desk)
    desk.get_by_role("link", name="Issue a ticket").click()
    desk.get_by_label("Level").select_option("full")
    desk.get_by_label("Reason").fill("Assessed and passed.")
    desk.get_by_role("button", name="Issue the ticket").click()
    desk.get_by_text("is issued").first.wait_for()
    assert Ticket.objects.get(operator=ground.operator).level == "full"


def kept_on(page):
    """The paths of the pages that the phone keeps; what the register said beside them is not counted."""
    addresses = page.evaluate(
        "caches.open('kept-pages').then(store => store.keys()).then(kept => kept.map(one => one.url))"
    )
    return [urlsplit(one).path for one in addresses if not urlsplit(one).query]


def wait_until(page, is_so):
    for _ in range(100):
        if is_so():
            return
        page.wait_for_timeout(100)
    raise AssertionError("It did not come about within ten seconds.")


def wait_until_kept(page, path):
    script = "caches.match(document.querySelector('script[src*=marking]').src).then(Boolean)"
    wait_until(page, lambda: kept_on(page) == [path] and page.evaluate(script))


def test_a_reload_without_a_signal_shows_every_mark_and_goes_on(ground, phone_page, sign_in, check_access):
    assessment, page = ground.assessment(), phone_page
    nuts, leaks, oil, coolant = ground.listed[:4]
    sign_in(page, ground.trainer)
    page.goto(address("", assessment))
    wait_until_kept(page, address("", assessment))
    # Marked after the page was kept: the copy itself does not know of it.
    tap(page, nuts, "prompted")
    saved(page, nuts)
    page.context.set_offline(True)
    tap(page, leaks, "missed")
    saved(page, leaks, "Not sent yet: waiting for a signal")
    page.reload()
    page.get_by_text("No signal: this page is the copy kept on this phone").wait_for()
    to_zone(page, 1)
    assert card(page, nuts).locator("input[value=prompted]").is_checked()
    assert card(page, leaks).locator("input[value=missed]").is_checked()
    card(page, nuts).get_by_text("Seen 1st").wait_for()
    to_zone(page, 2)
    tap(page, oil, "unprompted")
    card(page, oil).get_by_text("Seen 2nd").wait_for()
    check_access(page)
    fits(page)
    # Once more, and on: nothing is lost by the second reload either.
    page.reload()
    to_zone(page, 2)
    assert card(page, oil).locator("input[value=unprompted]").is_checked()
    tap(page, coolant, "unprompted")
    page.get_by_text("3 not sent").wait_for()
    page.context.set_offline(False)
    saved(page, coolant)
    page.get_by_text("No signal: this page is the copy").wait_for(state="hidden")
    assert marks_kept(assessment) == [
        ("Wheel nuts", "prompted"),
        ("Leaks", "missed"),
        ("Engine oil", "unprompted"),
        ("Coolant", "unprompted"),
    ]
    page.reload()
    to_zone(page, 2)
    assert card(page, coolant).locator("input[value=unprompted]").is_checked()
    assert not page.get_by_text("No signal: this page is the copy").is_visible()


def test_the_phone_keeps_no_page_of_an_assessment_that_is_over(ground, phone_page, sign_in):
    assessment, page = ground.assessment(), phone_page
    sign_in(page, ground.trainer)
    page.goto(address("", assessment))
    wait_until_kept(page, address("", assessment))
    # Abandoned here: the record that is shown next takes the kept page away.
    page.goto(address("abandon", assessment))
    page.get_by_label("Reason").fill("The machine is wanted elsewhere.")
    page.get_by_role("button", name="Abandon it").click()
    page.wait_for_url("**/record/")
    wait_until(page, lambda: kept_on(page) == [])
    # Ended on another device: the next load with a signal does.
    other = ground.assessment()
    page.goto(address("", other))
    wait_until_kept(page, address("", other))
    Assessment.objects.filter(pk=other.pk).update(status="abandoned", abandoned_why="Elsewhere.")
    page.goto(address("", other))
    page.get_by_text("Abandoned, and no evidence").wait_for()
    wait_until(page, lambda: kept_on(page) == [])


def test_a_copy_that_is_older_than_a_session_is_not_shown(ground, phone_page, sign_in):
    assessment, page = ground.assessment(), phone_page
    path = address("", assessment)
    sign_in(page, ground.trainer)
    page.goto(path)
    wait_until_kept(page, path)
    page.context.set_offline(True)
    for hours, is_shown in ((11, True), (13, False)):
        page.evaluate(
            """async ([path, hours]) => {
              const date = new Date(Date.now() - hours * 36e5).toUTCString();
              const headers = { "Content-Type": "text/html", Date: date };
              const store = await caches.open("kept-pages");
              await store.put(path, new Response("<html ><body>Kept</body></html>", { headers }));
            }""",
            [path, hours],
        )
        if is_shown:
            page.reload()
            page.get_by_text("Kept", exact=True).wait_for()
        else:
            with pytest.raises(BrowserError, match="net::ERR"):
                page.reload()


def test_signing_out_leaves_no_page_for_whoever_has_the_phone_next(ground, desk_page, sign_in):
    assessment, page = ground.assessment(), desk_page
    sign_in(page, ground.trainer)
    page.goto(address("", assessment))
    wait_until_kept(page, address("", assessment))
    page.get_by_role("button", name="Sign out").click()
    page.get_by_role("button", name="Sign in").wait_for()
    assert page.evaluate("caches.keys()") == []
    page.context.set_offline(True)
    with pytest.raises(BrowserError, match="net::ERR"):
        page.goto(address("", assessment))


def test_two_devices_of_the_same_assessor_keep_both_marks_and_show_the_newer(ground, open_page, sign_in):
    assessment = ground.assessment()
    phone, tablet = open_page(PHONE), open_page(PHONE)
    for page in (phone, tablet):
        sign_in(page, ground.trainer)
        page.goto(address("", assessment))
    nuts = ground.listed[0]
    tap(phone, nuts, "unprompted")
    saved(phone, nuts)
    tap(tablet, nuts, "unsafe")
    saved(tablet, nuts)
    phone.reload()
    card(phone, nuts).get_by_text("Marked on another device of yours.").wait_for()
    assert card(phone, nuts).locator("input[value=unsafe]").is_checked()
    assert [tap.mark for tap in assessment.taps.order_by("pk")] == ["unprompted", "unsafe"]


def test_a_session_that_ends_loses_no_mark_and_no_photograph(ground, phone_page, sign_in):
    assessment, page = ground.assessment(), phone_page
    sign_in(page, ground.trainer)
    page.goto(address("", assessment))
    nuts, leaks = ground.listed[:2]
    Session.objects.all().delete()
    tap(page, nuts, "prompted")
    page.get_by_text("You are signed out").first.wait_for()
    fold = card(page, leaks).locator("[data-note-fold]")
    fold.locator("summary").click()
    fold.get_by_label("Note").fill("Wiped, and looked again.")
    fold.locator("input[type=file]").set_input_files(
        {"name": "leak.jpg", "mimeType": "image/jpeg", "buffer": a_photograph().read()}
    )
    fold.get_by_role("button", name="Keep this note").click()
    page.get_by_text("1 mark and 1 note not sent yet").wait_for()
    page.locator(".action-bar").get_by_role("link", name="Sign in again").click()
    page.get_by_label("Username").fill("greta")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(f"**{address('', assessment)}")
    saved(page, nuts)
    fold.locator("summary").click()
    fold.get_by_text("Wiped, and looked again.").wait_for()
    note = PointNote.objects.get()
    assert (note.listed, bool(note.photograph)) == (leaks, True)
    assert Tap.objects.get().mark == "prompted"


def test_marks_that_come_after_the_end_are_not_hidden(ground, phone_page, sign_in):
    assessment, page = ground.assessment(), phone_page
    sign_in(page, ground.trainer)
    page.goto(address("", assessment))
    Assessment.objects.filter(pk=assessment.pk).update(status="abandoned", abandoned_why="Elsewhere.")
    tap(page, ground.listed[0], "missed")
    page.get_by_text("1 mark on this phone did not reach it").wait_for()
    saved(page, ground.listed[0], "Not saved: choose the answer again")
    # What the phone still holds is said on the record too, and is put away by hand only.
    page.goto(address("record", assessment))
    page.get_by_text("1 mark on this phone came after the end").wait_for()
    assert len(taps_on(page)) == 1
    page.get_by_role("button", name="Put it away").click()
    page.get_by_text("came after the end").wait_for(state="hidden")
    assert taps_on(page) == []
    assert not Tap.objects.exists()


def test_every_mark_is_wide_enough_for_a_glove_and_nothing_is_wider_than_the_phone(
    ground, phone_page, sign_in
):
    page = phone_page
    sign_in(page, ground.trainer)
    page.goto(address("", ground.assessment()))
    sizes = page.locator(".answer-face:visible").evaluate_all(
        "faces => faces.map(face => face.getBoundingClientRect()).map(({width, height}) => [width, height])"
    )
    assert len(sizes) == 8
    assert min(min(size) for size in sizes) >= 64, json.dumps(sizes)
    fits(page)


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_is_read_in_light_and_dark_on_a_phone_and_a_desk(
    ground, open_page, sign_in, check_access, scheme
):
    not_yet = ground.assessment(stage="finished", stage__marks={1: "missed", 2: "unsafe", 3: "prompted"})
    done = ground.assessment(stage="confirmed")
    unsigned = ground.assessment(stage="confirmed")
    Assessment.objects.filter(pk=unsigned.pk).update(
        operator_confirmed_at=None,
        unconfirmed_at=unsigned.finished_at,
        unconfirmed_by=ground.second,
        unconfirmed_why="Left the firm without signing.",
    )
    being_marked = ground.assessment()
    for device in (PHONE, DESK):
        page = open_page(device, color_scheme=scheme)
        sign_in(page, ground.trainer)
        for name, one in (
            ("", being_marked),
            ("finish", being_marked),
            ("abandon", being_marked),
            ("confirm", not_yet),
            ("raise", not_yet),
            ("record", not_yet),
            ("record", done),
            ("correct", done),
            ("unconfirmed", not_yet),
            ("record", unsigned),
        ):
            page.goto(address(name, one))
            check_access(page)
            fits(page)
        page.goto(reverse("assessment-list"))
        check_access(page)
        fits(page)
        sign_in(page, ground.account)
        for path in ("/", address("confirm", not_yet), address("record", done)):
            page.goto(path)
            check_access(page)
            fits(page)


@pytest.mark.slow
def test_without_script_the_same_assessment_is_done_by_forms(ground, open_page, sign_in):
    page = open_page(PHONE, java_script_enabled=False)
    assessment = ground.assessment()
    sign_in(page, ground.trainer)
    page.goto(address("", assessment))
    for number in (1, 2, 3):
        for listed in ground.listed[2 * number - 2 : 2 * number]:
            tap(page, listed, "unprompted")
        page.locator(f"#zone-{number}").get_by_role("button", name="Keep the marks").click()
    page.get_by_role("link", name="Finish").click()
    page.get_by_role("button", name="Finish").click()
    page.get_by_role("button", name="I confirm, as the assessor").click()
    assessment.refresh_from_db()
    assert assessment.is_competent
    assert assessment.assessor_confirmed_at
