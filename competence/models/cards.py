"""Ticket cards and credentials as they were issued, an operator's photograph, and places in status lists."""

import uuid

from django.db import models
from django.db.models import Q

from competence.rules.status_lists import LIST_LENGTH

from .accounts import Account
from .base import ERASED_DIGEST, Kept
from .evidence import Evidence
from .people import Operator
from .tickets import Level, Ticket


def operator_photograph_path(row: "OperatorPhotograph", filename: str) -> str:
    return f"operators/{row.operator_id}/{uuid.uuid4()}.jpg"


def is_token(text: str) -> bool:
    """Whether a column still holds what was signed (three parts, RFC 7515), or what erasing left of it."""
    return text.count(".") == 2


class OperatorPhotograph(Kept):
    """A photograph of an operator for their card; the newest row counts."""

    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="photographs")
    photograph = models.ImageField(upload_to=operator_photograph_path)
    photograph_sha256 = models.CharField(max_length=64)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(photograph="") & ~Q(photograph_sha256=""),
                name="operator_photograph_has_its_file_and_digest",
            )
        ]

    def __str__(self) -> str:
        return f"of operator {self.operator_id} from {self.recorded_at:%Y-%m-%d %H:%M}"

    @property
    def is_erased(self) -> bool:
        return self.photograph_sha256 == ERASED_DIGEST


class StatusPlace(Kept):
    """One place in a published status list. It is drawn at random, so that nobody can tell by its number
    whose neighbour it is or when it was given."""

    list_number = models.PositiveSmallIntegerField()
    place = models.PositiveIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["list_number", "place"], name="status_place_is_given_once"),
            models.CheckConstraint(
                condition=Q(place__gte=0, place__lt=LIST_LENGTH), name="status_place_is_within_its_list"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.list_number}.{self.place}"


class Card(Kept):
    """One issue of an operator's ticket card, and what it said. The newest one is theirs."""

    number = models.CharField(max_length=12, unique=True)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="cards")
    name = models.CharField(max_length=161)
    employer_name = models.CharField(max_length=120)
    photograph = models.ForeignKey(
        OperatorPhotograph, on_delete=models.PROTECT, null=True, blank=True, related_name="cards"
    )
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    last_day = models.DateField(help_text="The last day on which any ticket on the card counts.")
    key_id = models.CharField(max_length=43)
    # The signed statement that the code holds (compact JWS, RFC 7515).
    statement = models.TextField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(statement="") & ~Q(key_id=""), name="card_has_its_signed_statement"
            )
        ]
        indexes = [models.Index(fields=["operator", "-issued_at"], name="card_by_operator_in_time")]

    def __str__(self) -> str:
        return self.number

    @property
    def is_erased(self) -> bool:
        """Whether what it said is gone, by an erasure."""
        return not is_token(self.statement)


class CardStop(Kept):
    """A card that was lost or stolen and does not count from here on. Its tickets are not touched."""

    card = models.OneToOneField(Card, on_delete=models.PROTECT, related_name="stop")
    stopped_at = models.DateTimeField()
    stopped_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="card_stop_says_why",
                violation_error_message="Say why the card is stopped.",
            )
        ]

    def __str__(self) -> str:
        return f"stop of card {self.card_id}"


class CardTicket(Kept):
    """One ticket as a card states it."""

    card = models.ForeignKey(Card, on_delete=models.PROTECT, related_name="stated")
    ticket = models.ForeignKey(Ticket, on_delete=models.PROTECT, related_name="on_cards")
    level = models.CharField(max_length=8, choices=Level)
    last_day = models.DateField()
    conditions = models.JSONField(default=dict)
    status = models.OneToOneField(StatusPlace, on_delete=models.PROTECT, related_name="card_ticket")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["card", "ticket"], name="card_states_a_ticket_once"),
            models.CheckConstraint(
                condition=Q(level__in=["full", "trainee"]), name="card_states_a_known_level"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.ticket_id} on card {self.card_id}"


class Credential(Kept):
    """An Open Badges 3.0 credential as it was issued: of a ticket, or of a passed practical assessment."""

    class Kind(models.TextChoices):
        TICKET = "ticket", "Ticket"
        ASSESSMENT = "assessment", "Practical assessment"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=10, choices=Kind)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="credentials")
    ticket = models.ForeignKey(
        Ticket, on_delete=models.PROTECT, null=True, blank=True, related_name="credentials"
    )
    # What the passed assessment wrote down: while it counts, so does the credential.
    evidence = models.ForeignKey(
        Evidence, on_delete=models.PROTECT, null=True, blank=True, related_name="credentials"
    )
    issued_at = models.DateTimeField()
    issued_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    # A VC-JWT; the credential's body is its payload.
    token = models.TextField()
    status = models.OneToOneField(StatusPlace, on_delete=models.PROTECT, related_name="credential")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="ticket", ticket__isnull=False, evidence__isnull=True)
                | Q(kind="assessment", ticket__isnull=True, evidence__isnull=False),
                name="credential_is_of_one_thing",
            ),
            models.CheckConstraint(condition=~Q(token=""), name="credential_has_its_token"),
        ]

    def __str__(self) -> str:
        return str(self.id)

    @property
    def is_erased(self) -> bool:
        return not is_token(self.token)
