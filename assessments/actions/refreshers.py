"""Refreshers: a few questions on what is known least surely, and what they say of recall."""

from datetime import datetime

from assessments.actions.drawing import bank_items, place
from assessments.models import DrawnQuestion, QuestionVersion, Sitting
from assessments.queries.questions import bank_for
from assessments.queries.sittings import last_seen, ticket_categories
from assessments.rules.papers import Line, draw, shortfalls
from competence.models import Evidence, Operator

# A refresher begins with the fewest; an answer that goes wrong brings another question of its topic.
FEWEST, MOST = 5, 8


def bank_of(operator: Operator) -> list[QuestionVersion]:
    """The questions that may be asked of this person: of the categories of their tickets; with none, those
    for every category."""
    categories = ticket_categories(operator)
    banks = [bank_for(category) for category in categories] or [bank_for(None)]
    return list({version.pk: version for bank in banks for version in bank}.values())


def refresher_questions(operator: Operator, moment: datetime, seed: int) -> list[QuestionVersion]:
    """What a refresher begins with: one question of each of the topics that are known least surely."""
    bank = bank_of(operator)
    by_code = {version.question.code: version for version in bank}
    items = bank_items(bank, last_seen(operator))
    topics = sorted({item.topic for item in items})[:FEWEST]
    return [by_code[code] for code in draw(items, [Line(topic, 1) for topic in topics], seed)]


def recall_evidence(sitting: Sitting) -> list[Evidence]:
    return []


def add_question(sitting: Sitting, drawn: DrawnQuestion) -> DrawnQuestion | None:
    """In a refresher, one more question of the topic that was just answered wrong, the longest unseen first;
    ``None`` where it is full, the bank has no other, or the same question went wrong before."""
    if sitting.kind != Sitting.Kind.REFRESHER:
        return None
    taken = list(sitting.drawn.values_list("version__question__code", flat=True))
    if len(taken) >= MOST or drawn.answers.filter(is_right=False).count() > 1:
        return None
    topic = drawn.version.question.topic.code
    left = [
        version
        for version in bank_of(sitting.operator)
        if version.question.topic.code == topic and version.question.code not in taken
    ]
    items, lines = bank_items(left, last_seen(sitting.operator)), [Line(topic, 1)]
    if shortfalls(items, lines):
        return None
    (code,) = draw(items, lines, sitting.seed)
    version = next(one for one in left if one.question.code == code)
    return place(sitting, [version], first=len(taken) + 1)[0]
