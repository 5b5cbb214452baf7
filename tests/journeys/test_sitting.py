"""Papers and refreshers on a phone in a real browser: no signal, no mouse, and a result with its reasons."""

from datetime import timedelta

import pytest
from django.contrib.sessions.models import Session
from django.urls import reverse

from assessments.models import Answer, Sitting
from assessments.queries.sittings import sheet_of
from competence.models import Evidence
from tests.conftest import PHONE
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    MachineFactory,
    OperatorFactory,
    StandardVersionFactory,
    authorised_operator,
)
from tests.factories.questions import (
    DrawnQuestionFactory,
    PaperVersionFactory,
    QuestionFactory,
    QuestionVersionFactory,
    SittingFactory,
    TopicFactory,
)

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

STEPS = ["Lower the body", "Stop the engine", "Lock the isolator", "Hang your tag"]
KINDS = {
    "raising": {"kind": "order", "content": {"steps": STEPS}},
    "brakes": {},
    "leaks": {
        "kind": "several",
        "content": {
            "choices": [
                {"text": "Report it", "right": True, "why": "Somebody can judge it."},
                {"text": "Feel for it by hand", "right": False, "why": "Oil goes under the skin."},
                {"text": "Keep people away", "right": True, "why": "It may spray."},
            ]
        },
    },
    "fluids": {"kind": "number", "content": {"answer": "0.5", "tolerance": "0", "unit": "bar"}},
    "gauges": {"kind": "picture", "picture": "sight-gauge", "content": {}},
}


# The worker has the page, its files, and what the register said after the page was drawn.
IS_KEPT = """async () => {
  const pages = await (await caches.open("kept-pages")).keys();
  const script = document.querySelector("script[src*='assessments/sitting']").src;
  return pages.length > 1 && Boolean(await caches.match(script));
}"""


def until(page, script):
    """Wait for something of the page's own; its policy lets no text be run as script inside it."""
    for _ in range(100):
        if page.evaluate(script):
            return
        page.wait_for_timeout(100)
    raise AssertionError("It did not come about within ten seconds.")


class Yard:
    """A ticket holder whose standard asks for recall, and a bank with a question of each kind."""

    def __init__(self) -> None:
        self.machine = MachineFactory(category=CategoryFactory(name="Articulated dumper"))
        self.category = self.machine.state.category
        StandardVersionFactory(category=self.category, requirements={"practical": {}})
        self.operator = authorised_operator(
            self.machine, operator=OperatorFactory(given_name="Dilip", family_name="Fenwick")
        )
        StandardVersionFactory(category=self.category, requirements={"practical": {}, "recall": {}})
        self.account = AccountFactory(username="dilip", operator=self.operator)
        self.topics = {code: TopicFactory(code=code) for code in KINDS}
        self.versions = {
            code: QuestionVersionFactory(
                question=QuestionFactory(topic=self.topics[code], code=f"{code}-1"), **fields
            )
            for code, fields in KINDS.items()
        }
        # A second one on brakes, for when the first goes wrong.
        QuestionVersionFactory(question=QuestionFactory(topic=self.topics["brakes"], code="brakes-2"))

    def sitting_of(self, code: str, shown: dict) -> Sitting:
        """A refresher of one question."""
        sitting = SittingFactory(operator=self.operator)
        DrawnQuestionFactory(sitting=sitting, position=1, version=self.versions[code], shown=shown)
        return sitting


@pytest.fixture
def yard(transactional_db):
    return Yard()


def question(page, position):
    return page.locator(f"#question-{position}")


def by_topic():
    """Where each topic was drawn in the one sitting there is, and the question."""
    found = sheet_of(Sitting.objects.get()).questions
    return {one.topic.code: one for one in found}


def pick(box, text):
    box.locator(".choice").filter(has_text=text).click()


def saved(page, position, words="Answer saved"):
    question(page, position).locator(".saved").get_by_text(words).wait_for()


def to_question(page, position):
    page.locator(f"[data-go='{position}']").click()
    question(page, position).wait_for()


def fits(page):
    # A phone zooms out of what is too wide, and its inner width grows with it; the client width does not.
    root = "document.documentElement"
    assert page.evaluate(f"{root}.scrollWidth <= {root}.clientWidth"), page.url


def on_the_phone(page):
    return page.evaluate("Object.keys(localStorage).filter(key => key.startsWith('sitting-'))")


def answer(page, one):
    """Answer one question rightly, the way its kind is answered."""
    to_question(page, one.position)
    box, kind = question(page, one.position), one.version.kind
    if kind == "order":
        for place, step in enumerate(STEPS):
            texts = box.locator("[data-text]").all_inner_texts()
            if texts[place] != step:
                box.get_by_role("button", name=step, exact=True).click()
                box.locator("[data-pick]").nth(place).click()
        box.get_by_role("button", name="Keep this order").click()
    elif kind == "several":
        for text in ("Report it", "Keep people away"):
            pick(box, text)
        box.get_by_role("button", name="Keep this answer").click()
    elif kind == "number":
        box.get_by_label("Your answer, in bar").fill("0,5")
        box.get_by_role("button", name="Keep this answer").click()
    elif kind == "picture":
        box.locator(f"input[value='{one.content.truth}']").click()
    else:
        pick(box, "Look under it")


