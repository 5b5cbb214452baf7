"""The draft of a daily check: answered point by point, kept through anything, not yet a record."""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from django.core.files.base import ContentFile
from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import (
    Account,
    ChecklistVersion,
    DailyCheck,
    Finding,
    Grade,
    ListedPoint,
    Machine,
)
from competence.permissions import NotAllowed, Right, require
from competence.queries.checks import checklist_on, points_on
from competence.rules.dates import day_at

Status = DailyCheck.Status


@dataclass(frozen=True)
class Answer:
    """What was found at one point. ``photograph`` is a re-encoded JPEG; ``None`` keeps the one there is."""

    listed: ListedPoint
    answer: str
    grade: str = ""
    note: str = ""
    not_reached_reason: str = ""
    photograph: bytes | None = None


@transaction.atomic
def save_findings(
    *,
    by: Account,
    daily_check: DailyCheck,
    answers: Iterable[Answer],
    unfinished: Iterable[ListedPoint] = (),
) -> DailyCheck:
    """Keep answers on a draft. A draft is not yet a record, so this writes no journal entry: the whole
    check is journalled when it is submitted.

    ``unfinished``: points at which another answer was begun and is not whole yet. What the draft says of
    them is forgotten, so that a point never stands as good in the register while the screen says defect. A
    defect stands until a whole answer replaces it: the worse answer is the safe one.
    """
    daily_check = _own_draft(by, daily_check)
    answers = list(answers)
    places = [answer.listed.pk for answer in answers]
    allowed = set(
        points_on(daily_check.checklist, daily_check.machine)
        .filter(pk__in=places)
        .values_list("pk", flat=True)
    )
    known = {finding.listed_id: finding for finding in daily_check.findings.filter(listed__in=places)}
    for answer in answers:
        if answer.listed.pk not in allowed:
            raise ActionRefused(f"{answer.listed.point.title} is not on this machine's list.")
        finding = known.get(answer.listed.pk) or Finding(daily_check=daily_check, listed=answer.listed)
        _save_finding(finding, answer)
    begun_anew = daily_check.findings.filter(listed__in=[listed.pk for listed in unfinished])
    begun_anew.exclude(answer=Finding.Answer.DEFECT).delete()
    return daily_check


def _save_finding(finding: Finding, answer: Answer) -> None:
    is_defect = answer.answer == Finding.Answer.DEFECT
    finding.answer = answer.answer
    finding.grade = _grade(answer) if is_defect else ""
    finding.note = answer.note if is_defect else ""
    not_reached = answer.answer == Finding.Answer.NOT_REACHED
    finding.not_reached_reason = answer.not_reached_reason if not_reached else ""
    finding.answered_at = now()
    if answer.photograph is not None and is_defect:
        drop_photograph(finding)
        finding.photograph.save("photograph.jpg", ContentFile(answer.photograph), save=False)
        finding.photograph_sha256 = hashlib.sha256(answer.photograph).hexdigest()
    # The check is the operator's own and locked, the point was asked for on its list, and the finding that
    # there was is this one: what both keys name need not be looked for again.
    finding.full_clean(exclude=["daily_check", "listed"])
    finding.save()


def drop_photograph(finding: Finding) -> None:
    """Unhook a photograph from an unsaved or draft finding; the file goes once the transaction holds."""
    if not finding.photograph:
        return
    storage, name = finding.photograph.storage, finding.photograph.name
    finding.photograph, finding.photograph_sha256 = "", ""
    transaction.on_commit(lambda: storage.delete(name))


def _grade(answer: Answer) -> str:
    """A defect at a critical point stops use, whatever was tapped."""
    return Grade.STOP_USE if answer.listed.point.is_critical else answer.grade


@transaction.atomic
def take_current_list(*, by: Account, daily_check: DailyCheck) -> int:
    """Move a draft to the checklist now in force; answers to points that say the same are kept.

    Returns how many answers were kept. The others are to be given again: their wording changed.
    """
    daily_check = _own_draft(by, daily_check)
    current = checklist_for(daily_check.machine, now())
    new_places = {listed.point_id: listed for listed in current.listed.all()}
    kept = 0
    for finding in daily_check.findings.select_related("listed"):
        place = new_places.get(finding.listed.point_id)
        if place is None:
            # Kept where it is, for the record; the sheet no longer shows it.
            continue
        finding.listed = place
        finding.save(update_fields=["listed"])
        kept += 1
    daily_check.checklist = current
    daily_check.save(update_fields=["checklist"])
    record(by=by, action="check.list_taken", rows=[daily_check])
    return kept


@transaction.atomic
def set_aside_check(*, by: Account, daily_check: DailyCheck, reason: str) -> DailyCheck:
    """Put a draft away: kept as it is, not counted."""
    daily_check = _own_draft(by, daily_check)
    return put_away(by, daily_check, reason)


def put_away(by: Account, daily_check: DailyCheck, reason: str) -> DailyCheck:
    daily_check.status = Status.SET_ASIDE
    daily_check.save(update_fields=["status"])
    record(by=by, action="check.set_aside", rows=[daily_check], reason=reason)
    return daily_check


def own_check(by: Account, daily_check: DailyCheck) -> DailyCheck:
    daily_check = (
        DailyCheck.objects.select_for_update(of=("self",))
        .select_related(
            "machine__state__site", "machine__state__category", "operator", "checklist", "supervisor"
        )
        .filter(pk=daily_check.pk)
        .order_by("pk")[0]
    )
    if by.operator_id is None or daily_check.operator_id != by.operator_id:
        raise NotAllowed("Only the operator who started a check answers and submits it.")
    return daily_check


def _own_draft(by: Account, daily_check: DailyCheck) -> DailyCheck:
    require(by, Right.CHECK_MACHINE)
    daily_check = own_check(by, daily_check)
    if daily_check.status == Status.SET_ASIDE:
        raise ActionRefused("This check was set aside. Start a new one from the machine.")
    if daily_check.status != Status.DRAFT:
        raise ActionRefused("This check was submitted already; what it says stands.")
    return daily_check


def checklist_for(machine: Machine, moment: datetime) -> ChecklistVersion:
    today = day_at(moment, ZoneInfo(machine.site.zone))
    checklist = checklist_on(machine.state.category, today)
    if checklist is None:
        raise ActionRefused(
            f"No checklist is in force for {machine.state.category.name}. "
            "A trainer publishes one; until then the machine is not to be used."
        )
    return checklist
