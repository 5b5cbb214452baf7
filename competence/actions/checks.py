"""The daily check: started through the gate, answered point by point, submitted exactly once."""

import uuid
from collections.abc import Callable, Iterable
from datetime import datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction
from django.db.models import Model

from competence.actions.clock import is_told, now
from competence.actions.defects import raise_or_sight
from competence.actions.drafts import checklist_for, drop_photograph, own_check, put_away
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
    Operator,
    Refusal,
)
from competence.permissions import NotAllowed, Right, require
from competence.queries.checkpoints import latest_checkpoint
from competence.queries.checks import (
    CheckSheet,
    last_reading,
    open_defects,
    sheet_of,
)
from competence.queries.gate import snapshot
from competence.rules.checks import (
    CLOCK_TOLERANCE,
    DRAFT_LASTS,
    PointFinding,
    Reading,
    do_not_use_reasons,
    hour_meter_problem,
)
from competence.rules.dates import day_at
from competence.rules.gate import Snapshot, Verdict, decide
from competence.rules.plain import as_plain
from competence.rules.reasons import ReasonCode

Status = DailyCheck.Status

# What stops a check that was let through the gate before midnight and is submitted after it.
STOPS_ANY_TIME = frozenset(
    {
        ReasonCode.OPERATOR_INACTIVE,
        ReasonCode.MACHINE_OUT_OF_SERVICE,
        ReasonCode.TICKET_SUSPENDED,
        ReasonCode.TICKET_WITHDRAWN,
    }
)

# What an app above this one writes of a check when it is submitted: each is asked once, in the transaction of
# the submission, and gives the rows that it wrote, which are journalled in the same entry.
ON_SUBMITTED: list[Callable[[DailyCheck], Iterable[Model]]] = []


class Unanswered(ActionRefused):
    """Points of the list have no finding yet; ``points`` are they."""

    def __init__(self, points: tuple[ListedPoint, ...]) -> None:
        named = ", ".join(listed.point.title for listed in points[:5])
        more = f" and {len(points) - 5} more" if len(points) > 5 else ""
        super().__init__(f"Not answered yet: {named}{more}. Your other answers are kept.")
        self.points = points


class ListChanged(ActionRefused):
    """Another version of the checklist came into force while the draft was open."""

    def __init__(self, current: ChecklistVersion) -> None:
        super().__init__(f"The checklist changed to version {current.number} while this check was open.")
        self.current = current


@transaction.atomic
def start_check(
    *,
    by: Account,
    check_id: uuid.UUID,
    machine: Machine,
    supervisor: Operator | None = None,
    supervisor_account: Account | None = None,
) -> DailyCheck | Refusal:
    """Ask the gate, and open a draft or keep a refusal; the same ``check_id`` again gives the same answer.

    ``supervisor_account`` is the account that signed in to confirm supervising; it counts only where it is
    the named supervisor's own.
    """
    require(by, Right.CHECK_MACHINE)
    operator = _operator_of(by)
    # The machine's row is the lock: one start at a time for one machine.
    machine = Machine.objects.select_for_update(of=("self",)).get(pk=machine.pk)
    if earlier := _already(check_id, operator, machine):
        return earlier
    moment = now()
    _refuse_clock_set_back(moment)
    is_confirmed = _is_confirmed(operator, supervisor, supervisor_account)
    facts = snapshot(
        operator=operator.number,
        machine=machine.fleet_number,
        at=moment,
        known_at=moment,
        supervisor=supervisor.number if supervisor else None,
        is_confirmed=is_confirmed,
    )
    verdict = decide(facts, moment)
    if not verdict.is_allowed:
        return _refuse(by, check_id, operator, machine, supervisor, facts, verdict)
    checklist = checklist_for(machine, moment)
    confirmed = {
        "supervisor": supervisor if is_confirmed else None,
        "supervision_confirmed_at": moment if is_confirmed else None,
    }
    if draft := _open_draft(operator, machine, moment, by):
        return _supervised_by(by, draft, confirmed) if is_confirmed else draft
    daily_check = DailyCheck.objects.create(
        id=check_id,
        machine=machine,
        site=machine.site,
        operator=operator,
        checklist=checklist,
        **confirmed,
        started_at=moment,
        verdict=_stored(facts, verdict),
    )
    record(by=by, action="check.started", rows=[daily_check])
    return daily_check


