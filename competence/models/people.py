"""Operators, the firms that employ them, and the sites where they work."""

from zoneinfo import available_timezones

from django.core.exceptions import ValidationError
from django.core.validators import MaxValueValidator, MinValueValidator, RegexValidator
from django.db import models
from django.db.models import F, Q

from .base import Kept

NUMBER = RegexValidator(
    r"^[A-Z0-9][A-Z0-9-]{0,19}$",
    "Use capital letters, digits and hyphens only, at most 20.",
)


def validate_zone(value: str) -> None:
    if value not in available_timezones():
        raise ValidationError(f"{value} is not a time zone of the IANA database, such as Europe/London.")


class Employer(models.Model):
    """The firm that employs operators."""

    name = models.CharField(max_length=120, unique=True)

    def __str__(self) -> str:
        return self.name


class Site(models.Model):
    """A place with its own time zone, induction and minimum cover."""

    code = models.CharField(max_length=20, unique=True, validators=[NUMBER])
    name = models.CharField(max_length=120, unique=True)
    zone = models.CharField("time zone", max_length=64, validators=[validate_zone])
    latitude = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(-90), MaxValueValidator(90)]
    )
    longitude = models.FloatField(
        null=True, blank=True, validators=[MinValueValidator(-180), MaxValueValidator(180)]
    )

    class Meta:
        constraints = [
            models.CheckConstraint(
                # To a database a missing half is not "out of range", so that it is there is said too.
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(
                    latitude__isnull=False,
                    longitude__isnull=False,
                    latitude__range=(-90, 90),
                    longitude__range=(-180, 180),
                ),
                name="site_place_is_whole_and_on_earth",
                violation_error_message="Give both latitude (-90 to 90) and longitude (-180 to 180), "
                "or neither.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.name} ({self.code})"


class MinimumCover(models.Model):
    """How many authorised operators a site needs for a category, every day."""

    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="minimum_cover")
    category = models.ForeignKey("Category", on_delete=models.PROTECT, related_name="minimum_cover")
    operators = models.PositiveSmallIntegerField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["site", "category"], name="one_minimum_per_site_and_category"),
            models.CheckConstraint(condition=Q(operators__gte=1), name="minimum_cover_is_at_least_one"),
        ]

    def __str__(self) -> str:
        return f"{self.site.code}: {self.operators} for {self.category.code}"


class OperatorQuerySet(models.QuerySet):
    def with_state(self) -> "OperatorQuerySet":
        return self.select_related("state__site", "state__employer")

    def at_sites(self, site_ids: "frozenset[int] | None") -> "OperatorQuerySet":
        """Those whose home site is among ``site_ids``; ``None`` means every site."""
        return self if site_ids is None else self.filter(state__site_id__in=site_ids)


class Operator(models.Model):
    """A person who operates plant, known on screen by their operator number."""

    number = models.CharField("operator number", max_length=20, unique=True, validators=[NUMBER])
    given_name = models.CharField(max_length=80)
    family_name = models.CharField(max_length=80)
    started_on = models.DateField(help_text="First day at work; the first refresher falls due from here.")
    # The newest row of ``states``; a pointer, so that lists need not search for it.
    state = models.OneToOneField("OperatorState", on_delete=models.PROTECT, null=True, related_name="+")

    objects = OperatorQuerySet.as_manager()

    class Meta:
        indexes = [models.Index(fields=["family_name", "given_name"], name="operator_by_name")]

    def __str__(self) -> str:
        return f"{self.name} ({self.number})"

    @property
    def name(self) -> str:
        return f"{self.given_name} {self.family_name}"

    @property
    def site(self) -> Site:
        return self.state.site


class OperatorState(Kept):
    """Where an operator belongs from a moment on, as recorded at a moment."""

    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="states")
    effective_at = models.DateTimeField()
    recorded_at = models.DateTimeField()
    is_active = models.BooleanField()
    employer = models.ForeignKey(Employer, on_delete=models.PROTECT, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, related_name="+", verbose_name="home site")
    reason = models.CharField(max_length=300)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(effective_at__lte=F("recorded_at")), name="operator_state_is_not_foretold"
            )
        ]
        indexes = [models.Index(fields=["operator", "effective_at"], name="operator_state_in_time")]

    def __str__(self) -> str:
        return f"{self.operator_id} from {self.effective_at:%Y-%m-%d %H:%M}"
