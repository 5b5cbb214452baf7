"""Mail that the register sends by itself, and what each account was told by it. Neither is a record: what the
mail speaks of is kept where it happened."""

import uuid

from django.db import models
from django.db.models import Q

from competence.models import Account


class OutgoingMail(models.Model):
    """One mail, kept from the moment it is written. Its id is its Message-ID, so that a copy sent a second
    time after a crash can be told for what it is."""

    class Status(models.TextChoices):
        WAITING = "waiting", "Waiting"
        SENDING = "sending", "Being sent"
        SENT = "sent", "Sent"
        REFUSED = "refused", "Refused by the mail server"
        DROPPED = "dropped", "No longer wanted"

    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="mails")
    to = models.EmailField()
    subject = models.CharField(max_length=200)
    text = models.TextField()
    html = models.TextField()
    composed_at = models.DateTimeField()
    status = models.CharField(max_length=7, choices=Status, default=Status.WAITING)
    claimed_at = models.DateTimeField(null=True, blank=True)
    sent_at = models.DateTimeField(null=True, blank=True)
    problem = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(status="waiting", claimed_at__isnull=True, sent_at__isnull=True)
                | Q(status="sending", claimed_at__isnull=False, sent_at__isnull=True)
                | Q(status="sent", sent_at__isnull=False)
                | (Q(status="refused", sent_at__isnull=True) & ~Q(problem=""))
                | Q(status="dropped", sent_at__isnull=True),
                name="mail_is_as_far_as_its_status",
            ),
        ]
        indexes = [models.Index(fields=["status", "composed_at"], name="mail_to_send_in_order")]

    def __str__(self) -> str:
        return f"{self.id}"


class DigestLine(models.Model):
    """What an account was last told of one thing. The same is not told twice; what has changed is."""

    account = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="digest_lines")
    thing = models.CharField(max_length=300)
    state = models.CharField(max_length=300)
    told_at = models.DateTimeField()
    mail = models.ForeignKey(OutgoingMail, on_delete=models.PROTECT, related_name="lines")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["account", "thing"], name="one_digest_line_a_thing"),
            models.CheckConstraint(condition=~Q(state=""), name="digest_line_says_how_the_thing_stands"),
        ]

    def __str__(self) -> str:
        return f"{self.account_id}: {self.thing} {self.state}"
