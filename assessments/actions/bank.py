"""Taking a whole bank of questions into use at once: one entry in the journal for all that is new."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.core.exceptions import ValidationError
from django.db import transaction

from assessments.actions.questions import WORDING
from assessments.models import Question, QuestionReview, QuestionVersion, Topic
from assessments.rules.wording import faults_of_question
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, Category
from competence.permissions import Right, require_everywhere

# More faults than a person puts right in one go say no more than these.
MOST_FAULTS = 20


@dataclass(frozen=True)
class BankQuestion:
    """One question of a bank: ``wording`` by the names of ``WORDING``."""

    code: str
    topic: str
    wording: Mapping[str, Any]


@dataclass
class BankTaken:
    """What is new of a bank, and what was left alone and why."""

    topics: list[Topic] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    versions: list[QuestionVersion] = field(default_factory=list)
    left_alone: list[str] = field(default_factory=list)


@transaction.atomic
def load_bank(
    *, by: Account, topics: Iterable[Mapping[str, str]], questions: Iterable[BankQuestion]
) -> BankTaken:
    """Take a bank that came with the register into use, all of it or nothing.

    Its questions have no author here, and ``by``, who takes them into use, is their reviewer. A wording that
    the register has had in any version was loaded before, so a newer one is the firm's own and stands; so
    does a question that the firm revised or retired. Its rows are written in batches, never one by one.
    """
    require_everywhere(by, Right.KEEP_QUESTIONS)
    moment, taken = now(), BankTaken()
    questions = list(questions)
    by_topic = _topics(topics, taken)
    _refuse_faults(questions, by_topic)
    held = {question.code: question for question in Question.objects.select_for_update()}
    versions = _versions_by_question()
    for line in questions:
        question = held.get(line.code)
        if question is None:
            question = Question(code=line.code, topic=by_topic[line.topic])
            taken.questions.append(question)
            number: int | None = 1
        else:
            number = _next_number(question, versions[question.pk], line.wording, taken)
        if number is not None:
            taken.versions.append(
                QuestionVersion(question=question, number=number, recorded_at=moment, **line.wording)
            )
    _keep(by, taken, moment)
    return taken


def _topics(lines: Iterable[Mapping[str, str]], taken: BankTaken) -> dict[str, Topic]:
    """Every topic by code: those on the register as they are there, the others new."""
    held = {topic.code: topic for topic in Topic.objects.all()}
    for line in lines:
        if line["code"] not in held:
            topic = Topic(**line)
            topic.clean_fields()
            held[topic.code] = topic
            taken.topics.append(topic)
    return held


def _versions_by_question() -> dict[int, list[QuestionVersion]]:
    found: dict[int, list[QuestionVersion]] = defaultdict(list)
    for version in QuestionVersion.objects.order_by("number"):
        found[version.question_id].append(version)
    return found


def _next_number(
    question: Question, versions: list[QuestionVersion], wording: Mapping[str, Any], taken: BankTaken
) -> int | None:
    """The number of the version that this wording becomes; ``None`` where what is there stands."""
    if any(all(getattr(one, name) == wording[name] for name in WORDING) for one in versions):
        return None
    if question.retired_at is not None:
        taken.left_alone.append(f"The question {question.code}: it is retired.")
        return None
    if any(one.author_id is not None for one in versions):
        taken.left_alone.append(f"The question {question.code}: it was revised here.")
        return None
    return versions[-1].number + 1 if versions else 1


def _refuse_faults(questions: list[BankQuestion], topics: Mapping[str, Topic]) -> None:
    """Refuse a bank in which a question could not be asked, naming each."""
    categories = set(Category.objects.values_list("code", flat=True))
    seen: set[str] = set()
    faults: list[str] = []
    for line in questions:
        found = _faults_of_line(line, topics, categories)
        if line.code in seen:
            found.append("This code stands there twice.")
        seen.add(line.code)
        faults += [f"{line.code}: {fault}" for fault in found]
    if faults:
        more = [f"And {len(faults) - MOST_FAULTS} more."] if len(faults) > MOST_FAULTS else []
        raise ActionRefused(" ".join(faults[:MOST_FAULTS] + more))


def _faults_of_line(line: BankQuestion, topics: Mapping[str, Topic], categories: set[str]) -> list[str]:
    if line.topic not in topics:
        return [f"There is no topic {line.topic}."]
    found = [] if line.code.startswith(f"{line.topic}-") else ["Its code begins with its topic’s."]
    version = QuestionVersion(number=1, recorded_at=now(), **line.wording)
    try:
        Question(code=line.code).clean_fields(exclude=["topic"])
        version.clean_fields(exclude=["question", "author"])
    except ValidationError as invalid:
        return found + [f"{name}: {' '.join(said)}" for name, said in invalid.message_dict.items()]
    found += [
        fault
        for _, fault in faults_of_question(
            version.kind, version.content, version.picture, version.picture_fixed
        )
    ]
    if unknown := sorted(set(version.categories) - categories):
        found.append(f"There is no category {', '.join(unknown)}.")
    return found


def _keep(by: Account, taken: BankTaken, moment: datetime) -> None:
    if not taken.topics and not taken.versions:
        return
    Topic.objects.bulk_create(taken.topics)
    for question in taken.questions:
        question.topic = question.topic  # the topic has its key only now
    Question.objects.bulk_create(taken.questions)
    for version in taken.versions:
        version.question = version.question  # as has the question
    QuestionVersion.objects.bulk_create(taken.versions)
    reviews = QuestionReview.objects.bulk_create(
        QuestionReview(version=version, reviewed_by=by, reviewed_at=moment, remark="Came with the register.")
        for version in taken.versions
    )
    record(by=by, action="bank.loaded", rows=[*taken.topics, *taken.questions, *taken.versions, *reviews])