@transaction.atomic
def submit_check(
    *,
    by: Account,
    daily_check: DailyCheck,
    hour_meter: Decimal,
    hour_meter_note: str = "",
    device_clock_at: datetime | None = None,
    refusal_id: uuid.UUID | None = None,
) -> DailyCheck | Refusal:
    """Submit a draft, once: sent again, the submitted check comes back unchanged.

    The gate is asked again; who was suspended meanwhile is refused, and the draft is kept. ``refusal_id``
    is made by the page, so that one press sent twice is one refusal. Raises
    ``Unanswered``, ``ListChanged``, or ``ActionRefused`` for a reading that cannot be right.
    """
    require(by, Right.CHECK_MACHINE)
    Machine.objects.select_for_update(of=("self",)).get(pk=daily_check.machine_id)
    daily_check = own_check(by, daily_check)
    if daily_check.status == Status.SUBMITTED:
        return daily_check
    if daily_check.status == Status.SET_ASIDE:
        raise ActionRefused("This check was set aside. Start a new one from the machine.")
    if refusal_id and (earlier := _already(refusal_id, daily_check.operator, daily_check.machine)):
        return earlier
    moment = now()
    _refuse_clock_set_back(moment)
    _refuse_stale(daily_check, moment)
    current = checklist_for(daily_check.machine, moment)
    if current != daily_check.checklist:
        raise ListChanged(current)
    sheet = sheet_of(daily_check)
    if sheet.unanswered:
        raise Unanswered(sheet.unanswered)
    _refuse_wrong_reading(daily_check.machine, Reading(hour_meter, moment), hour_meter_note)
    facts, verdict = _gate_again(daily_check, moment)
    if not verdict.is_allowed:
        return _refuse(
            by,
            refusal_id or uuid.uuid4(),
            daily_check.operator,
            daily_check.machine,
            daily_check.supervisor,
            facts,
            verdict,
        )
    return _submit(by, daily_check, sheet, moment, hour_meter, hour_meter_note, device_clock_at)


def _submit(
    by: Account,
    daily_check: DailyCheck,
    sheet: CheckSheet,
    moment: datetime,
    hour_meter: Decimal,
    hour_meter_note: str,
    device_clock_at: datetime | None,
) -> DailyCheck:
    findings = [(listed, finding) for zone in sheet.zones for listed, finding in zone.points if finding]
    # A photograph taken before the answer was changed to good shows nothing that this check says.
    for _, finding in findings:
        if finding.photograph and finding.answer != Finding.Answer.DEFECT:
            drop_photograph(finding)
            finding.save(update_fields=["photograph", "photograph_sha256"])
    open_before = [d.point_title for d in open_defects(daily_check.machine) if d.grade == Grade.STOP_USE]
    rows: list[Model] = list(daily_check.findings.all())
    for _, finding in findings:
        if finding.answer == Finding.Answer.DEFECT:
            rows += raise_or_sight(finding, daily_check, moment)
    found = [PointFinding(p.point.title, p.point.is_critical, f.answer, f.grade) for p, f in findings]
    reasons = do_not_use_reasons(found, open_before)
    daily_check.status = Status.SUBMITTED
    daily_check.submitted_at = moment
    daily_check.hour_meter = hour_meter
    daily_check.hour_meter_note = hour_meter_note
    daily_check.result = DailyCheck.Result.DO_NOT_USE if reasons else DailyCheck.Result.FIT
    daily_check.result_reasons = list(reasons)
    if device_clock_at is not None and abs(device_clock_at - moment) > CLOCK_TOLERANCE:
        daily_check.device_clock_at = device_clock_at
    daily_check.save()
    for hear in ON_SUBMITTED:
        rows += hear(daily_check)
    record(by=by, action="check.submitted", rows=[daily_check, *rows])
    return daily_check


def _refuse_clock_set_back(moment: datetime) -> None:
    """By a clock set back, a suspension of today has not happened yet, and the gate would say yes."""
    latest = None if is_told() else latest_checkpoint()
    if latest is not None and latest.at - moment > CLOCK_TOLERANCE:
        raise ActionRefused(
            "The register's own clock is behind what it has written already, so it lets nobody start. Tell "
            "whoever looks after the register to set its clock. Your answers are kept."
        )


