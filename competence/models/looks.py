"""Who looked back into the record, and who took what out of it."""

from django.db import models

from .accounts import Account
from .base import Kept
from .people import Operator, Site
from .plant import Machine


class Look(Kept):
    """One look at what was true, or one thing taken out of the register; never edited, never deleted."""

    class Kind(models.TextChoices):
        RECORD = "record", "Asked the record"
        WORKBOOK = "workbook", "Took out a workbook"
        SAMPLE = "sample", "Took out a sample's sheet"
        BUNDLE = "bundle", "Took out a proof"
        PACK = "pack", "Took out an evidence pack"
        CARD = "card", "Took out a card or a credential"
        ACCESS = "access", "Took out what is held on a person"

    at = models.DateTimeField()
    by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="looks")
    kind = models.CharField(max_length=10, choices=Kind)
    # Whom and what it was about, where it was about one of them.
    operator = models.ForeignKey(
        Operator, on_delete=models.PROTECT, null=True, blank=True, related_name="looks_at"
    )
    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    asked = models.JSONField(default=dict, help_text="What was asked for: moments, filters, numbers.")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=models.Q(
                    kind__in=["record", "workbook", "sample", "bundle", "pack", "card", "access"]
                ),
                name="look_is_of_a_known_kind",
            ),
        ]
        indexes = [
            models.Index(fields=["-at", "-id"], name="look_in_time"),
            models.Index(fields=["operator", "-at"], name="look_at_operator_in_time"),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, by {self.by_id}"
