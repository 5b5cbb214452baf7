"""A stranger's phone reads a ticket card: asked, stopped since, without a signal, forged, past."""

from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from django.core.cache import cache
from django.utils import timezone

from competence.actions.cards import issue_cards, stop_card
from competence.actions.tickets import suspend_ticket
from competence.queries.signing import signed_credential, signed_statement, statement_address
from competence.rules.cards import CardSaid, TicketSaid, claims
from competence.rules.conditions import Conditions
from competence.rules.standing import Level
from tests.conftest import PHONE
from tests.doors.people_world import people_world

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

# The worker has the page, and it answers for it.
IS_KEPT = """async () => (await navigator.serviceWorker.ready).active.state === "activated"
  && Boolean(await caches.match("/card/", { cacheName: "card-check" }))"""


def read(page, address):
    """As a camera opens it: a page of its own. Gives the verdict and everything that the page says."""
    page.goto("about:blank")
    page.goto(address)
    page.wait_for_selector("[data-verdict]:not([data-verdict=waiting])")
    return page.get_attribute("[data-verdict]", "data-verdict"), page.inner_text("main")


def past_statement():
    """Properly signed, and over since yesterday."""
    yesterday = timezone.now() - timedelta(days=1)
    ticket = TicketSaid("dumper", Level.FULL, yesterday.date(), Conditions())
    said = CardSaid("Ada Ashworth", "Earthworks Firm", frozenset({ticket}), None, "key")
    return signed_statement(
        claims(
            number="ACDE3479",
            operator_number="OP1",
            said=said,
            zone=ZoneInfo("UTC"),
            issued_at=datetime(2024, 1, 1, tzinfo=ZoneInfo("UTC")),
            places={ticket: "1.1"},
            site_names={},
        )
    )


def test_a_stranger_checks_a_card_with_and_without_a_signal(open_page, live_server, settings, check_access):
    settings.REGISTER_ADDRESS = live_server.url
    cache.clear()
    world = people_world()
    card = issue_cards(by=world.site_admin, operators=[world.operator])[0]
    address, page = statement_address(card.statement), open_page(PHONE)

    verdict, says = read(page, address)
    assert verdict == "good"
    for words in (
        "Ada Ashworth",
        "OP1",
        "Dumper",
        card.number,
        "nothing on this card was stopped",
    ):
        assert words in says
    check_access(page)

    lost = issue_cards(by=world.site_admin, operators=[world.operator])[0]
    stop_card(by=world.site_admin, card=lost, reason="Lost in the yard.")
    cache.clear()
    verdict, says = read(page, statement_address(lost.statement))
    assert (verdict, "This card was stopped on" in says, "ask for a new one" in says) == ("no", True, True)
    check_access(page)
    # The other card stays what it was: an older one, and not stopped.
    assert read(page, address)[0] == "changed"

    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    cache.clear()
    verdict, says = read(page, address)
    assert (verdict, "Suspended" in says, "was stopped after" in says) == ("no", True, True)

    assert page.evaluate(IS_KEPT)
    page.context.set_offline(True)
    verdict, says = read(page, address)
    # What it cannot ask it does not call good.
    assert verdict == "changed"
    assert "Not asked: no network. The card says only what was true on" in says

    head, body, signature = card.statement.split(".")
    other = "A" if signature[10] != "A" else "B"
    forged = f"{head}.{body}.{signature[:10]}{other}{signature[11:]}"
    verdict, says = read(page, statement_address(forged))
    assert (verdict, "The signature is bad" in says, "Ada Ashworth" in says) == ("no", True, False)

    verdict, says = read(page, statement_address(past_statement()))
    assert (verdict, "its time is past" in says, "Ended" in says) == ("no", True, True)

    # Signed by the same key, and no card.
    verdict, says = read(page, statement_address(signed_credential({"n": "Ada Ashworth"})))
    assert (verdict, "not a ticket card" in says) == ("no", True)

    settings.CARD_KEY = "ef" * 32
    verdict, says = read(page, statement_address(past_statement()))
    assert (verdict, "a key that this page does not know" in says) == ("no", True)
    check_access(page)


@pytest.mark.slow
def test_the_pages_of_cards_keep_nobody_out(open_page, sign_in, check_access):
    world = people_world()
    issue_cards(by=world.site_admin, operators=[world.operator])
    page = open_page(PHONE)
    for account, path in (
        (world.operator_account, "/my/card/"),
        (world.site_admin, "/cards/"),
        (world.site_admin, "/operators/OP1/photograph/"),
        (world.site_admin, "/tickets/OP1-1/credential/"),
    ):
        sign_in(page, account)
        page.goto(path)
        check_access(page)
