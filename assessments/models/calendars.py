"""The secret address at which an account's calendar is read."""

import uuid

from django.db import models
from django.db.models import Q

from competence.models import Account


class CalendarAddress(models.Model):
    """One account's: only the SHA-256 of the secret is kept, so nobody can read the address out of here. It
    stays when the address is reset or removed, so that events keep their identity."""

    account = models.OneToOneField(Account, on_delete=models.PROTECT, related_name="calendar_address")
    # What the UIDs of the events are made from.
    feed = models.UUIDField(default=uuid.uuid4, unique=True)
    token_sha256 = models.CharField(max_length=64, null=True, unique=True)  # noqa: DJ001  null: removed
    made_at = models.DateTimeField()
    removed_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        verbose_name_plural = "calendar addresses"
        constraints = [
            models.CheckConstraint(
                condition=Q(token_sha256__isnull=True, removed_at__isnull=False)
                | Q(token_sha256__isnull=False, removed_at__isnull=True),
                name="calendar_address_is_there_or_removed",
            ),
        ]

    def __str__(self) -> str:
        return f"Calendar of {self.account_id}"
