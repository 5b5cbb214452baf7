"""The offices' pages in a browser: open to everybody by WCAG, whole at a phone's width, nothing blocked."""

import pytest
from django.db import transaction
from django.urls import reverse

from competence.actions.journal import record, seal
from competence.models import JournalEntry
from competence.queries.journal_rows import journalled_models
from tests.conftest import DESK, PHONE
from tests.doors.world import make_world
from tests.factories import AccountFactory, MinimumCoverFactory


@pytest.fixture
def pages(transactional_db):
    """One of everything, sealed; the addresses of the offices' pages, and somebody who sees them all."""
    world = make_world()
    account = AccountFactory(roles=["site_admin", "trainer"])
    cover = MinimumCoverFactory(site=world.site)
    rows = [row for model in journalled_models() for row in model._base_manager.all()]
    with transaction.atomic():
        record(by=account, action="world.made", rows=rows[:40])
    seal()
    fleet, code = world.machine.fleet_number, world.category.code
    named = [
        ("home", ()),
        ("machine-list", ()),
        ("machine", (fleet,)),
        ("machine-change", (fleet,)),
        ("machine-label", (fleet,)),
        ("machine-labels", ()),
        ("defect-list", ()),
        ("defect", (world.defect.pk,)),
        ("standard-list", ()),
        ("standard", (code,)),
        ("standard-new", (code,)),
        ("checklist-list", ()),
        ("checklist", (code,)),
        ("checklist-new", (code,)),
        ("gate", ()),
        ("journal", ()),
        ("journal-entry", (JournalEntry.objects.get().pk,)),
        ("setup:index", ()),
        ("setup:competence_site_changelist", ()),
        ("setup:competence_minimumcover_change", (cover.pk,)),
    ]
    addresses = {name: reverse(name, args=arguments) for name, arguments in named}
    addresses["gate, refused"] = f"{reverse('gate')}?operator={world.other_operator.number}&machine={fleet}"
    addresses["gate, not understood"] = f"{reverse('gate')}?operator=NOBODY&machine=NONE"
    return account, addresses


@pytest.mark.slow
@pytest.mark.parametrize("device", [PHONE, DESK], ids=["phone", "desk"])
def test_the_offices_pages_keep_nobody_out_and_stay_within_the_screen(
    pages, device, open_page, sign_in, check_access
):
    account, addresses = pages
    page = open_page(device)
    blocked = []
    page.on("console", lambda told: blocked.append(told.text) if told.type == "error" else None)
    sign_in(page, account)
    for name, address in addresses.items():
        answer = page.goto(address)
        assert answer.status == 200, name
        beyond = page.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        assert beyond <= 0, f"{name} is {beyond} pixels too wide"
        check_access(page)
    assert not blocked, blocked


def test_the_set_up_is_kept_from_the_form_in_a_browser(pages, desk_page, sign_in):
    account, addresses = pages
    sign_in(desk_page, account)
    desk_page.goto(addresses["setup:competence_minimumcover_change"])
    desk_page.get_by_label("Operators").fill("7")
    desk_page.get_by_role("button", name="Keep").click()
    desk_page.get_by_role("heading", name="Minimum cover").wait_for()
    assert "7" in desk_page.locator("table").inner_text()
