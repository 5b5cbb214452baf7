"""Tickets and the chain of events that each one is; assessors' appointments."""

from django.db import models
from django.db.models import F, Q

from .accounts import Account
from .base import Kept
from .people import Operator
from .plant import Category
from .standards import StandardVersion


class Level(models.TextChoices):
    FULL = "full", "Full"
    TRAINEE = "trainee", "Trainee, supervised"


class Ticket(models.Model):
    """One operator's authorisation for one category, for good: what it amounts to is the fold of its
    events. The columns below repeat today's fold for lists; they can be rebuilt from the events."""

    number = models.CharField(max_length=20, unique=True)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="tickets")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="tickets")
    level = models.CharField(max_length=8, choices=Level, null=True)  # noqa: DJ001  null: its issue was struck out
    first_day = models.DateField(null=True)
    last_day = models.DateField(null=True)
    conditions = models.JSONField(default=dict)
    is_suspended = models.BooleanField(default=False)
    is_withdrawn = models.BooleanField(default=False)
    since = models.DateTimeField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator", "category"],
                name="one_ticket_per_operator_and_category",
                violation_error_message="This operator already holds a ticket for this category.",
            ),
            models.CheckConstraint(
                # To a database a missing day is not "too early", so that each is there is said too.
                condition=Q(level__isnull=True, first_day__isnull=True, last_day__isnull=True)
                | Q(
                    level__isnull=False,
                    first_day__isnull=False,
                    last_day__isnull=False,
                    level__in=["full", "trainee"],
                    first_day__lte=F("last_day"),
                ),
                name="ticket_ends_on_or_after_its_first_day",
                violation_error_message="The last day is before the first day.",
            ),
        ]
        indexes = [models.Index(fields=["last_day"], name="ticket_by_last_day")]

    def __str__(self) -> str:
        return self.number


class TicketEvent(Kept):
    """One entry of a ticket's chain. A null field leaves that part of the ticket as it was."""

    class Kind(models.TextChoices):
        ISSUED = "issued", "Issued"
        RENEWED = "renewed", "Renewed"
        VARIED = "varied", "Varied"
        SUSPENDED = "suspended", "Suspended"
        REINSTATED = "reinstated", "Reinstated"
        WITHDRAWN = "withdrawn", "Withdrawn"
        CORRECTED = "corrected", "Corrected"

    ticket = models.ForeignKey(Ticket, on_delete=models.PROTECT, related_name="events")
    sequence = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=10, choices=Kind)
    effective_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")
    reason = models.CharField(max_length=300)
    level = models.CharField(max_length=8, choices=Level, null=True, blank=True)  # noqa: DJ001  null: left as it was
    first_day = models.DateField(null=True, blank=True)
    last_day = models.DateField(null=True, blank=True)
    conditions = models.JSONField(null=True, blank=True)
    standard_version = models.ForeignKey(
        StandardVersion, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    corrects = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrections"
    )
    strikes_out = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["ticket", "sequence"], name="ticket_event_in_sequence"),
            models.CheckConstraint(
                condition=Q(effective_at__lte=F("recorded_at")),
                name="ticket_event_is_not_foretold",
                violation_error_message="An event takes effect no later than it is recorded.",
            ),
            models.CheckConstraint(condition=~Q(reason=""), name="ticket_event_has_a_reason"),
            models.CheckConstraint(
                condition=Q(first_day__isnull=True)
                | Q(last_day__isnull=True)
                | Q(first_day__lte=F("last_day")),
                name="ticket_event_ends_on_or_after_its_first_day",
                violation_error_message="The last day is before the first day.",
            ),
            models.CheckConstraint(
                condition=~Q(kind="issued")
                | Q(level__isnull=False, first_day__isnull=False, last_day__isnull=False),
                name="issue_states_level_and_period",
            ),
            models.CheckConstraint(
                condition=~Q(kind="renewed") | Q(first_day__isnull=False, last_day__isnull=False),
                name="renewal_states_its_period",
            ),
            models.CheckConstraint(
                condition=Q(kind="corrected", corrects__isnull=False)
                | (~Q(kind="corrected") & Q(corrects__isnull=True, strikes_out=False)),
                name="correction_names_what_it_corrects",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.ticket_id}/{self.sequence} {self.get_kind_display()}"


class Appointment(Kept):
    """A trainer's authority to assess a category, in writing, with an end.

    Ended early by a later row of the same account and category. Source of its shape: Quarries Regulations
    1999 reg 2, appointment in writing.
    """

    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="appointments")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="appointments")
    first_day = models.DateField()
    last_day = models.DateField()
    duties = models.CharField(max_length=300)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(first_day__lte=F("last_day")),
                name="appointment_ends_on_or_after_its_first_day",
                violation_error_message="The last day is before the first day.",
            ),
            models.CheckConstraint(condition=~Q(duties=""), name="appointment_states_its_duties"),
        ]

    def __str__(self) -> str:
        return f"{self.account_id} for {self.category_id} to {self.last_day}"