def finish(page):
    page.get_by_role("link", name="Look it over").click()
    page.wait_for_url("**/finish/")
    page.get_by_text("questions are answered.").wait_for()
    fits(page)
    page.get_by_role("button", name="Finish", exact=True).click()
    page.wait_for_url("**/record/")


def test_a_refresher_from_the_start_page_to_its_review_through_a_dead_spot(
    yard, phone_page, sign_in, check_access
):
    page = phone_page
    sign_in(page, yard.account)
    page.goto("/")
    page.get_by_role("heading", name="Time for a few questions").wait_for()
    fits(page)
    check_access(page)
    page.get_by_role("link", name="Do a refresher").click()
    fits(page)
    check_access(page)
    page.get_by_role("button", name="Begin").click()
    page.locator("[data-moves]").wait_for()
    drawn = by_topic()
    assert len(drawn) == 5
    for one in drawn.values():
        to_question(page, one.position)
        fits(page)
        check_access(page)

    answer(page, drawn["gauges"])
    saved(page, drawn["gauges"].position)
    until(page, IS_KEPT)
    # The signal goes: three more are answered, one of them wrong, and wait on the phone.
    page.context.set_offline(True)
    for code in ("leaks", "fluids", "raising"):
        answer(page, drawn[code])
    to_question(page, drawn["brakes"].position)
    pick(question(page, drawn["brakes"].position), "Sound the horn")
    saved(page, drawn["brakes"].position, "Kept on this phone, not sent yet")
    page.get_by_text("4 answers are kept on this phone, not sent yet.").wait_for()
    check_access(page)
    assert Answer.objects.count() == 1
    # Reloaded in the dead spot, the page stands with all five: the one that was sent, and those that wait.
    page.reload()
    page.get_by_text("this page is the copy kept on this phone").wait_for()
    page.get_by_text("5 of 5 answered").wait_for()
    fits(page)

    page.context.set_offline(False)
    page.get_by_text("5 of 6 answered").wait_for()
    until(page, "() => !Object.keys(localStorage).some((key) => key.startsWith('sitting-'))")
    # What went wrong brought one more of its topic.
    added = sheet_of(Sitting.objects.get()).questions[5]
    assert added.topic.code == "brakes"
    answer(page, added)
    page.get_by_text("6 of 6 answered").wait_for()
    saved(page, 6)
    finish(page)
    page.get_by_text("5 of 6 right", exact=True).wait_for()
    page.get_by_text("Picked, and wrong").wait_for()
    fits(page)
    check_access(page)
    row = Evidence.objects.get(kind="recall", corrected_by__isnull=True)
    assert row.came_from.endswith("5 of 6 right")
    assert {one.topic.code: one.is_right for one in sheet_of(Sitting.objects.get()).questions[:5]} == {
        code: code != "brakes" for code in KINDS
    }


def test_an_order_is_put_right_by_keyboard_alone(yard, desk_page, sign_in):
    page = desk_page
    page.set_viewport_size({"width": 360, "height": 780})
    sitting = yard.sitting_of("raising", {"order": [1, 3, 0, 2]})
    sign_in(page, yard.account)
    page.goto(reverse("sitting", args=[sitting.pk]))
    page.locator("[data-moves]").wait_for()

    def texts():
        return question(page, 1).locator("[data-text]").all_inner_texts()

    def focused():
        return page.evaluate(
            "document.activeElement.getAttribute('aria-label') || document.activeElement.innerText"
        )

    def tab_to(name):
        for _ in range(60):
            page.keyboard.press("Tab")
            if focused() == name:
                return
        raise AssertionError(f"no way to {name} by Tab")

    assert texts() == ["Stop the engine", "Hang your tag", "Lower the body", "Lock the isolator"]
    # Picked with Enter, carried with the arrow keys, set down with Enter.
    tab_to("Hang your tag")
    page.keyboard.press("Enter")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    assert focused() == "Hang your tag"
    assert texts()[-1] == "Hang your tag"
    assert question(page, 1).locator("[data-order-said]").inner_text() == "Hang your tag is set down."
    # Moved by its own button, which keeps the focus.
    page.keyboard.press("Shift+Tab")
    while focused() != "Move up: Lower the body":
        page.keyboard.press("Shift+Tab")
    page.keyboard.press("Space")
    assert focused() == "Move up: Lower the body"
    assert texts() == STEPS
    assert not Answer.objects.exists()
    tab_to("Keep this order")
    page.keyboard.press("Enter")
    page.wait_for_url("**/finish/")
    tab_to("Finish")
    page.keyboard.press("Enter")
    page.wait_for_url("**/record/")
    page.get_by_text("All right", exact=True).wait_for()
    assert Answer.objects.get().given == {"order": [0, 1, 2, 3]}


