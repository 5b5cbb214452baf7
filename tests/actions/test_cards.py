"""Issuing cards and credentials, keeping photographs, and what the published lists then say."""

import hashlib
import json
from datetime import timedelta
from zoneinfo import ZoneInfo

import jwt
import pytest
from django.core.exceptions import ValidationError
from django.db.models import QuerySet
from django.urls import reverse
from django.utils import timezone
from openbadgeslib.ob3 import OB3Verifier
from openbadgeslib.ob3.verifier import OB3VerificationError

from competence.actions.cards import (
    issue_cards,
    issue_evidence_credential,
    issue_ticket_credential,
    keep_photograph,
    stop_card,
)
from competence.actions.corrections import correct_event
from competence.actions.errors import ActionRefused
from competence.actions.evidence import strike_out_evidence
from competence.actions.people import change_operator
from competence.actions.tickets import (
    reinstate_ticket,
    suspend_ticket,
    vary_ticket,
    withdraw_ticket,
)
from competence.models import Card, CardStop, Credential, Operator, Ticket
from competence.outputs.credentials import status_list
from competence.permissions import NotAllowed
from competence.queries.achievements import PRACTICAL, achievement_of, standard_of
from competence.queries.cards import CardsAsked, card_rows, holders, own_row, wanted_rows
from competence.queries.journal import verify
from competence.queries.signing import card_key, public_jwk
from competence.queries.status_lists import places_set, stopped_places
from competence.rules.cards import STATEMENT_TYPE, end_of
from competence.rules.conditions import Conditions
from competence.rules.credentials import disagreements, faults
from competence.rules.status_lists import Purpose, decoded_list, is_set
from tests.actions.journalled import journals
from tests.doors.people_world import people_world
from tests.factories import AccountFactory, EvidenceFactory, SiteFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def world():
    return people_world()


def card_of(world, by=None):
    return issue_cards(by=by or world.site_admin, operators=[world.operator])[0]


def statement_of(card):
    """Opened by PyJWT with the published key alone."""
    key = jwt.PyJWK(public_jwk())
    return jwt.decode(card.statement, key, algorithms=["EdDSA"])


def marks(stated):
    """Which bits are set for one ticket of a card."""
    return {
        purpose.value
        for purpose in Purpose
        if stated.status.place in places_set(stated.status.list_number, purpose)
    }


def test_a_card_is_issued_and_written_down(world):
    with journals(
        "card.issued", rows={"competence.card", "competence.cardticket", "competence.statusplace"}
    ) as entry:
        card = card_of(world)
    assert entry().by == world.site_admin
    said = statement_of(card)
    assert (said["n"], said["o"], said["jti"]) == ("Ada Ashworth", "OP1", card.number)
    assert [ticket["c"] for ticket in said["t"]] == ["dumper"]
    assert said["t"][0]["s"] == str(card.stated.get().status)
    assert jwt.get_unverified_header(card.statement) == {
        "alg": "EdDSA",
        "kid": public_jwk()["kid"],
        "typ": STATEMENT_TYPE,
    }


def test_places_are_not_given_in_a_row(world, monkeypatch):
    """Drawn at random; a place that is taken is drawn again."""
    drawn = iter([7, 7, 90_000])
    monkeypatch.setattr("competence.actions.cards.secrets.randbelow", lambda length: next(drawn))
    assert [card_of(world).stated.get().status.place for _ in range(2)] == [7, 90_000]


def test_the_trainer_and_the_operator_themself_may_and_others_may_not(world):
    card_of(world, by=world.trainer)
    card_of(world, by=world.operator_account)
    for by in (world.auditor, world.far_admin, world.far_trainer):
        with journals(None), pytest.raises(NotAllowed):
            card_of(world, by=by)


def test_of_people_chosen_together_each_is_asked_for(world):
    with journals(None), pytest.raises(ActionRefused, match="Bram Bellamy holds no ticket in force"):
        issue_cards(by=world.site_admin, operators=[world.operator, world.newcomer])


