"""The auditor in a browser: from signing in to both answers about one past morning, and the proof of what
lies between them."""

from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest
from django.db import transaction

from competence.actions.journal import record, seal
from competence.models import Look
from tests.conftest import DESK, PHONE
from tests.factories import (
    PASSWORD,
    AccountFactory,
    MachineFactory,
    SiteFactory,
    TicketEventFactory,
    authorised_operator,
    plain_standard,
)
from tests.factories.base import moment_ago

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True), pytest.mark.slow]


@pytest.mark.parametrize("screen", [PHONE, DESK], ids=["phone", "desk"])
def test_from_signing_in_to_the_proof_of_what_changed_the_answer(open_page, check_access, screen):
    machine = MachineFactory(site=SiteFactory(zone="Europe/London", name="Bell Pit"))
    plain_standard(category=machine.state.category)
    driver = authorised_operator(machine)
    trainer = AccountFactory(first_name="Idris", last_name="Penhale", roles=["trainer"])
    at, told = moment_ago(10), moment_ago(8)
    suspended = TicketEventFactory(
        ticket=driver.tickets.get(),
        kind="suspended",
        effective_at=at - timedelta(days=1),
        recorded_at=told,
        recorded_by=trainer,
        reason="Struck the hopper",
    )
    with transaction.atomic():
        entry = record(by=trainer, action="ticket.suspended", rows=[suspended], at=told)
    seal()
    auditor = AccountFactory(roles=["auditor"])

    page = open_page(screen)
    page.goto("/sign-in/")
    page.get_by_label("Username").fill(auditor.username)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.get_by_label("Operator number").fill(driver.number)
    page.get_by_label("Fleet number").fill(machine.fleet_number)
    local = at.astimezone(ZoneInfo("Europe/London")).strftime("%Y-%m-%dT%H:%M")
    page.get_by_label("At, where the machine stood").fill(local)
    check_access(page)
    page.get_by_role("button", name="Ask the record").click()

    page.get_by_role("heading", name="What the record says").wait_for()
    verdicts = page.locator(".record-known .verdict-word").all_inner_texts()
    assert verdicts == ["Refused", "Allowed"]
    between = page.locator("section", has_text="What changed the register's mind").last
    assert "Idris Penhale recorded that ticket" in between.inner_text()
    assert "Until then the register said allowed; from then on it said refused." in between.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    check_access(page)
    assert Look.objects.get().by == auditor

    between.get_by_role("link", name="Proof").click()
    page.get_by_role("link", name=f"Entry {entry.pk}").first.wait_for()
    page.go_back()
    between.get_by_role("link", name=f"Journal entry {entry.pk}").click()
    page.get_by_role("button", name="Take out the proof").wait_for()

    # And the look itself is on record.
    page.goto("/looks/")
    page.get_by_text("Asked the record").last.wait_for()
    check_access(page)
