"""Recording evidence, and correcting it by a further row."""

from datetime import date
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.people import refuse_erased
from competence.models import Account, Category, Evidence, Operator, Site
from competence.permissions import Right, require
from competence.rules.dates import OLDEST_YEARS, add_months, day_at
from competence.rules.requirements import IN_HOURS, MOST_HOURS, RequirementKind

# A site admin records what arrives on paper; what was judged at the machine or in a paper takes a trainer.
BY_TRAINER_ONLY = frozenset(
    {
        RequirementKind.PRACTICAL,
        RequirementKind.PAPER,
        RequirementKind.FAMILIARISATION,
        RequirementKind.SUPERVISED_HOURS,
    }
)

# What comes of answers is worked out from them, and nobody puts another day in its place: not by a new row,
# not by correcting one, not by striking one out, which would let an older, longer one count again.
FROM_SITTINGS_ONLY = frozenset({RequirementKind.RECALL})


@transaction.atomic
def record_evidence(
    *,
    by: Account,
    operator: Operator,
    kind: str,
    occurred_on: date,
    came_from: str,
    is_met: bool = True,
    category: Category | None = None,
    site: Site | None = None,
    machine_model: str = "",
    counts_to: date | None = None,
    hours: Decimal | None = None,
) -> Evidence:
    """Record a dated fact about one person: that a requirement was met, or that it was not."""
    _require_recorder(by, operator, kind)
    return _add(
        by=by,
        action="evidence.recorded",
        operator=operator,
        kind=kind,
        occurred_on=occurred_on,
        came_from=came_from,
        is_met=is_met,
        category=category,
        site=site,
        machine_model=machine_model,
        counts_to=counts_to,
        hours=hours,
    )


@transaction.atomic
def correct_evidence(*, by: Account, evidence: Evidence, reason: str, **columns: Any) -> Evidence:
    """Replace a row of evidence by what it should have said; the old row stays, and stops counting."""
    evidence = correctable(by, evidence)
    kept = ("category", "site", "machine_model", "occurred_on", "is_met", "counts_to", "hours", "came_from")
    whole = {name: columns.get(name, getattr(evidence, name)) for name in kept}
    if all(value == getattr(evidence, name) for name, value in whole.items()):
        raise ActionRefused("That is what the row says already; nothing would change.")
    return _add(
        by=by,
        action="evidence.corrected",
        operator=evidence.operator,
        kind=evidence.kind,
        corrects=evidence,
        reason=reason,
        **whole,
    )


@transaction.atomic
def strike_out_evidence(*, by: Account, evidence: Evidence, reason: str) -> Evidence:
    """Say that a row of evidence should never have been there."""
    evidence = correctable(by, evidence)
    return _add(
        by=by,
        action="evidence.struck_out",
        operator=evidence.operator,
        kind=evidence.kind,
        category=evidence.category,
        site=evidence.site,
        machine_model=evidence.machine_model,
        occurred_on=evidence.occurred_on,
        is_met=evidence.is_met,
        counts_to=evidence.counts_to,
        hours=evidence.hours,
        came_from=evidence.came_from,
        corrects=evidence,
        strikes_out=True,
        reason=reason,
    )


def correctable(by: Account, evidence: Evidence) -> Evidence:
    """The row, locked, where ``by`` may correct it and nobody has yet."""
    evidence = Evidence.objects.select_for_update(of=("self",)).select_related("operator").get(pk=evidence.pk)
    _require_recorder(by, evidence.operator, evidence.kind)
    if Evidence.objects.filter(corrects=evidence).exists():
        raise ActionRefused("This row was corrected already; correct the row that replaced it.")
    if evidence.strikes_out:
        raise ActionRefused("This row strikes another out; record the evidence anew instead.")
    return evidence


def _require_recorder(by: Account, operator: Operator, kind: str) -> None:
    if kind in FROM_SITTINGS_ONLY:
        raise ActionRefused(
            "Refresher questions come on record when they are answered, and in no other way. "
            "If this is wrong, have them answered again."
        )
    right = Right.RECORD_ASSESSMENT if kind in BY_TRAINER_ONLY else Right.RECORD_EVIDENCE
    require(by, right, site=operator.site)
    refuse_erased(operator)
    if by.operator_id is not None and by.operator_id == operator.pk:
        raise ActionRefused("Nobody records evidence about themself; ask another trainer or site admin.")


def _add(*, by: Account, action: str, reason: str = "", **columns: Any) -> Evidence:
    evidence = keep_evidence(by=by, reason=reason, **columns)
    record(by=by, action=action, rows=[evidence], reason=reason)
    return evidence


def _refuse_beyond_belief(columns: dict[str, Any]) -> None:
    """No one row says more than a slip of the pen would; what stands already can still be struck out."""
    if columns.get("strikes_out"):
        return
    today = day_at(now(), ZoneInfo(columns["operator"].site.zone))
    if columns["occurred_on"] < add_months(today, -12 * OLDEST_YEARS):
        raise ActionRefused(f"That day is more than {OLDEST_YEARS} years ago.", field="occurred_on")
    if (columns.get("hours") or 0) > MOST_HOURS:
        raise ActionRefused(f"One row of evidence takes {MOST_HOURS:,} hours at most.", field="hours")


def keep_evidence(*, by: Account, reason: str = "", **columns: Any) -> Evidence:
    """Check and keep one row, for an action that asked for permission and journals it in its own entry."""
    moment = now()
    if columns["occurred_on"] > day_at(moment, ZoneInfo(columns["operator"].site.zone)):
        raise ActionRefused(
            "Evidence is of something that has happened: that day is still to come.", field="occurred_on"
        )
    _refuse_beyond_belief(columns)
    if columns["kind"] in IN_HOURS and not columns.get("hours") and not columns.get("strikes_out"):
        raise ActionRefused("Say how many hours.", field="hours")
    evidence = Evidence(recorded_at=moment, recorded_by=by, reason=reason, **columns)
    evidence.full_clean()
    evidence.save()
    return evidence
