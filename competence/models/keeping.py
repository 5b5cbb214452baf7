"""The firm's own rules of keeping, and what was erased: which rows, by whom, under which rule and why."""

from django.db import models
from django.db.models import Q

from .accounts import Account
from .base import Kept
from .people import Operator, Site


class KeepingRule(Kept):
    """For how many months the firm keeps a kind of record beyond what the law asks. Of rules for one kind,
    place and anchor the newest counts; one of no months ends those before it."""

    # A ``RecordKind`` and an ``Anchor`` of the rule of keeping.
    kind = models.CharField("kind of record", max_length=12)
    # None: at every site.
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    anchor = models.CharField("counted from", max_length=6)
    months = models.PositiveSmallIntegerField()
    source = models.CharField("where the rule stands", max_length=200)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(months__lte=1200),
                name="keeping_rule_is_within_a_century",
                violation_error_message="A hundred years, which is 1200 months, is the most.",
            ),
            models.CheckConstraint(
                condition=Q(anchor__in=["made", "left", "closed"]),
                name="keeping_rule_counts_from_a_known_day",
            ),
            models.CheckConstraint(condition=~Q(source=""), name="keeping_rule_says_where_it_stands"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} for {self.months} months from {self.anchor}, {self.site_id or 'every site'}"


class Erasure(Kept):
    """One act of erasing: of everything that a person's rows hold of them, or of one row's own words or
    picture. ``ground``: to which day each kind was kept, and by which rule, as it stood then."""

    class Kind(models.TextChoices):
        PERSON = "person", "A person"
        RECORD = "record", "One record"

    at = models.DateTimeField()
    by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    kind = models.CharField(max_length=6, choices=Kind)
    operator = models.ForeignKey(
        Operator, on_delete=models.PROTECT, null=True, blank=True, related_name="erasures"
    )
    account = models.ForeignKey(
        Account, on_delete=models.PROTECT, null=True, blank=True, related_name="erasures"
    )
    why = models.CharField(max_length=300)
    ground = models.JSONField(default=list)

    class Meta:
        constraints = [
            models.CheckConstraint(condition=~Q(why=""), name="erasure_says_why"),
            models.CheckConstraint(
                condition=Q(kind="record")
                | Q(kind="person") & (Q(operator__isnull=False) | Q(account__isnull=False)),
                name="erasure_is_of_somebody_or_of_one_record",
            ),
        ]

    def __str__(self) -> str:
        return f"erasure {self.pk}"


class ErasedRow(Kept):
    """A row that an erasure overwrote: which of its columns, and how many images of it in the journal lost
    their content. Without one of these, an image without content is an alteration.

    ``left_as``, of an entry of the journal whose reason was erased: SHA-256 of the entry as it was left, so
    that the rest of it still cannot be altered.
    """

    erasure = models.ForeignKey(Erasure, on_delete=models.PROTECT, related_name="rows")
    kind = models.CharField(max_length=60)
    key = models.CharField(max_length=40)
    columns = models.JSONField(default=list)
    images = models.PositiveIntegerField()
    left_as = models.CharField(max_length=64, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["erasure", "kind", "key"], name="row_erased_once_in_an_erasure"),
        ]
        indexes = [models.Index(fields=["kind", "key"], name="erased_row_by_row")]

    def __str__(self) -> str:
        return f"{self.kind} {self.key} in erasure {self.erasure_id}"
