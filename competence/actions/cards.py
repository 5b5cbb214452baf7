"""Issuing ticket cards and credentials, and keeping the photograph that a card shows."""

import hashlib
import secrets
import uuid
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.core.files.base import ContentFile
from django.db import transaction
from django.db.models import Model

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import (
    Account,
    Card,
    CardStop,
    CardTicket,
    Credential,
    Evidence,
    Operator,
    OperatorPhotograph,
    Site,
    StatusPlace,
    Ticket,
)
from competence.permissions import Right, require
from competence.queries.cards import countable, latest_photograph, ticket_said, would_say, zone_of
from competence.queries.signing import (
    issuer_profile,
    key_id,
    signed_credential,
    signed_statement,
    status_list_address,
)
from competence.queries.status_lists import list_in_use
from competence.queries.ticket_lists import names
from competence.rules.cards import NUMBER_ALPHABET, NUMBER_LENGTH, claims
from competence.rules.conditions import Conditions
from competence.rules.credentials import (
    STOPPING,
    Achievement,
    Holder,
    achievement_credential,
    jwt_claims,
    status_entry,
)
from competence.rules.status_lists import LIST_LENGTH


@transaction.atomic
def keep_photograph(*, by: Account, operator: Operator, photograph: bytes) -> OperatorPhotograph:
    """Keep a photograph of an operator, already drawn anew (``inputs.photographs``), for their card."""
    require(by, Right.KEEP_PEOPLE, site=operator.site)
    refuse_erased(operator)
    kept = OperatorPhotograph(
        operator=operator,
        photograph_sha256=hashlib.sha256(photograph).hexdigest(),
        recorded_at=now(),
        recorded_by=by,
    )
    kept.photograph.save("photograph.jpg", ContentFile(photograph), save=False)
    kept.save()
    record(by=by, action="photograph.kept", rows=[kept])
    return kept


@transaction.atomic
def issue_cards(*, by: Account, operators: Sequence[Operator]) -> list[Card]:
    """Issue each of these operators a card of what the register says now; an older one stays on record, and
    its code says that there is a newer. An operator may issue their own."""
    # Two who issue at once would else both hold the newest card; and what is decided on a ticket meanwhile is
    # either on the card or recorded after it.
    locked = Operator.objects.select_for_update(of=("self",)).filter(pk__in=[one.pk for one in operators])
    people = list(locked.order_by("pk").select_related("state__site", "state__employer"))
    for operator in people:
        if by.operator_id != operator.pk:
            require(by, Right.PRINT_CARD, site=operator.site)
    refuse_erased(*people)
    list(Ticket.objects.select_for_update(of=("self",)).filter(operator__in=people).order_by("pk"))
    moment, site_names = now(), dict(Site.objects.values_list("code", "name"))
    cards, rows = [], []
    for operator in people:
        card, more = _issue(by, operator, moment, site_names)
        cards.append(card)
        rows += more
    if not cards:
        raise ActionRefused("Nobody was chosen. Tick the people whose card is to be printed.")
    record(by=by, action="card.issued", rows=rows)
    return cards


def _issue(
    by: Account, operator: Operator, moment: datetime, site_names: Mapping[str, str]
) -> tuple[Card, list[Model]]:
    held = operator.tickets.select_related("category").order_by("category__code")
    tickets = countable(operator, held, moment)
    if not operator.state.is_active:
        raise ActionRefused(f"{operator.name} is not active, so no card is issued.")
    if not tickets:
        raise ActionRefused(f"{operator.name} holds no ticket in force today, so there is no card to issue.")
    photograph = latest_photograph(operator)
    said = would_say(operator, tickets, photograph.pk if photograph else None)
    places = {ticket.pk: _give_place() for ticket in tickets}
    number = _unused_number()
    card = Card.objects.create(
        number=number,
        operator=operator,
        name=said.name,
        employer_name=said.employer,
        photograph=photograph,
        issued_at=moment,
        issued_by=by,
        last_day=max(ticket.last_day for ticket in tickets),
        key_id=key_id(),
        statement=signed_statement(
            claims(
                number=number,
                operator_number=operator.number,
                said=said,
                zone=zone_of(operator),
                issued_at=moment,
                places={ticket_said(ticket): str(places[ticket.pk]) for ticket in tickets},
                site_names=site_names,
            )
        ),
    )
    stated = [
        CardTicket.objects.create(
            card=card,
            ticket=ticket,
            level=ticket.level,
            last_day=ticket.last_day,
            conditions=ticket.conditions,
            status=places[ticket.pk],
        )
        for ticket in tickets
    ]
    return card, [*places.values(), card, *stated]


