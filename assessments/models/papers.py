"""Papers: how many questions of which topic, what must be right, and how a panel set the cut."""

from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import F, Q

from competence.models import Account, Category, Operator
from competence.models.base import Kept

from .questions import QuestionVersion, Topic


class Panel(models.Model):
    """Judges who say, question by question, what share of barely competent operators would get it right."""

    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="panels")
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    closed_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=300, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["category"],
                condition=Q(closed_at__isnull=True),
                name="one_open_panel_per_category",
                violation_error_message="A panel for this category is open already.",
            ),
        ]

    def __str__(self) -> str:
        return f"Panel {self.pk} for {self.category_id}"


class PanelQuestion(Kept):
    """A question that a panel rates, as it read when the panel was opened."""

    panel = models.ForeignKey(Panel, on_delete=models.PROTECT, related_name="questions")
    version = models.ForeignKey(QuestionVersion, on_delete=models.PROTECT, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["panel", "version"], name="panel_rates_a_question_once"),
        ]

    def __str__(self) -> str:
        return f"{self.panel_id}: {self.version_id}"


class PanelRating(Kept):
    """One judge's rating of one question. A judge may think again: the newest counts, all are kept."""

    question = models.ForeignKey(PanelQuestion, on_delete=models.PROTECT, related_name="ratings")
    judge = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    share = models.DecimalField(
        "share of barely competent operators who would get it right",
        max_digits=3,
        decimal_places=2,
        validators=[MinValueValidator(0), MaxValueValidator(1)],
    )
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.CheckConstraint(condition=Q(share__range=(0, 1)), name="panel_rating_is_a_share"),
        ]
        indexes = [models.Index(fields=["question", "judge"], name="rating_of_judge")]

    def __str__(self) -> str:
        return f"{self.question_id} by {self.judge_id}: {self.share}"


class PaperVersion(Kept):
    """One version of a category's question paper: in force from a date until a later one is, never edited."""

    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="paper_versions")
    number = models.PositiveSmallIntegerField()
    in_force_from = models.DateField()
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    minutes = models.PositiveSmallIntegerField("time allowed, minutes")
    cut = models.PositiveSmallIntegerField("right answers needed")
    # Where no panel set the cut, or it is not what the panel came to.
    cut_why = models.CharField("why this cut", max_length=300, blank=True)
    panel = models.ForeignKey(Panel, on_delete=models.PROTECT, null=True, blank=True, related_name="papers")
    attempts = models.PositiveSmallIntegerField("attempts before a trainer is asked")
    wait_days = models.PositiveSmallIntegerField("whole days between attempts")
    note = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["category", "number"], name="paper_version_number_once"),
            models.UniqueConstraint(
                fields=["category", "in_force_from"],
                name="one_paper_version_per_start_day",
                violation_error_message="Another version of this paper starts on that day.",
            ),
            models.CheckConstraint(
                condition=Q(minutes__gte=1, attempts__gte=1, cut__gte=1),
                name="paper_allows_time_and_an_attempt",
            ),
            models.CheckConstraint(
                condition=Q(panel__isnull=False) | ~Q(cut_why=""),
                name="cut_comes_from_a_panel_or_says_why",
                violation_error_message="Say where the cut comes from, or let a panel set it.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.category} paper, version {self.number}"


class BlueprintLine(Kept):
    """How many questions of one topic a paper asks. Where some must be right, the topic is critical."""

    version = models.ForeignKey(PaperVersion, on_delete=models.PROTECT, related_name="lines")
    topic = models.ForeignKey(Topic, on_delete=models.PROTECT, related_name="+")
    questions = models.PositiveSmallIntegerField()
    must_be_right = models.PositiveSmallIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["version", "topic"], name="blueprint_names_a_topic_once"),
            models.CheckConstraint(
                condition=Q(questions__gte=1, must_be_right__lte=F("questions")),
                name="blueprint_asks_no_more_right_than_questions",
                violation_error_message="No more can be right than are asked.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.version_id}: {self.questions} of {self.topic_id}"

    @property
    def is_critical(self) -> bool:
        return self.must_be_right > 0


class MoreAttempts(Kept):
    """A trainer lets somebody who used up their attempts sit a category's paper again, and says why."""

    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, related_name="+")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, related_name="+")
    reason = models.CharField("what was done since", max_length=300)
    recorded_at = models.DateTimeField()
    recorded_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")

    class Meta:
        verbose_name_plural = "more attempts"
        constraints = [models.CheckConstraint(condition=~Q(reason=""), name="more_attempts_say_why")]

    def __str__(self) -> str:
        return f"{self.operator_id}, {self.category_id}: {self.reason}"
