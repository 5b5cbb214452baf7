"""Plans of re-assessments: a working paper, made in the background, accepted in whole or part as bookings."""

from django.db import models
from django.db.models import Q

from competence.models import Account


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

    @property
    def work_name(self) -> str:
        """Under which its search is at work."""
        return f"plan-{self.pk}"
