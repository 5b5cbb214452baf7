"""Questions: written, revised, reviewed by somebody else, and retired when they are no longer to be asked."""

from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from assessments.models import Question, QuestionReview, QuestionVersion, Topic
from assessments.rules.wording import faults_of_question
from competence.actions.clock import now
from competence.actions.errors import SAYS_SO_ALREADY, ActionRefused
from competence.actions.journal import record
from competence.models import Account, Category
from competence.permissions import Right, require_everywhere

WORDING = (
    "kind",
    "categories",
    "is_critical",
    "scenario",
    "ask",
    "content",
    "picture",
    "picture_fixed",
    "explanation",
    "source",
)


@transaction.atomic
def write_question(*, by: Account, topic: Topic, code: str, **wording: Any) -> QuestionVersion:
    """A new question with its first version, which somebody else has to review before it is asked.

    ``wording``: the names of ``WORDING``.
    """
    require_everywhere(by, Right.KEEP_QUESTIONS)
    question = Question(code=code, topic=topic)
    _refuse_code(question)
    question.full_clean()
    # Whole before anything is kept: the first version is checked without its question's row.
    version = QuestionVersion(question=question, number=1, author=by, recorded_at=now(), **wording)
    refuse_faults(version)
    question.save()
    version.question = question
    version.save()
    record(by=by, action="question.written", rows=[question, version])
    return version


@transaction.atomic
def revise_question(*, by: Account, question: Question, **wording: Any) -> QuestionVersion:
    """The next version of a question; the one in use is asked until somebody else has reviewed this one."""
    require_everywhere(by, Right.KEEP_QUESTIONS)
    question = _locked(question)
    latest = question.versions.order_by("-number").first()
    if latest is not None and all(getattr(latest, name) == wording.get(name) for name in WORDING):
        raise ActionRefused(SAYS_SO_ALREADY)
    number = latest.number + 1 if latest else 1
    version = QuestionVersion(question=question, number=number, author=by, recorded_at=now(), **wording)
    refuse_faults(version)
    version.save()
    record(by=by, action="question.revised", rows=[version])
    return version


@transaction.atomic
def review_version(*, by: Account, version: QuestionVersion, remark: str = "") -> QuestionReview:
    """Put the newest version into use, as somebody else than its author who read it."""
    require_everywhere(by, Right.KEEP_QUESTIONS)
    question = _locked(version.question)
    if version.author_id == by.pk:
        raise ActionRefused(
            "You wrote this version. Somebody else reads it before it is asked: another trainer for every "
            "site."
        )
    if QuestionReview.objects.filter(version=version).exists():
        raise ActionRefused("This version has been reviewed already, and is in use.")
    if question.versions.filter(number__gt=version.number).exists():
        raise ActionRefused("A newer version has been written since. Review that one.")
    refuse_faults(version)
    review = QuestionReview(version=version, reviewed_by=by, reviewed_at=now(), remark=remark)
    review.full_clean()
    review.save()
    record(by=by, action="question.reviewed", rows=[review], reason=remark)
    return review


@transaction.atomic
def retire_question(*, by: Account, question: Question, reason: str) -> Question:
    """Never ask it again. What it was drawn for stays as it was, and so does every answer to it."""
    require_everywhere(by, Right.KEEP_QUESTIONS)
    question = _locked(question)
    if not reason.strip():
        raise ActionRefused("Say why it is retired.", field="reason")
    question.retired_at, question.retired_why = now(), reason.strip()
    question.full_clean()
    question.save()
    record(by=by, action="question.retired", rows=[question], reason=question.retired_why)
    return question


def refuse_faults(version: QuestionVersion) -> None:
    """Refuse a version that could not be asked, each fault at its field; raises ``ValidationError``."""
    if faults := faults_in(version):
        raise ValidationError(faults)


def faults_in(version: QuestionVersion) -> dict[str, list[str]]:
    """What keeps a version, kept or not, from being asked: sentences by field; none where it is whole."""
    faults: dict[str, list[str]] = {}
    try:
        # Its question may not be kept yet; the database holds the rest.
        version.clean_fields(exclude=["question", "author", "recorded_at"])
    except ValidationError as invalid:
        faults = dict(invalid.message_dict)
    for field, fault in faults_of_question(
        version.kind, version.content, version.picture, version.picture_fixed
    ):
        faults.setdefault(field, []).append(fault)
    known = set(Category.objects.values_list("code", flat=True)) if version.categories else set()
    if unknown := sorted(set(version.categories) - known):
        faults.setdefault("categories", []).append(f"There is no category {', '.join(unknown)}.")
    return faults


def _refuse_code(question: Question) -> None:
    if not question.code.startswith(f"{question.topic.code}-"):
        raise ActionRefused(
            f"The code of a question begins with its topic’s: {question.topic.code}-…", field="code"
        )
    if Question.objects.filter(code=question.code).exists():
        raise ActionRefused(f"There is a question {question.code} already; name this apart.", field="code")


def _locked(question: Question) -> Question:
    """The question, for one writer at a time; refused where it is retired."""
    question = Question.objects.select_for_update().get(pk=question.pk)
    if question.retired_at is not None:
        raise ActionRefused(f"This question was retired: {question.retired_why} Write a new one instead.")
    return question