def _unused_number() -> str:
    """A number that says nothing and cannot be guessed."""
    while True:
        number = "".join(secrets.choice(NUMBER_ALPHABET) for _ in range(NUMBER_LENGTH))
        if not Card.objects.filter(number=number).exists():
            return number


def _give_place() -> StatusPlace:
    """A free place of the list in use, drawn at random: fewer than half are taken."""
    list_number = list_in_use()
    while True:
        place = secrets.randbelow(LIST_LENGTH)
        if not StatusPlace.objects.filter(list_number=list_number, place=place).exists():
            return StatusPlace.objects.create(list_number=list_number, place=place)


@transaction.atomic
def stop_card(*, by: Account, card: Card, reason: str) -> CardStop:
    """Stop a card that was lost or stolen: whoever checks it is told so, for good. Its tickets are not
    touched, and a card that is found again stays stopped: its holder gets a new one."""
    # Whoever issues a card locks its holder too, so a stop is before it or after it.
    operator = Operator.objects.select_for_update(of=("self",)).get(pk=card.operator_id)
    require(by, Right.PRINT_CARD, site=operator.site)
    if CardStop.objects.filter(card=card).exists():
        raise ActionRefused(f"Card {card.number} was stopped already.")
    if card.is_erased:
        raise ActionRefused("What this card said was erased with its holder, so there is nothing to stop.")
    stop = CardStop(card=card, stopped_at=now(), stopped_by=by, reason=reason.strip())
    stop.full_clean()
    stop.save()
    record(by=by, action="card.stopped", rows=[stop], reason=stop.reason)
    return stop


@transaction.atomic
def issue_ticket_credential(
    *, by: Account, ticket: Ticket, achievement: Achievement, valid_until: datetime
) -> Credential:
    """Issue an Open Badges credential of a ticket that is in force. Its holder may issue their own."""
    operator = ticket.operator
    ticket = Ticket.objects.select_for_update(of=("self",)).select_related("category").get(pk=ticket.pk)
    if by.operator_id != operator.pk:
        require(by, Right.PRINT_CARD, site=operator.site)
    if not operator.state.is_active or not countable(operator, [ticket], now()):
        raise ActionRefused("The ticket is not in force today, so no credential of it is issued.")
    return _issue_credential(
        by,
        operator,
        achievement,
        ticket=ticket,
        valid_until=valid_until,
        stated={
            "licence_number": ticket.number,
            "description": " ".join(names().of(Conditions.from_plain(ticket.conditions))),
        },
    )


@transaction.atomic
def issue_evidence_credential(
    *, by: Account, evidence: Evidence, achievement: Achievement, shown: str
) -> Credential:
    """Issue an Open Badges credential of a passed practical assessment, by the evidence that it wrote.
    ``shown``: how it was shown, in words. The operator may issue their own."""
    evidence = Evidence.objects.select_related("operator__state__site").get(pk=evidence.pk)
    operator = evidence.operator
    if by.operator_id != operator.pk:
        require(by, Right.PRINT_CARD, site=operator.site)
    if evidence.kind != "practical" or not evidence.is_met or evidence.strikes_out:
        raise ActionRefused("This is no passed practical assessment, so no credential of it is issued.")
    if Evidence.objects.filter(corrects=evidence).exists():
        raise ActionRefused("This evidence was corrected since, so no credential of it is issued.")
    return _issue_credential(by, operator, achievement, evidence=evidence, stated={"evidence": shown})


def _issue_credential(
    by: Account,
    operator: Operator,
    achievement: Achievement,
    *,
    ticket: Ticket | None = None,
    evidence: Evidence | None = None,
    valid_until: datetime | None = None,
    stated: dict[str, Any],
) -> Credential:
    refuse_erased(operator)
    moment, key, place = now(), uuid.uuid4(), _give_place()
    body = achievement_credential(
        id=f"urn:uuid:{key}",
        issuer=issuer_profile(),
        valid_from=moment,
        valid_until=valid_until,
        holder=Holder(f"urn:uuid:{uuid.uuid4()}", operator.name),
        achievement=achievement,
        status=[
            status_entry(status_list_address(place.list_number, purpose), purpose, place.place)
            for purpose in STOPPING
        ],
        **stated,
    )
    credential = Credential.objects.create(
        id=key,
        kind=Credential.Kind.TICKET if ticket else Credential.Kind.ASSESSMENT,
        operator=operator,
        ticket=ticket,
        evidence=evidence,
        issued_at=moment,
        issued_by=by,
        token=signed_credential(jwt_claims(body)),
        status=place,
    )
    record(by=by, action="credential.issued", rows=[place, credential])
    return credential
