"""Plans of re-assessments: a working paper, made in the background, accepted in whole or part as bookings."""

from datetime import datetime, timedelta

from django.db import models
from django.db.models import Q

from competence.models import Account

# What reading the facts and writing the result may take beside the search itself.
GRACE = timedelta(minutes=2)


class Plan(models.Model):
    """One search for a plan. ``asked``, ``progress`` and ``found`` are plain forms of the planning rule's."""

    class Status(models.TextChoices):
        RUNNING = "running", "Being worked out"
        FINISHED = "finished", "Ready"
        STOPPED = "stopped", "Stopped"
        FAILED = "failed", "Failed"

    made_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="plans")
    made_at = models.DateTimeField()
    asked = models.JSONField()
    status = models.CharField(max_length=8, choices=Status, default=Status.RUNNING)
    progress = models.JSONField(default=dict)
    is_to_stop = models.BooleanField("asked to stop", default=False)
    found = models.JSONField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(status="running", finished_at__isnull=True)
                | Q(status="finished", finished_at__isnull=False, found__isnull=False)
                | Q(status__in=["stopped", "failed"], finished_at__isnull=False),
                name="finished_plan_has_what_was_found",
            ),
        ]

    def __str__(self) -> str:
        return f"Plan {self.pk}"

    def is_lost(self, moment: datetime) -> bool:
        """Whether its search must have died: long past its time, and nothing was kept."""
        since = self.made_at + timedelta(seconds=self.asked.get("seconds", 0)) + GRACE
        return self.status == self.Status.RUNNING and moment > since
