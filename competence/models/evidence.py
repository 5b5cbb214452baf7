"""Evidence: a dated fact that a requirement was met, or was not, by one person."""

from django.db import models
from django.db.models import F, Q

from .accounts import Account
from .base import Kept
from .people import Operator, Site
from .plant import Category
from .standards import Requirement


class Evidence(Kept):
    """One fact about one person. A correction replaces the row it ``corrects``, or strikes it out."""

    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="evidence")
    kind = models.CharField(max_length=16, choices=Requirement.Kind)
    category = models.ForeignKey(Category, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    machine_model = models.CharField("make and model", max_length=120, blank=True)
    occurred_on = models.DateField()
    is_met = models.BooleanField("passed, or done", default=True)
    counts_to = models.DateField("counts to, by its own paper", null=True, blank=True)
    hours = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    came_from = models.CharField(max_length=200, help_text="Certificate, course, assessor, document.")
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")
    corrects = models.OneToOneField(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="corrected_by"
    )
    strikes_out = models.BooleanField(default=False)
    reason = models.CharField("why it was corrected", max_length=300, blank=True)

    class Meta:
        verbose_name_plural = "evidence"
        indexes = [
            models.Index(fields=["operator", "kind", "occurred_on"], name="evidence_of_operator"),
            # Few rows correct another, which makes a planner think little of the key's own index.
            models.Index(
                fields=["corrects"], condition=Q(corrects__isnull=False), name="evidence_correction"
            ),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(counts_to__isnull=True) | Q(counts_to__gte=F("occurred_on")),
                name="evidence_ends_after_it_happened",
                violation_error_message="It cannot stop counting before the day it happened.",
            ),
            models.CheckConstraint(
                condition=~Q(kind="induction") | Q(site__isnull=False),
                name="induction_names_its_site",
                violation_error_message="A site induction names the site.",
            ),
            models.CheckConstraint(
                condition=~Q(kind="familiarisation") | ~Q(machine_model=""),
                name="familiarisation_names_its_model",
                violation_error_message="A familiarisation names the make and model.",
            ),
            models.CheckConstraint(
                condition=~Q(kind__in=["practical", "paper", "recall"]) | Q(category__isnull=False),
                name="assessment_evidence_names_its_category",
                violation_error_message="An assessment, a paper and refresher questions name the category.",
            ),
            models.CheckConstraint(
                condition=~Q(kind="recall") | Q(is_met=False) | Q(counts_to__isnull=False),
                name="recall_evidence_states_its_last_day",
                violation_error_message="Refresher questions say to which day what is known will last.",
            ),
            models.CheckConstraint(
                condition=Q(strikes_out=False) | Q(corrects__isnull=False),
                name="evidence_strikes_out_a_row",
            ),
            models.CheckConstraint(
                condition=Q(corrects__isnull=True) | ~Q(reason=""), name="evidence_correction_has_a_reason"
            ),
            models.CheckConstraint(
                condition=Q(hours__isnull=True) | Q(hours__gt=0),
                name="evidence_hours_are_positive",
                violation_error_message="Hours are more than nothing.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()} of {self.operator_id} on {self.occurred_on}"
