"""Questions: what is asked, what is right, and where the answer comes from."""

from django.db import models
from django.db.models import Q

from competence.models import Account
from competence.models.base import Kept
from competence.models.plant import CODE


class Topic(Kept):
    """What questions, and the points of checklists, are about; a point names its topic by ``code``."""

    code = models.CharField(max_length=40, unique=True, validators=[CODE])
    name = models.CharField(max_length=80)
    about = models.CharField(max_length=300)

    def __str__(self) -> str:
        return self.name


class Question(models.Model):
    """One question through all its versions: retired when it is no longer to be asked, and never deleted."""

    code = models.CharField(max_length=60, unique=True, validators=[CODE])
    topic = models.ForeignKey(Topic, on_delete=models.PROTECT, related_name="questions")
    retired_at = models.DateTimeField(null=True, blank=True)
    retired_why = models.CharField("why it was retired", max_length=300, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(retired_at__isnull=True, retired_why="")
                | (Q(retired_at__isnull=False) & ~Q(retired_why="")),
                name="retired_question_says_why",
            ),
        ]

    def __str__(self) -> str:
        return self.code


class QuestionVersion(Kept):
    """What a question says. A change is a new version; one is drawn once somebody else has reviewed it."""

    class Kind(models.TextChoices):
        ONE = "one", "One right choice"
        SEVERAL = "several", "Several right choices"
        ORDER = "order", "Put in order"
        NUMBER = "number", "A number"
        PICTURE = "picture", "Read a drawn picture"

    question = models.ForeignKey(Question, on_delete=models.PROTECT, related_name="versions")
    number = models.PositiveSmallIntegerField()
    kind = models.CharField(max_length=8, choices=Kind)
    # Codes of the categories that it is asked of; none means every one.
    categories = models.JSONField(default=list, blank=True)
    is_critical = models.BooleanField("getting it wrong can kill", default=False)
    scenario = models.TextField("the situation")
    ask = models.CharField("the question", max_length=300)
    # By kind: {"choices": [{"text", "right", "why"}]}, {"steps": [...]}, {"answer", "tolerance", "unit"}, {}.
    content = models.JSONField(default=dict, blank=True)
    # The kind of drawn picture, and which of its parameters are held fixed.
    picture = models.CharField(max_length=20, blank=True)
    picture_fixed = models.JSONField(default=dict, blank=True)
    explanation = models.TextField()
    source = models.CharField("where the answer comes from", max_length=200)
    # None: it came with the register.
    author = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    recorded_at = models.DateTimeField()

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["question", "number"], name="question_version_number_once"),
            models.CheckConstraint(
                condition=Q(kind__in=["one", "several", "order", "number", "picture"]),
                name="question_kind_is_known",
            ),
            models.CheckConstraint(
                condition=~Q(kind="picture") | ~Q(picture=""),
                name="picture_question_names_its_picture",
                violation_error_message="Say which picture is to be drawn.",
            ),
            models.CheckConstraint(
                condition=~Q(explanation="") & ~Q(source=""),
                name="question_explains_and_says_its_source",
                violation_error_message="A question explains its answer and says where it comes from.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.question_id}, version {self.number}"


class QuestionReview(Kept):
    """Somebody other than its author has read a version, and it may be asked."""

    version = models.OneToOneField(QuestionVersion, on_delete=models.PROTECT, related_name="review")
    reviewed_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    reviewed_at = models.DateTimeField()
    remark = models.CharField(max_length=300, blank=True)

    def __str__(self) -> str:
        return f"{self.version_id} reviewed by {self.reviewed_by_id}"
