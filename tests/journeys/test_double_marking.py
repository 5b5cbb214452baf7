"""Two assessors, two phones, one walk-around: blind to one another until both have finished."""

import pytest
from django.urls import reverse

from assessments.models import Assessment
from competence.models import Evidence
from tests.conftest import DESK, PHONE
from tests.journeys.test_assessment import Ground, fits, saved, tap, to_zone

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

FIRST = ("unprompted", "unprompted", "prompted", "unprompted", "unprompted", "unprompted")
# One step apart at the third point, two at the last.
SECOND = ("unprompted", "unprompted", "unprompted", "unprompted", "unprompted", "missed")


@pytest.fixture
def ground(transactional_db):
    return Ground()


def begin(page, ground):
    page.goto(reverse("assessment-start"))
    page.get_by_label("Operator number").fill(ground.operator.number)
    page.get_by_label("Machine's fleet number").fill(ground.machine.fleet_number)
    page.get_by_role("button", name="Go on").click()
    page.get_by_role("button", name="Start marking").wait_for()


def mark_all(page, ground, marks):
    for place, (listed, mark) in enumerate(zip(ground.listed, marks, strict=True)):
        if place % 2 == 0:
            to_zone(page, place // 2 + 1)
        tap(page, listed, mark)
        saved(page, listed)


def finish(page):
    page.get_by_role("link", name="Finish").click()
    page.wait_for_url("**/finish/")
    page.get_by_role("button", name="Finish").click()
    page.wait_for_url("**/confirm/")
    page.get_by_role("button", name="I confirm, as the assessor").click()
    page.get_by_text("Confirmed. It is final once the other").wait_for()


@pytest.mark.slow
def test_two_mark_one_walk_around_blind_and_then_read_where_they_differed(
    ground, open_page, sign_in, check_access
):
    greta, hugh = open_page(PHONE), open_page(PHONE)
    for page, account in ((greta, ground.trainer), (hugh, ground.second)):
        sign_in(page, account)
    begin(greta, ground)
    greta.get_by_role("button", name="Start marking").click()
    greta.locator(f"#point-{ground.listed[0].pk}").wait_for()
    begin(hugh, ground)
    hugh.get_by_label("Yes, I mark alongside Greta Dunmore").check()
    check_access(hugh)
    fits(hugh)
    hugh.get_by_role("button", name="Start marking").click()
    hugh.locator(f"#point-{ground.listed[0].pk}").wait_for()
    first, second = (Assessment.objects.get(assessor=who) for who in (ground.trainer, ground.second))
    assert second.alongside == first

    mark_all(greta, ground, FIRST)
    finish(greta)
    # Hugh has not finished: neither reads of the other's marks, at any door.
    record = reverse("assessment-record", args=[first.pk])
    compared = reverse("assessment-agreement", args=[first.pk])
    for page in (greta, hugh):
        page.goto(compared)
        page.get_by_text("Still to finish").wait_for()
        assert page.get_by_text("After a prompt").count() == 0
        check_access(page)
        fits(page)
    assert hugh.goto(record).status == 403
    hugh.goto(reverse("assessment", args=[second.pk]))
    mark_all(hugh, ground, SECOND)
    finish(hugh)

    hugh.goto(record)
    hugh.get_by_role("link", name="How alike both marked").click()
    hugh.wait_for_url(f"**{compared}")
    hugh.get_by_text("4 of 6 points").wait_for()
    # The furthest apart first.
    named = hugh.locator("table.record-table").first.locator("tbody th").all_inner_texts()
    assert [words.split("\n")[0] for words in named] == [
        ground.listed[5].point.title,
        ground.listed[2].point.title,
    ]
    check_access(hugh)
    fits(hugh)
    # Their list of pairs, on a phone and at a desk; a second marking writes no evidence of its own.
    desk = open_page(DESK)
    sign_in(desk, ground.trainer)
    for page in (hugh, desk):
        page.goto(reverse("agreement-list"))
        page.get_by_role("rowheader", name="Greta Dunmore and Hugh Dunmore").first.wait_for()
        check_access(page)
        fits(page)
    assert not Evidence.objects.filter(operator=ground.operator, kind="practical").exists()
