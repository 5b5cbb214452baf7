"""A sitting: started, answered question by question, finished by its sitter or by the end of its time."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from django.db import transaction
from django.db.models import Model

from assessments.actions.drawing import new_seed, place
from assessments.actions.refreshers import (
    add_question,
    recall_evidence,
    refresher_questions,
    renew_recall,
)
from assessments.models import Answer, DrawnQuestion, MoreAttempts, PaperVersion, Sitting, SittingEvidence
from assessments.queries.papers import lines_of, paper_on
from assessments.queries.questions import bank_for, bank_items
from assessments.queries.sittings import (
    SittingSheet,
    content_of,
    last_seen,
    next_attempt_of,
    over_and_open,
    sheet_of,
    today_of,
)
from assessments.rules.papers import BankTooSmall, Line, draw, result
from assessments.rules.questions import UnreadableAnswer, is_right, read_answer
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.evidence import keep_evidence
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import Account, Category, Evidence, Operator
from competence.permissions import NotAllowed, Right, may_about, require
from competence.rules.reasons import long_date

Status = Sitting.Status
# A question that was open for longer was left lying, and says nothing of how hard it is.
MOST_SECONDS = 24 * 60 * 60
LATE = "This answer came after the end. It is kept with the sitting, and does not count."


def start_paper(*, by: Account, sitting_id: uuid.UUID, category: Category) -> Sitting:
    """Draw and begin the paper in force for a category; the same ``sitting_id`` again gives the same one.

    The clock runs from here. A paper whose time was up is finished first, in a change of its own: a refusal
    afterwards does not take that back.
    """
    _finish_own_over(by)
    return _start_paper(by, sitting_id, category)


@transaction.atomic
def _start_paper(by: Account, sitting_id: uuid.UUID, category: Category) -> Sitting:
    operator = _sitter(by)
    if (earlier := _already(operator, sitting_id, category)) is not None:
        return earlier
    moment = now()
    paper = _paper_to_sit(operator, category, moment)
    bank, seed, lines = bank_for(category), new_seed(), lines_of(paper)
    try:
        codes = draw(bank_items(bank, last_seen(operator)), lines, seed)
    except BankTooSmall as small:
        raise ActionRefused(_short_in_words(paper, small)) from small
    by_code = {version.question.code: version for version in bank}
    sitting = Sitting.objects.create(
        id=sitting_id,
        operator=operator,
        kind=Sitting.Kind.PAPER,
        paper=paper,
        category=category,
        seed=seed,
        started_at=moment,
        ends_at=moment + timedelta(minutes=paper.minutes),
    )
    drawn = place(sitting, [by_code[code] for code in codes])
    record(by=by, action="sitting.started", rows=[sitting, *drawn])
    return sitting


def start_refresher(*, by: Account, sitting_id: uuid.UUID) -> Sitting:
    """Draw a few questions on what the operator knows least surely; the same id again gives the same one."""
    _finish_own_over(by)
    return _start_refresher(by, sitting_id)


@transaction.atomic
def _start_refresher(by: Account, sitting_id: uuid.UUID) -> Sitting:
    operator = _sitter(by)
    if (earlier := _already(operator, sitting_id, None)) is not None:
        return earlier
    seed, moment = new_seed(), now()
    versions = refresher_questions(operator, moment, seed)
    if not versions:
        raise ActionRefused(
            "There is no question in use for your categories yet. A trainer puts questions into use; nothing "
            "is expected of you until then."
        )
    sitting = Sitting.objects.create(
        id=sitting_id, operator=operator, kind=Sitting.Kind.REFRESHER, seed=seed, started_at=moment
    )
    record(by=by, action="sitting.started", rows=[sitting, *place(sitting, versions)])
    return sitting


def _sitter(by: Account) -> Operator:
    """The operator whose account this is, locked: one start at a time."""
    require(by, Right.SIT)
    if by.operator_id is None:
        raise NotAllowed("This account is not an operator's, so it sits no papers.")
    operator = Operator.objects.with_state().select_for_update(of=("self",)).get(pk=by.operator_id)
    if not operator.state.is_active:
        raise ActionRefused("You are not active on the register. A site admin can put that right.")
    return operator


def _already(operator: Operator, sitting_id: uuid.UUID, category: Category | None) -> Sitting | None:
    """The sitting that this start was for already, or that is open for the same thing."""
    if earlier := Sitting.objects.filter(pk=sitting_id).first():
        if earlier.operator_id != operator.pk:
            raise ActionRefused("This page belongs to another sitting. Start again.")
        return earlier
    open_one = operator.sittings.filter(status=Status.OPEN).select_related("category").first()
    if open_one is None:
        return None
    if open_one.category_id != (category.pk if category else None):
        what = f"the {open_one.category.name} paper" if open_one.category else "a refresher"
        raise ActionRefused(f"You are in the middle of {what}. Finish that one first; its answers are kept.")
    return open_one


def _paper_to_sit(operator: Operator, category: Category, moment: datetime) -> PaperVersion:
    today = today_of(operator, moment)
    paper = paper_on(category, today)
    if paper is None:
        raise ActionRefused(f"No paper is in force for {category.name}; a trainer publishes one first.")
    coming = next_attempt_of(operator, paper, today)
    if coming.on is None:
        raise ActionRefused(
            f"All {paper.attempts} attempts at the {category.name} paper are used. Talk to a trainer: they "
            "can allow more once you have gone through it together."
        )
    if coming.on > today:
        raise ActionRefused(
            f"The {category.name} paper can be sat again from {long_date(coming.on)} on. Use the days to "
            "read the explanations of your last sitting."
        )
    return paper


def _short_in_words(paper: PaperVersion, small: BankTooSmall) -> str:
    names = dict(paper.lines.values_list("topic__code", "topic__name"))
    short = ", ".join(f"{names[one.topic]}: {one.missing} short" for one in small.shortfalls)
    return f"The bank holds too few questions for this paper ({short}). Tell a trainer. Nothing was started."


@dataclass(frozen=True)
class KeptAnswer:
    """An answer as kept; ``sentence`` is for the screen where there is something to say."""

    answer: Answer
    sentence: str = ""


@transaction.atomic
def answer_question(
    *,
    by: Account,
    sitting_id: uuid.UUID,
    position: int,
    given: Mapping[str, Any],
    sent_as: uuid.UUID,
    seconds: int | None = None,
) -> KeptAnswer:
    """Keep an answer: the last in time counts, all are kept, one sent twice is kept once.

    After the end it is kept as late and does not count. Answers are a draft while the sitting is open, so
    this writes no journal entry unless it changes what is drawn or comes after the finish.
    """
    sitting = own_sitting(by, sitting_id)
    if earlier := Answer.objects.filter(sent_as=sent_as, drawn__sitting=sitting).first():
        return KeptAnswer(earlier, LATE if earlier.is_late else "")
    drawn = (
        DrawnQuestion.objects.filter(sitting=sitting, position=position)
        .select_related("version__question__topic")
        .first()
    )
    if drawn is None:
        raise ActionRefused("This sitting has no such question. Nothing was kept.")
    moment, content = now(), content_of(drawn.version, drawn.shown)
    try:
        kept = read_answer(content, given)
    except UnreadableAnswer as unreadable:
        raise ActionRefused(str(unreadable), field="given") from unreadable
    is_over = sitting.status == Status.FINISHED or _is_over(sitting, moment)
    answer = Answer.objects.create(
        drawn=drawn,
        given=kept,
        is_right=is_right(content, kept),
        is_late=is_over,
        seconds=None if seconds is None else min(max(seconds, 0), MOST_SECONDS),
        sent_as=sent_as,
        answered_at=moment,
    )
    if sitting.status == Status.FINISHED:
        record(by=by, action="sitting.answered_late", rows=[answer])
    elif is_over:
        _finish(by, sitting)
    elif not answer.is_right and (added := add_question(sitting, drawn)):
        record(by=by, action="sitting.extended", rows=[added])
    return KeptAnswer(answer, LATE if is_over else "")


@transaction.atomic
def finish_sitting(*, by: Account, sitting_id: uuid.UUID) -> Sitting:
    """End a sitting with what was answered; what was not is wrong. Sent again, it comes back unchanged."""
    sitting = own_sitting(by, sitting_id)
    return sitting if sitting.status == Status.FINISHED else _finish(by, sitting)


@transaction.atomic
def finish_if_over(*, by: Account | None, sitting_id: uuid.UUID) -> bool:
    """Finish a paper whose time is up with what came in time, whoever comes across it; whether it was done.

    The reader of a page asks for this without any right of their own: it is what time did.
    """
    sitting = _locked(sitting_id)
    if sitting.status == Status.FINISHED or not _is_over(sitting, now()):
        return False
    _finish(by, sitting)
    return True


def finish_all_over() -> int:
    """Finish every paper whose time is up; how many they were."""
    ids = list(over_and_open(now()).values_list("pk", flat=True))
    return sum(finish_if_over(by=None, sitting_id=sitting_id) for sitting_id in ids)


def _finish_own_over(by: Account) -> None:
    if by.operator_id is not None:
        for sitting_id in over_and_open(now()).filter(operator=by.operator_id).values_list("pk", flat=True):
            finish_if_over(by=by, sitting_id=sitting_id)


def _is_over(sitting: Sitting, moment: datetime) -> bool:
    return sitting.ends_at is not None and moment > sitting.ends_at


def _locked(sitting_id: uuid.UUID) -> Sitting:
    rows = Sitting.objects.select_for_update(of=("self",))
    return rows.select_related("operator__state__site", "operator__account", "paper", "category").get(
        pk=sitting_id
    )


def own_sitting(by: Account, sitting_id: uuid.UUID) -> Sitting:
    """The sitting, locked, for whom it was drawn."""
    require(by, Right.SIT)
    sitting = _locked(sitting_id)
    if by.operator_id is None or by.operator_id != sitting.operator_id:
        raise NotAllowed("Only the person for whom a sitting was drawn answers it.")
    return sitting


def _finish(by: Account | None, sitting: Sitting) -> Sitting:
    """Say what the answers amount to, and write the evidence: of the paper, and of what is still known."""
    moment, sheet = now(), sheet_of(sitting)
    found = result(_lines(sitting, sheet), sheet.marks, sitting.paper.cut if sitting.paper else 0)
    sitting.status = Status.FINISHED
    # Time ended it, not whoever came by first: the day of the next attempt counts from here.
    sitting.finished_at = min(moment, sitting.ends_at or moment)
    sitting.outcome = found.as_plain()
    sitting.is_passed = found.is_passed
    sitting.save()
    what = "Question paper" if sitting.paper else "Refresher"
    came_from = f"{what} {sitting.number}, {found.right} of {found.asked} right"
    evidence: list[Evidence] = []
    if sitting.paper is not None:
        evidence.append(_paper_evidence(sitting, came_from))
    if sitting.is_passed:
        evidence += recall_evidence(sitting, came_from)
    else:
        # What went wrong may bring a refresher forward; what went right of a failed paper puts none off.
        evidence += renew_recall(sitting.operator, came_from)
    links = [SittingEvidence.objects.create(sitting=sitting, evidence=one) for one in evidence]
    answers: list[Model] = [answer for question in sheet.questions for answer in question.answers]
    record(by=by, action="sitting.finished", rows=[sitting, *answers, *evidence, *links])
    return sitting


def _lines(sitting: Sitting, sheet: SittingSheet) -> list[Line]:
    if sitting.paper is not None:
        return lines_of(sitting.paper)
    topics = [question.topic.code for question in sheet.questions]
    return [Line(topic, topics.count(topic)) for topic in sorted(set(topics))]


def _paper_evidence(sitting: Sitting, came_from: str) -> Evidence:
    """A finished paper is evidence, passed or not. It stands under the sitter's own account: the register
    marked it, and nobody judged anything."""
    return keep_evidence(
        by=getattr(sitting.operator, "account", None),
        operator=sitting.operator,
        kind="paper",
        category=sitting.category,
        occurred_on=today_of(sitting.operator, sitting.finished_at),
        is_met=sitting.is_passed,
        came_from=came_from,
    )


@transaction.atomic
def allow_more_attempts(*, by: Account, operator: Operator, category: Category, reason: str) -> MoreAttempts:
    """Let somebody who used up their attempts at a paper begin them anew, saying what was done since."""
    operator = Operator.objects.with_state().select_for_update(of=("self",)).get(pk=operator.pk)
    require(by, Right.ALLOW_ATTEMPTS, site=operator.site)
    refuse_erased(operator)
    if not may_about(by, Right.ALLOW_ATTEMPTS, operator):
        raise NotAllowed("Nobody allows themself more attempts; ask another trainer.")
    if not reason.strip():
        raise ActionRefused("Say what was done since the last attempt.", field="reason")
    today = today_of(operator, now())
    paper = paper_on(category, today)
    if paper is None:
        raise ActionRefused(f"No paper is in force for {category.name}.")
    coming = next_attempt_of(operator, paper, today)
    if coming.on is not None:
        raise ActionRefused(
            f"{operator.name} may sit the {category.name} paper from {long_date(coming.on)} on as it is; "
            f"attempts left: {coming.left}."
        )
    allowed = MoreAttempts.objects.create(
        operator=operator, category=category, reason=reason.strip()[:300], recorded_at=now(), recorded_by=by
    )
    record(by=by, action="attempts.allowed", rows=[allowed], reason=allowed.reason)
    return allowed
