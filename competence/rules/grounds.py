"""Grounds: of all the evidence about one person, the rows that decide whether a requirement is met."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from .hindsight import EvidenceRow
from .requirements import Finding, Requirement, RequirementKind, Scope, assess, is_about


def grounds(
    requirement: Requirement, rows: Iterable[EvidenceRow], scope: Scope, on: date
) -> tuple[Finding, tuple[EvidenceRow, ...]]:
    """How ``requirement`` stands on a day, and the rows that say so, the newest first.

    ``rows`` are those that stand: corrections applied. Hours and refreshers add up, so every passed session
    is named; of anything else the latest day decides, as in ``requirements.assess``.
    """
    about = [
        row
        for row in rows
        if row.fact.kind is requirement.kind and row.fact.occurred_on <= on and is_about(row.fact, scope)
    ]
    about.sort(key=lambda row: (row.fact.occurred_on, row.key), reverse=True)
    found = assess(requirement, (row.fact for row in about), scope, on)
    if requirement.hours is not None or requirement.kind is RequirementKind.REFRESHER:
        return found, tuple(row for row in about if row.fact.is_met)
    return found, tuple(row for row in about if row.fact.occurred_on == about[0].fact.occurred_on)
