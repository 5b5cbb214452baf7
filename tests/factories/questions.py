"""Questions in use, papers in force, panels and sittings."""

import uuid

import factory
from django.utils import timezone

from assessments.models import (
    Answer,
    BlueprintLine,
    DrawnQuestion,
    MoreAttempts,
    Panel,
    PanelQuestion,
    PanelRating,
    PaperVersion,
    Question,
    QuestionReview,
    QuestionVersion,
    Sitting,
    SittingEvidence,
    Topic,
)

from .accounts import AccountFactory
from .base import RowFactory, at_ago, day_ago
from .people import OperatorFactory
from .plant import CategoryFactory
from .standards import EvidenceFactory

CHOICES = [
    {"text": "Look under it", "right": True, "why": "Nobody is under it then."},
    {"text": "Sound the horn", "right": False, "why": "Not everybody hears it."},
    {"text": "Start the engine", "right": False, "why": "Somebody may be under it."},
]


class TopicFactory(RowFactory):
    class Meta:
        model = Topic
        django_get_or_create = ("code",)

    code = factory.Sequence(lambda n: f"topic-{n}")
    name = factory.LazyAttribute(lambda row: row.code.replace("-", " ").capitalize())
    about = "What people should know of it."


class QuestionFactory(RowFactory):
    class Meta:
        model = Question

    topic = factory.SubFactory(TopicFactory)
    code = factory.Sequence(lambda n: f"question-{n}")


class QuestionVersionFactory(RowFactory):
    """Reviewed, so that it may be drawn; ``review=None`` leaves that open. The first choice is right."""

    class Meta:
        model = QuestionVersion
        skip_postgeneration_save = True

    question = factory.SubFactory(QuestionFactory)
    number = 1
    kind = "one"
    scenario = "You come up to the machine, and a mate is nowhere to be seen."
    ask = "What do you do first?"
    content = factory.LazyFunction(lambda: {"choices": [dict(choice) for choice in CHOICES]})
    explanation = "A person under a machine cannot be seen from its seat."
    source = "common practice"
    author = factory.SubFactory(AccountFactory)
    recorded_at = at_ago(400)
    review = factory.RelatedFactory("tests.factories.questions.QuestionReviewFactory", "version")


class QuestionReviewFactory(RowFactory):
    class Meta:
        model = QuestionReview

    version = factory.SubFactory(QuestionVersionFactory, review=None)
    reviewed_by = factory.SubFactory(AccountFactory)
    reviewed_at = at_ago(399)


class PanelFactory(RowFactory):
    class Meta:
        model = Panel

    category = factory.SubFactory(CategoryFactory)
    opened_at = at_ago(100)
    opened_by = factory.SubFactory(AccountFactory)


class PanelQuestionFactory(RowFactory):
    class Meta:
        model = PanelQuestion

    panel = factory.SubFactory(PanelFactory)
    version = factory.SubFactory(QuestionVersionFactory)


class PanelRatingFactory(RowFactory):
    class Meta:
        model = PanelRating

    question = factory.SubFactory(PanelQuestionFactory)
    judge = factory.SubFactory(AccountFactory)
    share = "0.70"
    recorded_at = at_ago(99)


class PaperVersionFactory(RowFactory):
    """A paper in force. ``lines={topic: (questions, must_be_right)}`` says what it asks."""

    class Meta:
        model = PaperVersion
        skip_postgeneration_save = True

    category = factory.SubFactory(CategoryFactory)
    number = 1
    in_force_from = day_ago(365)
    recorded_at = at_ago(365)
    recorded_by = factory.SubFactory(AccountFactory)
    minutes = 30
    cut = 2
    cut_why = "Two in three, until a panel has met."
    attempts = 2
    wait_days = 1

    @factory.post_generation
    def lines(paper, create, lines, **kwargs):
        for topic, (questions, must_be_right) in (lines or {}).items():
            BlueprintLine.objects.create(
                version=paper, topic=topic, questions=questions, must_be_right=must_be_right
            )


class BlueprintLineFactory(RowFactory):
    class Meta:
        model = BlueprintLine

    version = factory.SubFactory(PaperVersionFactory)
    topic = factory.SubFactory(TopicFactory)
    questions = 2
    must_be_right = 1


class MoreAttemptsFactory(RowFactory):
    class Meta:
        model = MoreAttempts

    operator = factory.SubFactory(OperatorFactory)
    category = factory.SubFactory(CategoryFactory)
    reason = "An hour with the trainer on brakes."
    recorded_at = at_ago(0)
    recorded_by = factory.SubFactory(AccountFactory)


class SittingFactory(RowFactory):
    """Open, with nothing drawn; a refresher, or with ``is_paper`` of a paper. ``finished``: and passed."""

    class Meta:
        model = Sitting

    class Params:
        is_paper = factory.Trait(
            kind="paper",
            paper=factory.SubFactory(PaperVersionFactory),
            category=factory.LazyAttribute(lambda row: row.paper.category),
            ends_at=at_ago(-1),
        )
        finished = factory.Trait(
            status="finished",
            finished_at=factory.LazyFunction(timezone.now),
            outcome=factory.LazyFunction(lambda: {"right": 1, "asked": 1, "cut": 1, "topics": []}),
            is_passed=True,
        )

    operator = factory.SubFactory(OperatorFactory)
    kind = "refresher"
    seed = 7
    started_at = at_ago(0)


class DrawnQuestionFactory(RowFactory):
    class Meta:
        model = DrawnQuestion

    sitting = factory.SubFactory(SittingFactory)
    position = factory.Sequence(lambda n: n + 1)
    version = factory.SubFactory(QuestionVersionFactory)
    shown = factory.LazyFunction(lambda: {"order": [0, 1, 2]})


class AnswerFactory(RowFactory):
    class Meta:
        model = Answer

    drawn = factory.SubFactory(DrawnQuestionFactory)
    given = factory.LazyFunction(lambda: {"choice": 0})
    is_right = True
    sent_as = factory.LazyFunction(uuid.uuid4)
    answered_at = at_ago(0)


class SittingEvidenceFactory(RowFactory):
    class Meta:
        model = SittingEvidence

    sitting = factory.SubFactory(SittingFactory, is_paper=True, finished=True)
    evidence = factory.SubFactory(EvidenceFactory, kind="paper")
