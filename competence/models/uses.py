"""That a machine worked, by shift: what a daily check should have come before."""

from django.db import models
from django.db.models import Q

from .accounts import Account
from .base import Kept
from .plant import Machine


class MachineUse(Kept):
    """The hours that a machine worked on one shift of one day, as somebody or some file said."""

    class Shift(models.TextChoices):
        DAY = "day", "Day shift"
        NIGHT = "night", "Night shift"

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="uses")
    on = models.DateField("day", help_text="Of a night, the day on which it began.")
    # Blank: only the day is known.
    shift = models.CharField(max_length=5, choices=Shift, blank=True)
    hours = models.DecimalField(max_digits=3, decimal_places=1)
    source = models.CharField(max_length=200, help_text="The file, the sheet or the person who says so.")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")
    corrects = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["machine", "on", "shift"],
                condition=Q(corrects__isnull=True),
                name="machine_use_recorded_once_per_shift",
            ),
            models.CheckConstraint(
                condition=Q(shift__in=["", "day", "night"]), name="use_is_of_day_or_night"
            ),
            models.CheckConstraint(
                condition=Q(hours__gte=0, hours__lte=24),
                name="use_hours_fit_a_day",
                violation_error_message="A day has 24 hours.",
            ),
            models.CheckConstraint(condition=~Q(source=""), name="use_says_where_it_comes_from"),
        ]
        indexes = [
            models.Index(fields=["machine", "on"], name="use_of_machine_in_time"),
            models.Index(fields=["on"], name="use_by_day"),
        ]

    def __str__(self) -> str:
        return f"{self.machine_id} on {self.on} {self.shift}".rstrip()
