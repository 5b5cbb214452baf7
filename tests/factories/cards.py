"""Photographs of operators, places in status lists, cards and credentials as rows; nothing is signed."""

import hashlib

import factory
from django.core.files.base import ContentFile

from competence.models import Card, CardStop, CardTicket, Credential, OperatorPhotograph, StatusPlace

from .accounts import AccountFactory
from .base import RowFactory, at_ago, day_ago
from .people import OperatorFactory
from .tickets import TicketFactory


class OperatorPhotographFactory(RowFactory):
    class Meta:
        model = OperatorPhotograph

    class Params:
        octets = b"not a real photograph of a face, and exactly these bytes"

    operator = factory.SubFactory(OperatorFactory)
    photograph = factory.LazyAttribute(lambda row: ContentFile(row.octets, "face.jpg"))
    photograph_sha256 = factory.LazyAttribute(lambda row: hashlib.sha256(row.octets).hexdigest())
    recorded_at = at_ago(0)
    recorded_by = factory.SubFactory(AccountFactory, roles=["site_admin"])


class StatusPlaceFactory(RowFactory):
    class Meta:
        model = StatusPlace

    list_number = 1
    place = factory.Sequence(lambda n: n)


class CardFactory(RowFactory):
    class Meta:
        model = Card

    number = factory.Sequence(lambda n: f"K{n:07}")
    operator = factory.SubFactory(OperatorFactory)
    name = factory.LazyAttribute(lambda row: row.operator.name)
    employer_name = factory.LazyAttribute(lambda row: row.operator.state.employer.name)
    issued_at = at_ago(0)
    issued_by = factory.SubFactory(AccountFactory, roles=["site_admin"])
    last_day = day_ago(-300)
    key_id = "key"
    statement = "head.body.signature"


class CardStopFactory(RowFactory):
    class Meta:
        model = CardStop

    card = factory.SubFactory(CardFactory)
    stopped_at = at_ago(0)
    stopped_by = factory.SubFactory(AccountFactory, roles=["site_admin"])
    reason = "Lost in the yard"


class CardTicketFactory(RowFactory):
    class Meta:
        model = CardTicket

    card = factory.SubFactory(CardFactory)
    ticket = factory.LazyAttribute(lambda row: TicketFactory(operator=row.card.operator))
    level = "full"
    last_day = factory.LazyAttribute(lambda row: row.ticket.last_day)
    status = factory.SubFactory(StatusPlaceFactory)


class CredentialFactory(RowFactory):
    """Of a ticket; ``kind="assessment"`` with ``evidence`` and no ``ticket`` is of that."""

    class Meta:
        model = Credential

    kind = "ticket"
    ticket = factory.SubFactory(TicketFactory)
    operator = factory.LazyAttribute(lambda row: row.ticket.operator)
    issued_at = at_ago(0)
    issued_by = factory.SubFactory(AccountFactory, roles=["site_admin"])
    token = "head.body.signature"
    status = factory.SubFactory(StatusPlaceFactory)
