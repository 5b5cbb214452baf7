"""Sittings: one person's attempt at a paper, or a refresher, and every answer given in it."""

import uuid

from django.db import models
from django.db.models import Q

from competence.models import Category, Evidence, Operator
from competence.models.base import Kept

from .papers import PaperVersion
from .questions import QuestionVersion


class Sitting(models.Model):
    """Questions drawn for one operator from a seed. A paper has an end, by the server's clock; a refresher
    is left and taken up again at will."""

    class Kind(models.TextChoices):
        PAPER = "paper", "Question paper"
        REFRESHER = "refresher", "Refresher"

    class Status(models.TextChoices):
        OPEN = "open", "Open"
        FINISHED = "finished", "Finished"

    # Made by the page that started it, so that a start sent twice is one sitting.
    id = models.UUIDField(primary_key=True, default=uuid.uuid4)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="sittings")
    kind = models.CharField(max_length=9, choices=Kind)
    paper = models.ForeignKey(
        PaperVersion, on_delete=models.PROTECT, null=True, blank=True, related_name="sittings"
    )
    category = models.ForeignKey(
        Category, on_delete=models.PROTECT, null=True, blank=True, related_name="sittings"
    )
    seed = models.BigIntegerField()
    status = models.CharField(max_length=8, choices=Status, default=Status.OPEN)
    started_at = models.DateTimeField()
    ends_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    # What the answers amount to, with what made it: the outcome's plain form.
    outcome = models.JSONField(null=True, blank=True)
    is_passed = models.BooleanField("passed", null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["operator"],
                condition=Q(status="open"),
                name="one_open_sitting_per_operator",
                violation_error_message="A sitting is open already; finish that one first.",
            ),
            models.CheckConstraint(
                condition=Q(kind="paper", paper__isnull=False, category__isnull=False, ends_at__isnull=False)
                | Q(kind="refresher", paper__isnull=True, category__isnull=True, ends_at__isnull=True),
                name="paper_sitting_has_its_paper_and_its_end",
            ),
            models.CheckConstraint(
                condition=Q(
                    status="open", finished_at__isnull=True, outcome__isnull=True, is_passed__isnull=True
                )
                | Q(
                    status="finished",
                    finished_at__isnull=False,
                    outcome__isnull=False,
                    is_passed__isnull=False,
                ),
                name="finished_sitting_has_its_outcome",
            ),
        ]
        indexes = [
            models.Index(fields=["operator", "started_at"], name="sitting_of_operator"),
            models.Index(fields=["started_at"], name="sitting_in_time"),
        ]

    def __str__(self) -> str:
        return f"{self.id}"

    @property
    def number(self) -> str:
        """What people call it by: the first eight characters of its id."""
        return str(self.id)[:8].upper()


class DrawnQuestion(Kept):
    """A question in its place in a sitting, as it is shown there: its choices' order, its picture."""

    sitting = models.ForeignKey(Sitting, on_delete=models.PROTECT, related_name="drawn")
    position = models.PositiveSmallIntegerField()
    version = models.ForeignKey(QuestionVersion, on_delete=models.PROTECT, related_name="drawn")
    # {"order": [...]}: places in the content, as shown; {"parameters": {...}}: of the picture.
    shown = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["sitting", "position"], name="drawn_question_position_once"),
            models.UniqueConstraint(
                fields=["sitting", "version"],
                name="question_drawn_once_in_a_sitting",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.sitting_id}.{self.position}"


class Answer(Kept):
    """One response to one question. The last that came in time counts; all are kept."""

    drawn = models.ForeignKey(DrawnQuestion, on_delete=models.PROTECT, related_name="answers")
    # {"choice": n or key}, {"choices": [...]}, {"order": [...]}, {"number": "as typed"}.
    given = models.JSONField()
    is_right = models.BooleanField()
    is_late = models.BooleanField("came after the end", default=False)
    # Time that the question was on the screen, as the page told it.
    seconds = models.PositiveIntegerField(null=True, blank=True)
    sent_as = models.UUIDField(unique=True)
    answered_at = models.DateTimeField()

    class Meta:
        indexes = [models.Index(fields=["drawn", "id"], name="answers_in_order")]

    def __str__(self) -> str:
        return f"{self.drawn_id}: {'right' if self.is_right else 'wrong'}"


class SittingEvidence(Kept):
    """The evidence that a finished sitting wrote: of the paper, or of recall for one category."""

    sitting = models.ForeignKey(Sitting, on_delete=models.PROTECT, related_name="written")
    evidence = models.OneToOneField(Evidence, on_delete=models.PROTECT, related_name="sitting")

    def __str__(self) -> str:
        return f"{self.sitting_id} wrote {self.evidence_id}"
