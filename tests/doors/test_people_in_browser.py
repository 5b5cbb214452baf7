"""The people rooms in a real browser: nothing keeps anybody out, nothing runs off a phone's edge."""

import pytest
from django.urls import reverse

from tests.factories import EvidenceFactory, TicketEventFactory

from .people_world import people_world

pytestmark = pytest.mark.django_db(transaction=True)

PAGES = [
    ("operator-list", ()),
    ("operator", ("OP1",)),
    ("ticket-list", ()),
    ("ticket", ("OP1-1",)),
    ("ticket-issue", ("OP2",)),
    ("ticket-renew", ("OP1-1",)),
    ("ticket-withdraw", ("OP1-1",)),
    ("event-correct", ("OP1-1", 1)),
    ("evidence-new", ("OP1",)),
]


@pytest.mark.slow
@pytest.mark.parametrize("device", ["phone_page", "desk_page"])
def test_every_page_of_a_trainer_can_be_used_by_everybody(request, device, sign_in, check_access):
    page, world = request.getfixturevalue(device), people_world()
    wrong = TicketEventFactory(ticket=world.ticket, kind="suspended")
    TicketEventFactory(ticket=world.ticket, kind="corrected", corrects=wrong, strikes_out=True)
    EvidenceFactory(operator=world.operator, corrects=world.evidence)
    sign_in(page, world.trainer)
    for name, args in PAGES:
        page.goto(reverse(name, args=args))
        check_access(page)
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"), name


def test_a_refused_issue_leads_to_its_field_and_keeps_what_was_typed(phone_page, sign_in, check_access):
    world = people_world()
    sign_in(phone_page, world.trainer)
    phone_page.goto(reverse("ticket-issue", args=["OP2"]))
    phone_page.get_by_label("Category").select_option(label="Dumper")
    phone_page.get_by_label("Reason").fill("Passed on Tuesday")
    phone_page.get_by_role("button", name="Issue the ticket").click()
    phone_page.get_by_role("link", name="Level: Not on record yet").click()
    assert phone_page.evaluate("document.activeElement.id || location.hash.slice(1)") == "id_level"
    assert phone_page.get_by_label("Reason").input_value() == "Passed on Tuesday"
    check_access(phone_page)
