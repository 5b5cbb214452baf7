"""Categories, machines and the features fitted to them."""

from django.core.validators import RegexValidator
from django.db import models
from django.db.models import F, Q

from .base import Kept
from .people import NUMBER, Site

CODE = RegexValidator(r"^[a-z0-9]+(-[a-z0-9]+)*$", "Use small letters, digits and single hyphens.")


class Category(models.Model):
    """A kind of machine, on the family terms of ISO 6165, bounded where it matters."""

    code = models.CharField(max_length=40, unique=True, validators=[CODE])
    name = models.CharField(max_length=80, unique=True)
    family = models.CharField("ISO 6165 family", max_length=60)
    description = models.TextField()
    trade_names = models.CharField(max_length=200, blank=True)
    min_mass_kg = models.PositiveIntegerField("operating mass from, kg", null=True, blank=True)
    max_mass_kg = models.PositiveIntegerField("operating mass to, kg", null=True, blank=True)
    source = models.CharField(max_length=300, blank=True)

    class Meta:
        verbose_name_plural = "categories"
        constraints = [
            models.CheckConstraint(
                condition=Q(min_mass_kg__isnull=True)
                | Q(max_mass_kg__isnull=True)
                | Q(min_mass_kg__lte=F("max_mass_kg")),
                name="category_mass_bounds_in_order",
                violation_error_message="The lower operating mass is above the upper one.",
            )
        ]

    def __str__(self) -> str:
        return self.name


class Feature(models.Model):
    """Something a machine may have; it decides which points apply and what a ticket's conditions see."""

    class Kind(models.TextChoices):
        FITTED = "fitted", "Fitted to the machine"
        ATTACHMENT = "attachment", "Attachment"

    code = models.CharField(max_length=40, unique=True, validators=[CODE])
    name = models.CharField(max_length=80, unique=True)
    kind = models.CharField(max_length=10, choices=Kind)
    description = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(kind__in=["fitted", "attachment"]), name="feature_is_fitted_or_attachment"
            )
        ]

    def __str__(self) -> str:
        return self.name


class MachineQuerySet(models.QuerySet):
    def with_state(self) -> "MachineQuerySet":
        return self.select_related("state__site", "state__category")

    def at_sites(self, site_ids: "frozenset[int] | None") -> "MachineQuerySet":
        """Those standing at one of ``site_ids``; ``None`` means every site."""
        return self if site_ids is None else self.filter(state__site_id__in=site_ids)


class Machine(models.Model):
    """One physical machine, known by its fleet number."""

    fleet_number = models.CharField(max_length=20, unique=True, validators=[NUMBER])
    serial_number = models.CharField(max_length=60, blank=True)
    # The newest row of ``states``; a pointer, so that lists need not search for it.
    state = models.OneToOneField("MachineState", on_delete=models.PROTECT, null=True, related_name="+")

    objects = MachineQuerySet.as_manager()

    def __str__(self) -> str:
        return self.fleet_number

    @property
    def site(self) -> Site:
        return self.state.site


class MachineState(Kept):
    """What a machine is and where it stands from a moment on, as recorded at a moment."""

    machine = models.ForeignKey(Machine, on_delete=models.PROTECT, related_name="states")
    effective_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    make_and_model = models.CharField(max_length=120)
    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+")
    operating_mass_kg = models.PositiveIntegerField("operating mass, kg", null=True, blank=True)
    is_in_service = models.BooleanField(default=True)
    features = models.ManyToManyField(Feature, through="FittedFeature", related_name="+")
    reason = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(effective_at__lte=F("recorded_at")), name="machine_state_is_not_foretold"
            )
        ]
        indexes = [models.Index(fields=["machine", "effective_at"], name="machine_state_in_time")]

    def __str__(self) -> str:
        return f"{self.machine_id} from {self.effective_at:%Y-%m-%d %H:%M}"


class FittedFeature(Kept):
    """A feature that a machine has while one state of it lasts."""

    state = models.ForeignKey(MachineState, on_delete=models.PROTECT, related_name="fitted")
    feature = models.ForeignKey(Feature, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["state", "feature"], name="feature_fitted_once"),
        ]

    def __str__(self) -> str:
        return f"{self.state_id}: {self.feature_id}"
