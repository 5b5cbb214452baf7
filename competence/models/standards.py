"""Standards: what a person must have shown to hold a ticket for a category."""

from decimal import Decimal

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q

from .accounts import Account
from .base import Kept
from .plant import Category

# Below the least, questions would hardly ever fall due; above the most, every few days (our own rule).
LEAST_RECALL, MOST_RECALL = Decimal("0.5"), Decimal("0.95")


class StandardVersion(Kept):
    """One version of a category's standard: in force from a date until a later one is, never edited."""

    class PeriodEnd(models.TextChoices):
        ANNIVERSARY = "anniversary", "On the anniversary"
        DAY_BEFORE = "day_before", "The day before the anniversary"
        MONTH_END = "month_end", "At the end of the anniversary's month"

    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="standard_versions")
    number = models.PositiveSmallIntegerField()
    in_force_from = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")
    months = models.PositiveSmallIntegerField("ticket period, months")
    period_end = models.CharField("a ticket ends", max_length=12, choices=PeriodEnd)
    renewal_window_days = models.PositiveSmallIntegerField()
    lapse_limit_days = models.PositiveSmallIntegerField()
    pass_mark = models.DecimalField(
        max_digits=4, decimal_places=3, validators=[MinValueValidator(0), MaxValueValidator(1)]
    )
    issue_by_another = models.BooleanField("issued by another person than the assessor", default=False)
    accepts = models.ManyToManyField(Category, through="AcceptedCategory", related_name="accepted_by")
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["category", "number"], name="standard_version_number_once_per_category"
            ),
            models.UniqueConstraint(
                fields=["category", "in_force_from"],
                name="one_standard_version_per_start_day",
                violation_error_message="Another version of this standard starts on that day.",
            ),
            models.CheckConstraint(condition=Q(months__gte=1), name="ticket_period_is_at_least_a_month"),
            models.CheckConstraint(
                condition=Q(pass_mark__gt=0, pass_mark__lte=1), name="pass_mark_is_a_share"
            ),
            models.CheckConstraint(
                condition=Q(period_end__in=["anniversary", "day_before", "month_end"]),
                name="period_end_is_known",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.category} standard, version {self.number}"


class AcceptedCategory(Kept):
    """Explicit cover: a ticket for ``category`` also covers this standard's machines. Never passed on."""

    version = models.ForeignKey(StandardVersion, on_delete=models.PROTECT, related_name="accepted")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "category"], name="category_accepted_once"),
        ]

    def __str__(self) -> str:
        return f"{self.version_id} accepts {self.category_id}"


class Requirement(Kept):
    """One line of a standard."""

    class Kind(models.TextChoices):
        PRACTICAL = "practical", "Practical assessment"
        PAPER = "paper", "Question paper"
        TRAINING_HOURS = "training_hours", "Training hours"
        SUPERVISED_HOURS = "supervised_hours", "Supervised hours"
        MEDICAL = "medical", "Medical"
        INDUCTION = "induction", "Site induction"
        FAMILIARISATION = "familiarisation", "Familiarisation"
        REFRESHER = "refresher", "Refresher"
        RECALL = "recall", "Refresher questions"

    version = models.ForeignKey(StandardVersion, on_delete=models.PROTECT, related_name="requirements")
    kind = models.CharField(max_length=16, choices=Kind)
    title = models.CharField(max_length=120)
    detail = models.TextField(blank=True)
    months = models.PositiveSmallIntegerField("counts for, months", null=True, blank=True)
    hours = models.DecimalField("hours needed", max_digits=6, decimal_places=2, null=True, blank=True)
    recall_level = models.DecimalField(
        "recall needed",
        max_digits=4,
        decimal_places=3,
        null=True,
        blank=True,
        validators=[MinValueValidator(LEAST_RECALL), MaxValueValidator(MOST_RECALL)],
    )
    source = models.CharField(max_length=200, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "kind"], name="requirement_kind_once_per_version"),
            models.CheckConstraint(
                condition=Q(months__isnull=True) | Q(months__gte=1), name="requirement_months_at_least_one"
            ),
            models.CheckConstraint(
                # Stated twice over: to a database, hours that are not there are not "not above nought".
                condition=~Q(kind__in=["training_hours", "supervised_hours"])
                | Q(hours__isnull=False, hours__gt=0),
                name="hours_requirement_states_hours",
                violation_error_message="Say how many hours are needed.",
            ),
            models.CheckConstraint(
                condition=Q(
                    kind="recall",
                    recall_level__isnull=False,
                    recall_level__gte=LEAST_RECALL,
                    recall_level__lte=MOST_RECALL,
                )
                | (~Q(kind="recall") & Q(recall_level__isnull=True)),
                name="recall_requirement_states_its_level",
                violation_error_message="Refresher questions, and nothing else, state the recall needed: "
                "from 50 to 95 per cent.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.version_id}: {self.title}"

    @property
    def recall_per_cent(self) -> Decimal | None:
        return None if self.recall_level is None else self.recall_level * 100
