"""Checklists: what to look at on a category of machine, in which order, and what good looks like."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from .base import Kept
from .plant import CODE, Category, Feature


class Point(Kept):
    """One thing to check, written once and listed by many checklists. A change is a new revision."""

    code = models.CharField(max_length=60, validators=[CODE])
    revision = models.PositiveSmallIntegerField(default=1)
    title = models.CharField(max_length=80)
    method = models.TextField()
    good = models.TextField("what good looks like")
    caution = models.TextField(blank=True)
    is_critical = models.BooleanField("a defect stops use", default=False)
    stop_use_when = models.TextField("stop use when", blank=True)
    weight = models.PositiveSmallIntegerField(
        default=1, validators=[MinValueValidator(1), MaxValueValidator(3)]
    )
    feature = models.ForeignKey(Feature, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    topic = models.CharField(max_length=40)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["code", "revision"], name="point_revision_once"),
            models.CheckConstraint(condition=Q(weight__range=(1, 3)), name="point_weighs_one_to_three"),
        ]

    def __str__(self) -> str:
        return f"{self.title} ({self.code}, revision {self.revision})"


class ChecklistVersion(Kept):
    """One version of a category's checklist: in force from a date until a later one is."""

    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="checklist_versions")
    number = models.PositiveSmallIntegerField()
    in_force_from = models.DateField()
    recorded_at = models.DateTimeField()
    sources = models.JSONField(default=list)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["category", "number"], name="checklist_version_number_once"),
            models.UniqueConstraint(
                fields=["category", "in_force_from"], name="one_checklist_version_per_start_day"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.category} checklist, version {self.number}"


class ListedPoint(Kept):
    """A point in its place on one version of a checklist."""

    version = models.ForeignKey(ChecklistVersion, on_delete=models.PROTECT, related_name="listed")
    point = models.ForeignKey(Point, on_delete=models.PROTECT, related_name="+")
    position = models.PositiveSmallIntegerField()
    zone_code = models.CharField(max_length=40)
    zone_name = models.CharField(max_length=80)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "position"], name="listed_point_position_once"),
            models.UniqueConstraint(fields=["version", "point"], name="point_listed_once"),
        ]

    def __str__(self) -> str:
        return f"{self.version_id}.{self.position}"


class Precedence(Kept):
    """On one version: ``earlier`` before ``later``, and whether breaking that is a safety matter."""

    version = models.ForeignKey(ChecklistVersion, on_delete=models.PROTECT, related_name="precedences")
    earlier = models.ForeignKey(ListedPoint, on_delete=models.PROTECT, related_name="+")
    later = models.ForeignKey(ListedPoint, on_delete=models.PROTECT, related_name="+")
    is_safety = models.BooleanField()
    why = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["earlier", "later"], name="precedence_once"),
            models.CheckConstraint(condition=~Q(earlier=F("later")), name="precedence_joins_two_points"),
        ]

    def __str__(self) -> str:
        return f"{self.earlier_id} before {self.later_id}"
