"""Refreshers: a few questions on what is known least surely, and the evidence of what is still known."""

from collections import Counter
from collections.abc import Iterable
from datetime import date, datetime
from typing import Any

from assessments.actions.drawing import place
from assessments.models import DrawnQuestion, QuestionVersion, Sitting
from assessments.queries.questions import bank_for, bank_items
from assessments.queries.recall import critical_topics, recall_held, recall_requirements, recalls_of
from assessments.queries.sittings import last_seen, ticket_categories, today_of
from assessments.rules.papers import Line, draw, shortfalls
from assessments.rules.recall import due_on, weakest
from competence.actions.clock import now
from competence.actions.evidence import keep_evidence
from competence.models import Category, DailyCheck, Evidence, Finding, Operator, Requirement
from competence.rules.dates import PeriodEnd, period_end

# A refresher begins with the fewest; an answer that goes wrong brings another question of its topic.
FEWEST, MOST = 5, 8


def bank_of(operator: Operator) -> list[QuestionVersion]:
    """The questions that may be asked of this person: of the categories of their tickets; with none, those
    for every category."""
    banks = [bank_for(category) for category in ticket_categories(operator)] or [bank_for(None)]
    return list({version.pk: version for bank in banks for version in bank}.values())


def refresher_questions(operator: Operator, moment: datetime, seed: int) -> list[QuestionVersion]:
    """What a refresher begins with: questions of the topics that are known least surely, critical ones
    first, and of each topic what was asked longest ago."""
    bank, today = bank_of(operator), today_of(operator, moment)
    by_code = {version.question.code: version for version in bank}
    held = Counter(version.question.topic.code for version in bank)
    critical = {topic for one in ticket_categories(operator) for topic in critical_topics(one, today)}
    lines = weakest(recalls_of(operator), held, critical, today, FEWEST)
    return [by_code[code] for code in draw(bank_items(bank, last_seen(operator)), lines, seed)]


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


def recall_evidence(sitting: Sitting, came_from: str) -> list[Evidence]:
    """What a finished sitting says of recall: a row for each category whose standard asks for it, with the
    day to which what is known will last. At most one row a category and day stands: a second corrects the
    first."""
    operator = sitting.operator
    categories = ticket_categories(operator)
    if sitting.category is not None and sitting.category not in categories:
        categories.append(sitting.category)
    today = today_of(operator, sitting.finished_at)
    held = recall_held(operator)
    return [
        _keep(operator, category, due, today, held.get(category.pk), came_from, "Answered again the same day")
        for category, due in _due(operator, categories, today)
    ]


def renew_recall(operator: Operator, came_from: str) -> list[Evidence]:
    """What was missed since may bring the day forward on which a refresher falls due, and never puts it off:
    a row is written only where it does. The caller journals the rows."""
    today, held = today_of(operator, now()), recall_held(operator)
    standing = [row.category_id for row in held.values() if row.is_met]
    if not standing:
        return []
    return [
        _keep(operator, category, due, today, held[category.pk], came_from, "Missed something the same day")
        for category, due in _due(operator, list(Category.objects.filter(pk__in=standing)), today)
        if due is None or due < held[category.pk].counts_to
    ]


def after_check(daily_check: DailyCheck) -> list[Evidence]:
    """What a submitted check says of recall, where it left something out."""
    if not daily_check.findings.filter(answer=Finding.Answer.NOT_REACHED).exists():
        return []
    came_from = f"Daily check of {daily_check.machine.fleet_number}, points not reached"
    return renew_recall(daily_check.operator, came_from)


def _due(
    operator: Operator, categories: list[Category], today: date
) -> Iterable[tuple[Category, date | None]]:
    """For each category whose standard asks for recall, the last day on which what is known suffices."""
    asked = recall_requirements(categories, today) if categories else {}
    recalls = recalls_of(operator) if asked else {}
    for category in categories:
        if line := asked.get(category.pk):
            latest = period_end(today, line.months, PeriodEnd.ANNIVERSARY) if line.months else None
            yield category, due_on(recalls, critical_topics(category, today), line.recall_level, latest)


def _keep(
    operator: Operator,
    category: Category,
    due: date | None,
    today: date,
    held: Evidence | None,
    came_from: str,
    reason: str,
) -> Evidence:
    """The row stands under the operator's own account: the register worked it out, and nobody judged it."""
    is_met = due is not None and due >= today
    corrects: dict[str, Any] = {}
    if held is not None and held.occurred_on == today:
        corrects = {"corrects": held, "reason": reason}
    return keep_evidence(
        by=getattr(operator, "account", None),
        operator=operator,
        kind=Requirement.Kind.RECALL,
        category=category,
        occurred_on=today,
        is_met=is_met,
        counts_to=due if is_met else None,
        came_from=came_from,
        **corrects,
    )