@pytest.mark.parametrize("stopped", ["suspend", "withdraw"])
def test_without_a_ticket_in_force_there_is_no_card(world, stopped):
    act = {"suspend": suspend_ticket, "withdraw": withdraw_ticket}[stopped]
    act(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    with journals(None), pytest.raises(ActionRefused, match="no ticket in force"):
        card_of(world)


def test_who_left_has_no_card(world):
    leave(world)
    with journals(None), pytest.raises(ActionRefused, match="not active"):
        card_of(world)


def leave(world):
    state = world.operator.state
    change_operator(
        by=world.site_admin,
        operator=world.operator,
        employer=state.employer,
        site=state.site,
        is_active=False,
        reason="Left the firm.",
    )


def test_nothing_is_set_for_a_card_that_still_holds(world):
    assert marks(card_of(world).stated.get()) == set()


def test_a_suspension_is_shown_and_taken_back_with_the_reinstatement(world):
    stated = card_of(world).stated.get()
    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    assert marks(stated) == {"suspension"}
    reinstate_ticket(by=world.trainer, ticket=world.ticket, reason="Talked it through.")
    assert marks(stated) == set()


def test_who_left_is_shown_as_suspended(world):
    stated = card_of(world).stated.get()
    leave(world)
    assert marks(stated) == {"suspension"}


def test_a_withdrawal_is_for_good_even_where_it_is_struck_out(world):
    stated = card_of(world).stated.get()
    withdraw_ticket(by=world.trainer, ticket=world.ticket, reason="Wrong person.")
    assert marks(stated) == {"revocation"}
    event = world.ticket.events.get(kind="withdrawn")
    correct_event(by=world.trainer, event=event, should_say=None, reason="Right person after all.")
    world.ticket.refresh_from_db()
    assert not world.ticket.is_withdrawn
    assert marks(stated) == {"revocation"}


def test_a_variation_stops_what_the_card_said_before(world):
    stated = card_of(world).stated.get()
    limited = Conditions(daylight_only=True)
    vary_ticket(by=world.trainer, ticket=world.ticket, conditions=limited, reason="Sight.")
    assert marks(stated) == {"revocation"}


def test_an_older_card_says_that_there_is_a_newer(world):
    first, second = card_of(world).stated.get(), card_of(world).stated.get()
    assert (marks(first), marks(second)) == ({"refresh"}, set())


def test_the_list_is_signed_for_a_day_and_by_the_register(world):
    stated = card_of(world).stated.get()
    suspend_ticket(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    at = timezone.now()
    said = jwt.decode(
        status_list(1, Purpose.SUSPENSION, at=at), jwt.PyJWK(public_jwk()), algorithms=["EdDSA"]
    )
    bits = decoded_list(said["credentialSubject"]["encodedList"])
    assert is_set(bits, stated.status.place)
    assert sum(byte.bit_count() for byte in bits) == 1
    assert said["exp"] - said["nbf"] == 24 * 60 * 60
    assert "Ashworth" not in json.dumps(said)


def test_the_list_of_cards_names_whose_is_missing_or_out_of_date(world):
    def found(state):
        rows = wanted_rows(CardsAsked(state=state), None, timezone.now())
        return [(row.operator.number, row.card is None, row.why) for row in rows]

    assert found("wanted") == [("OP1", True, ())]
    card_of(world)
    assert found("wanted") == []
    keep_photograph(by=world.site_admin, operator=world.operator, photograph=b"a face")
    assert found("old") == [("OP1", False, ("a photograph since",))]
    # Nobody wrote anything down on the day on which a ticket ended.
    later = timezone.now() + timedelta(days=2000)
    row = own_row(Operator.objects.with_state().get(pk=world.operator.pk), later)
    assert "a ticket on it no longer counts" in row.why


def test_the_list_holds_each_card_in_a_fixed_number_of_statements(world, django_assert_num_queries):
    card_of(world)
    moment = timezone.now()
    with django_assert_num_queries(5):
        # Zones, people, tickets; cards and what they state.
        assert len(card_rows(list(holders(CardsAsked(), None, moment)), moment)) == 1


def test_a_photograph_is_kept_with_its_digest_and_the_journal_covers_its_file(world):
    with journals("photograph.kept", rows={"competence.operatorphotograph"}):
        kept = keep_photograph(by=world.site_admin, operator=world.operator, photograph=b"a face")
    assert kept.photograph_sha256 == hashlib.sha256(b"a face").hexdigest()
    path = kept.photograph.path
    with open(path, "wb") as file:
        file.write(b"another face")
    told = [problem.sentence for problem in verify().problems if "photograph" in problem.sentence]
    assert any("is not the one that was taken" in sentence for sentence in told)
    with pytest.raises(NotAllowed):
        keep_photograph(by=world.trainer, operator=world.operator, photograph=b"a face")


def ticket_credential(world, by=None):
    zone = ZoneInfo(world.site.zone)
    return issue_ticket_credential(
        by=by or world.site_admin,
        ticket=world.ticket,
        achievement=achievement_of(standard_of(world.ticket), "full"),
        valid_until=end_of(world.ticket.last_day, zone),
    )


def verified(credential, **more):
    """By openbadgeslib, which shares nothing with what signed it but the key."""
    return OB3Verifier(pubkey_pem=card_key().public_key()).verify(credential.token, **more)


def fetched(address):
    """The status lists as the register publishes them, for another's verifier."""
    number, purpose = address.rstrip("/").split("/")[-2:]
    return status_list(int(number), Purpose(purpose), at=timezone.now()).encode()


def test_a_credential_of_a_ticket_is_whole_and_another_library_verifies_it(world):
    with journals("credential.issued", rows={"competence.credential", "competence.statusplace"}):
        credential = ticket_credential(world)
    read = verified(credential, check_status=True, download=fetched)
    assert read.achievement.name == "Ticket: Dumper (Full)"
    body = jwt.decode(credential.token, jwt.PyJWK(public_jwk()), algorithms=["EdDSA"])
    assert faults(body) == disagreements(body) == []
    subject = body["credentialSubject"]
    assert subject["identifier"][0]["identityHash"] == "Ada Ashworth"
    assert subject["licenseNumber"] == world.ticket.number
    # The number says nothing to a stranger; two credentials of one person share no id.
    assert subject["id"] != verified(ticket_credential(world)).recipient_id


def test_one_changed_letter_anywhere_makes_it_worthless(world):
    token = ticket_credential(world).token
    verifier = OB3Verifier(pubkey_pem=card_key().public_key())
    header, payload, signature = token.split(".")
    for parts in (
        (header, payload[:40] + ("A" if payload[40] != "A" else "B") + payload[41:], signature),
        (header, payload, signature[:40] + ("A" if signature[40] != "A" else "B") + signature[41:]),
    ):
        with pytest.raises(OB3VerificationError):
            verifier.verify(".".join(parts))


@pytest.mark.parametrize("act", [suspend_ticket, withdraw_ticket])
def test_another_library_learns_that_a_ticket_was_stopped(world, act):
    credential = ticket_credential(world)
    act(by=world.trainer, ticket=world.ticket, reason="Seen without a belt.")
    with pytest.raises(OB3VerificationError):
        verified(credential, check_status=True, download=fetched)


def test_a_card_is_no_credential_and_a_credential_no_card(world):
    with pytest.raises(OB3VerificationError):
        OB3Verifier(pubkey_pem=card_key().public_key()).verify(card_of(world).statement)
    assert jwt.get_unverified_header(ticket_credential(world).token)["typ"] != STATEMENT_TYPE


def passed(world):
    return EvidenceFactory(
        operator=world.operator, kind="practical", category=world.category, recorded_by=world.trainer
    )


def test_a_passed_assessment_has_a_credential_until_its_evidence_is_struck_out(world):
    evidence = passed(world)
    credential = issue_evidence_credential(
        by=world.operator_account,
        evidence=evidence,
        achievement=achievement_of(world.standard, PRACTICAL),
        shown="Walk-around watched at the quarry.",
    )
    assert verified(credential, check_status=True, download=fetched).achievement.name.startswith("Practical")
    strike_out_evidence(by=world.trainer, evidence=evidence, reason="Marked the wrong person.")
    with pytest.raises(OB3VerificationError):
        verified(credential, check_status=True, download=fetched)
    with pytest.raises(ActionRefused, match="corrected since"):
        issue_evidence_credential(
            by=world.operator_account,
            evidence=evidence,
            achievement=achievement_of(world.standard, PRACTICAL),
            shown="",
        )


def test_nobody_else_takes_a_credential_of_the_operator(world):
    for by in (world.auditor, world.far_admin):
        with journals(None), pytest.raises(NotAllowed):
            ticket_credential(world, by=by)


def test_what_was_erased_is_neither_shown_nor_printed(world, client):
    """As erasing a person leaves the rows: marked, with nothing of what they said."""
    card, credential = card_of(world), ticket_credential(world)
    QuerySet(Card).filter(pk=card.pk).update(statement="erased", name="erased")
    QuerySet(Credential).filter(pk=credential.pk).update(token="erased")
    client.force_login(world.site_admin)
    for address in (
        reverse("credential-jwt", args=[credential.pk]),
        reverse("credential-json", args=[credential.pk]),
        reverse("card-code", args=[card.number]),
        f"{reverse('card-pdf')}?card={card.number}",
    ):
        assert client.get(address).status_code == 404
    page = client.get(reverse("ticket-credential", args=[world.ticket.number])).content.decode()
    assert "Erased" in page


class TestStopping:
    def test_a_stopped_card_says_no_and_its_ticket_stays_as_it_was(self, world):
        card = card_of(world)
        stated = card.stated.get()
        before = Ticket.objects.filter(pk=stated.ticket_id).values().get()
        with journals("card.stopped", rows={"competence.cardstop"}, reason="Left on a bus"):
            stop_card(by=world.site_admin, card=card, reason="Left on a bus")
        assert "revocation" in marks(stated)
        assert Ticket.objects.filter(pk=stated.ticket_id).values().get() == before
        today = timezone.now().astimezone(ZoneInfo(world.site.zone)).strftime("%Y%m%d")
        assert stopped_places(timezone.now().date()) == {str(stated.status): today}

    def test_the_next_card_is_not_stopped_and_the_old_one_stays_so(self, world):
        old = card_of(world)
        stop_card(by=world.site_admin, card=old, reason="Left on a bus")
        new = card_of(world)
        assert "revocation" in marks(old.stated.get())
        assert "revocation" not in marks(new.stated.get())

    def test_the_list_wants_a_new_card_in_its_place(self, world):
        card = card_of(world)
        assert wanted_rows(CardsAsked(state="wanted"), None, timezone.now()) == []
        stop_card(by=world.site_admin, card=card, reason="Left on a bus")
        (row,) = wanted_rows(CardsAsked(state="wanted"), None, timezone.now())
        assert row.stop.reason == "Left on a bus"
        assert row.why[0].startswith("stopped on ")
        assert own_row(world.operator, timezone.now()).stop == row.stop

    def test_twice_without_a_reason_and_by_others_is_refused(self, world):
        card = card_of(world)
        with pytest.raises(ValidationError, match="blank"):
            stop_card(by=world.site_admin, card=card, reason="  ")
        for other in (AccountFactory(roles=["auditor"]), AccountFactory(roles=[("trainer", SiteFactory())])):
            with pytest.raises(NotAllowed):
                stop_card(by=other, card=card, reason="Left on a bus")
        stop_card(by=world.site_admin, card=card, reason="Left on a bus")
        with pytest.raises(ActionRefused, match="stopped already"):
            stop_card(by=world.site_admin, card=card, reason="Once more")
        assert CardStop.objects.count() == 1