def _operator_of(account: Account) -> Operator:
    if account.operator_id is None:
        raise NotAllowed("This account is not an operator's, so it cannot do a daily check.")
    return account.operator


def _already(check_id: uuid.UUID, operator: Operator, machine: Machine) -> DailyCheck | Refusal | None:
    """What the same press of the same button made before."""
    for kind in (DailyCheck, Refusal):
        row = kind.objects.filter(pk=check_id).first()
        if row is not None:
            if row.operator_id != operator.pk or row.machine_id != machine.pk:
                raise ActionRefused("This page belongs to another check. Start again from the machine.")
            return row
    return None


def _is_confirmed(operator: Operator, supervisor: Operator | None, account: Account | None) -> bool:
    return (
        supervisor is not None
        and account is not None
        and account.is_active
        and account.operator_id == supervisor.pk
        and supervisor.pk != operator.pk
    )


def _supervised_by(by: Account, draft: DailyCheck, confirmed: dict[str, Any]) -> DailyCheck:
    """The draft goes on under whoever confirmed last: the supervisor of an hour ago may have gone home."""
    if draft.supervisor_id == confirmed["supervisor"].pk:
        return draft
    for field, value in confirmed.items():
        setattr(draft, field, value)
    draft.save(update_fields=list(confirmed))
    record(by=by, action="check.supervisor_changed", rows=[draft])
    return draft


def _open_draft(operator: Operator, machine: Machine, moment: datetime, by: Account) -> DailyCheck | None:
    draft = DailyCheck.objects.filter(operator=operator, machine=machine, status=Status.DRAFT).first()
    if draft is None:
        return None
    if moment - draft.started_at > DRAFT_LASTS:
        put_away(by, draft, "A draft of an earlier shift")
        return None
    return draft


def _refuse_stale(daily_check: DailyCheck, moment: datetime) -> None:
    if moment - daily_check.started_at > DRAFT_LASTS:
        raise ActionRefused(
            "This check was started more than 12 hours ago and belongs to an earlier shift. "
            "Start a new one from the machine; this draft is kept."
        )


def _refuse_wrong_reading(machine: Machine, reading: Reading, note: str) -> None:
    problem = hour_meter_problem(last_reading(machine), reading)
    if problem and (reading.hours < 0 or not note):
        raise ActionRefused(
            f"{problem} Read the meter again. If the reading is right, say why in the note below it.",
            field="hour_meter",
        )


def _gate_again(daily_check: DailyCheck, moment: datetime) -> tuple[Snapshot, Verdict]:
    """The verdict at submission. Past midnight, dates are judged at the start of the shift, but who was
    stopped meanwhile stays stopped."""
    zone = ZoneInfo(daily_check.machine.site.zone)
    crossed_midnight = day_at(moment, zone) != day_at(daily_check.started_at, zone)
    asked_at = daily_check.started_at if crossed_midnight else moment
    facts = _facts(daily_check, asked_at, moment)
    verdict = decide(facts, asked_at)
    if not crossed_midnight:
        return facts, verdict
    latest = decide(_facts(daily_check, moment, moment), moment)
    stops = tuple(reason for reason in latest.reasons if reason.code in STOPS_ANY_TIME)
    return facts, Verdict(
        verdict.reasons + stops, verdict.ticket, verdict.level, verdict.standard_version, verdict.notices
    )


def _facts(daily_check: DailyCheck, at: datetime, known_at: datetime) -> Snapshot:
    supervisor = daily_check.supervisor
    return snapshot(
        operator=daily_check.operator.number,
        machine=daily_check.machine.fleet_number,
        at=at,
        known_at=known_at,
        supervisor=supervisor.number if supervisor else None,
        is_confirmed=daily_check.supervision_confirmed_at is not None,
    )


def _refuse(
    by: Account,
    refusal_id: uuid.UUID,
    operator: Operator,
    machine: Machine,
    supervisor: Operator | None,
    facts: Snapshot,
    verdict: Verdict,
) -> Refusal:
    refusal = Refusal.objects.create(
        id=refusal_id,
        at=now(),
        operator=operator,
        machine=machine,
        site=machine.site,
        supervisor=supervisor,
        verdict=_stored(facts, verdict),
    )
    record(by=by, action="check.refused", rows=[refusal])
    return refusal


def _stored(facts: Snapshot, verdict: Verdict) -> dict:
    return verdict.as_plain() | {"facts": as_plain(facts)}
