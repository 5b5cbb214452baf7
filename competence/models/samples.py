"""The auditor's samples: what was drawn from what, what was found, and what it came to."""

from django.db import models
from django.db.models import F, Q

from .accounts import Account
from .base import Kept
from .people import Site
from .plant import Category


class Sample(Kept):
    """One draw, with the whole population that it was drawn from, as the register knew it at the draw.

    Nothing of it ever changes: another draw is another sample, and every draw stays in the list.
    """

    class Basis(models.TextChoices):
        RATE = "rate", "A tolerable rate of faults"
        PLAN = "plan", "A plan of ISO 2859-1"

    # Which population: the code of one of ``queries.sample_populations.POPULATIONS``.
    of = models.CharField(max_length=20)
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    # Of a state, the moment asked about; of what happened, the first moment and the first one after it.
    at = models.DateTimeField(null=True, blank=True)
    first_moment = models.DateTimeField(null=True, blank=True)
    before = models.DateTimeField(null=True, blank=True)
    basis = models.CharField(max_length=4, choices=Basis)
    confidence = models.DecimalField(max_digits=4, decimal_places=3)
    rate = models.DecimalField("tolerable rate", max_digits=6, decimal_places=5, null=True, blank=True)
    level = models.DecimalField(
        "acceptable quality limit, %", max_digits=3, decimal_places=1, null=True, blank=True
    )
    letter = models.CharField("code letter", max_length=2, blank=True)
    allowed = models.PositiveSmallIntegerField("faults allowed in the sample")
    is_by_site = models.BooleanField("each site by itself", default=False)
    seed = models.CharField(max_length=64)
    size = models.PositiveIntegerField()
    population_size = models.PositiveIntegerField()
    # Every key of the population, sorted, by the name of its site.
    population = models.JSONField()
    drawn_at = models.DateTimeField()
    drawn_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(size__gte=1, size__lte=F("population_size")),
                name="sample_is_within_its_population",
                violation_error_message="A sample is no larger than what it is drawn from.",
            ),
            models.CheckConstraint(
                condition=Q(confidence__gte="0.5", confidence__lte="0.999"),
                name="sample_confidence_is_between_half_and_all",
            ),
            models.CheckConstraint(
                # To a database a missing rate is not "out of range", so that it is there is said too.
                condition=Q(
                    basis="rate", rate__isnull=False, rate__gt=0, rate__lt=1, level__isnull=True, letter=""
                )
                | (Q(basis="plan", rate__isnull=True, level__isnull=False, level__gt=0) & ~Q(letter="")),
                name="sample_says_what_its_size_rests_on",
            ),
            models.CheckConstraint(
                condition=Q(at__isnull=False, first_moment__isnull=True, before__isnull=True)
                | Q(
                    at__isnull=True,
                    first_moment__isnull=False,
                    before__isnull=False,
                    before__gt=F("first_moment"),
                ),
                name="sample_is_of_a_moment_or_a_time",
            ),
            models.CheckConstraint(condition=~Q(seed=""), name="sample_states_its_seed"),
        ]

    def __str__(self) -> str:
        return f"sample {self.pk}"


class SampledItem(Kept):
    """One record that was drawn: its key in the population, what it is, and the record that shows it."""

    sample = models.ForeignKey(Sample, on_delete=models.PROTECT, related_name="items")
    position = models.PositiveIntegerField()
    key = models.CharField(max_length=60)
    stratum = models.CharField("site", max_length=120, blank=True)
    words = models.CharField("what it is", max_length=300)
    # What names the record's page: a number, or an id.
    about = models.CharField(max_length=60)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["sample", "key"], name="record_drawn_once_per_sample"),
            models.UniqueConstraint(fields=["sample", "position"], name="one_record_per_place_of_a_sample"),
        ]

    def __str__(self) -> str:
        return f"{self.position} of sample {self.sample_id}"


class SampleVerdict(Kept):
    """What the auditor found of one record drawn. Only ever added: the last one counts."""

    class Found(models.TextChoices):
        MET = "met", "Met"
        FAULT = "fault", "Fault"
        CANNOT_TELL = "cannot_tell", "Cannot tell"

    item = models.ForeignKey(SampledItem, on_delete=models.PROTECT, related_name="verdicts")
    found = models.CharField(max_length=11, choices=Found)
    note = models.CharField(max_length=500, blank=True)
    at = models.DateTimeField()
    by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(found="met") | (Q(found__in=["fault", "cannot_tell"]) & ~Q(note="")),
                name="sample_verdict_says_what_is_wrong",
                violation_error_message="Say what the fault is, or why it cannot be told.",
            )
        ]

    def __str__(self) -> str:
        return f"{self.get_found_display()}, item {self.item_id}"


class SampleResult(Kept):
    """What a sample came to when it was closed; no verdict is added after."""

    sample = models.OneToOneField(Sample, on_delete=models.PROTECT, related_name="result")
    met = models.PositiveIntegerField()
    fault = models.PositiveIntegerField()
    cannot_tell = models.PositiveIntegerField()
    unanswered = models.PositiveIntegerField()
    # As it was read on that day, word for word.
    headline = models.TextField()
    sentences = models.JSONField()
    remarks = models.TextField(max_length=2000, blank=True)
    closed_at = models.DateTimeField()
    closed_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(headline=""), name="sample_result_says_what_it_shows")
        ]

    def __str__(self) -> str:
        return f"result of sample {self.sample_id}"
