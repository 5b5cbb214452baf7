"""The journal: the append-only record of every change, and the signed statements of its head."""

from django.db import models
from django.db.models import Q

from .accounts import Account
from .base import Kept


class JournalEntry(models.Model):
    """Who did what, when; and a commitment to each row as it then stood.

    ``leaf`` is the RFC 6962 leaf hash of the entry. ``position`` is its place in the sealed tree, given once
    by sealing; everything else is written once.
    """

    at = models.DateTimeField()
    by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")
    action = models.CharField(max_length=40)
    reason = models.CharField(max_length=300, blank=True)
    leaf = models.BinaryField(max_length=32)
    position = models.PositiveBigIntegerField(null=True, unique=True)

    class Meta:
        verbose_name_plural = "journal entries"
        indexes = [
            models.Index(fields=["action"], name="entry_by_action"),
            # Few at any time: what was written since the last sealing.
            models.Index(fields=["id"], condition=Q(position__isnull=True), name="unsealed_entry"),
        ]

    def __str__(self) -> str:
        return f"entry {self.pk}: {self.action}"


class JournalledRow(models.Model):
    """One row as an action left it. ``content`` and ``salt`` can be erased; ``commitment`` still stands:
    SHA-256 of salt followed by the canonical JSON (RFC 8785) of the content."""

    entry = models.ForeignKey(JournalEntry, on_delete=models.PROTECT, related_name="rows")
    # The row's model, as app_label.model_name, and its primary key as text.
    kind = models.CharField(max_length=60)
    key = models.CharField(max_length=40)
    content = models.JSONField(null=True)
    salt = models.BinaryField(max_length=16, null=True)
    commitment = models.BinaryField(max_length=32)

    class Meta:
        indexes = [models.Index(fields=["kind", "key", "entry"], name="journalled_row_history")]

    def __str__(self) -> str:
        return f"{self.kind} {self.key} in entry {self.entry_id}"


class Checkpoint(Kept):
    """A signed statement of the journal's head: its size, root and time, under the register's key."""

    size = models.PositiveBigIntegerField(unique=True)
    root = models.BinaryField(max_length=32)
    at = models.DateTimeField()
    public_key = models.BinaryField(max_length=32)
    signature = models.BinaryField(max_length=64)

    def __str__(self) -> str:
        return f"checkpoint at {self.size}"