def test_an_order_is_put_right_by_dragging_and_outlives_a_reload(yard, phone_page, sign_in):
    page = phone_page
    sitting = yard.sitting_of("raising", {"order": [1, 0, 2, 3]})
    sign_in(page, yard.account)
    page.goto(reverse("sitting", args=[sitting.pk]))
    page.locator("[data-moves]").wait_for()
    handles = question(page, 1).locator(".order-place")
    handles.first.scroll_into_view_if_needed()
    first, second = handles.nth(0).bounding_box(), handles.nth(1).bounding_box()
    page.mouse.move(first["x"] + 10, first["y"] + 10)
    page.mouse.down()
    page.mouse.move(second["x"] + 10, second["y"] + second["height"] - 4, steps=6)
    page.mouse.up()
    assert question(page, 1).locator("[data-text]").all_inner_texts() == STEPS
    saved(page, 1, "Not kept yet")
    page.reload()
    page.locator("[data-moves]").wait_for()
    assert question(page, 1).locator("[data-text]").all_inner_texts() == STEPS
    question(page, 1).get_by_role("button", name="Keep this order").click()
    page.wait_for_url("**/finish/")
    assert sheet_of(sitting).questions[0].is_right


@pytest.mark.slow
def test_a_paper_fails_on_a_critical_topic_though_the_total_passes(yard, phone_page, sign_in, check_access):
    lines = {topic: (1, int(code == "brakes")) for code, topic in yard.topics.items()}
    PaperVersionFactory(category=yard.category, lines=lines, cut=4)
    page = phone_page
    sign_in(page, yard.account)
    page.goto("/")
    page.get_by_role("heading", name="Papers to sit").wait_for()
    page.get_by_role("link", name="Articulated dumper").last.click()
    page.get_by_text("Brakes: its question right").wait_for()
    fits(page)
    check_access(page)
    page.get_by_role("button", name="Begin").click()
    page.locator("[data-moves]").wait_for()
    page.get_by_text("29:").wait_for()
    drawn = by_topic()
    to_question(page, drawn["brakes"].position)
    pick(question(page, drawn["brakes"].position), "Start the engine")
    saved(page, drawn["brakes"].position)
    # From the last place it goes on to what is left, so that one comes first here.
    for one in sorted(drawn.values(), key=lambda one: -one.position):
        if one.topic.code != "brakes":
            answer(page, one)
    page.get_by_text("5 of 5 answered").wait_for()
    finish(page)
    page.get_by_text("4 of 5 right in all, which is enough; a critical topic is not.").wait_for()
    page.get_by_text("Brakes: 0 of 1 right, all needed.").wait_for()
    page.get_by_text("You can sit it again from").wait_for()
    fits(page)
    check_access(page)
    assert not Evidence.objects.get(kind="paper").is_met


def test_the_last_of_two_tabs_counts_and_the_other_is_told(yard, phone_page, sign_in):
    sitting = yard.sitting_of("brakes", {"order": [0, 1, 2]})
    sign_in(phone_page, yard.account)
    one, other = phone_page, phone_page.context.new_page()
    for page in (one, other):
        page.goto(reverse("sitting", args=[sitting.pk]))
        page.locator("[data-moves]").wait_for()
    pick(question(one, 1), "Look under it")
    saved(one, 1)
    pick(question(other, 1), "Sound the horn")
    saved(other, 1)
    # The first tab asks what stands when it is looked at again.
    one.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    question(one, 1).get_by_text("Answered on another page or phone meanwhile").wait_for()
    assert question(one, 1).locator("input:checked").get_attribute("value") == "1"
    assert sheet_of(sitting).questions[0].counted.given == {"choice": 1}


def test_a_lost_session_keeps_the_answers_until_somebody_signs_in_again(yard, phone_page, sign_in):
    page = phone_page
    sitting = yard.sitting_of("brakes", {"order": [0, 1, 2]})
    sign_in(page, yard.account)
    page.goto(reverse("sitting", args=[sitting.pk]))
    page.locator("[data-moves]").wait_for()
    Session.objects.all().delete()
    pick(question(page, 1), "Look under it")
    saved(page, 1, "Kept on this phone until you sign in again")
    sign_in(page, yard.account)
    page.reload()
    saved(page, 1)
    assert Answer.objects.get().is_right
    assert on_the_phone(page) == []


def test_answers_that_come_after_the_end_are_kept_as_late_and_said(yard, open_page, sign_in):
    page = open_page(PHONE)
    paper = PaperVersionFactory(category=yard.category, lines={yard.topics["brakes"]: (1, 0)}, cut=1)
    sitting = SittingFactory(operator=yard.operator, is_paper=True, paper=paper)
    DrawnQuestionFactory(sitting=sitting, position=1, version=yard.versions["brakes"])
    sign_in(page, yard.account)
    page.goto(reverse("sitting", args=[sitting.pk]))
    page.locator("[data-moves]").wait_for()
    page.context.set_offline(True)
    pick(question(page, 1), "Look under it")
    saved(page, 1, "Kept on this phone, not sent yet")
    Sitting.objects.update(ends_at=sitting.started_at + timedelta(milliseconds=1))
    page.context.set_offline(False)
    page.wait_for_url("**/record/")
    page.get_by_text("Not passed", exact=True).first.wait_for()
    page.get_by_text("1 answer came after the end.").wait_for()
    assert Answer.objects.get().is_late
