"""Grounds: of all the evidence about one person, the rows that decide whether a requirement is met."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from .dates import add_months
from .hindsight import EvidenceRow
from .requirements import Finding, Requirement, RequirementKind, Scope, assess, is_about


def grounds(
    requirement: Requirement, rows: Iterable[EvidenceRow], scope: Scope, on: date
) -> tuple[Finding, tuple[EvidenceRow, ...]]:
    """How ``requirement`` stands on a day, and the rows that say so, the newest first.

    ``rows`` are those that stand: corrections applied. Hours add up, so every session is named, of a
    refresher those within the standard's months of the last; of anything else the latest day decides, as
    in ``requirements.assess``.
    """
    about = [
        row
        for row in rows
        if row.fact.kind is requirement.kind and row.fact.occurred_on <= on and is_about(row.fact, scope)
    ]
    about.sort(key=lambda row: (row.fact.occurred_on, row.key), reverse=True)
    found = assess(requirement, (row.fact for row in about), scope, on)
    if requirement.kind is RequirementKind.REFRESHER and requirement.months is not None:
        met = [row for row in about if row.fact.is_met]
        oldest = add_months(met[0].fact.occurred_on, -requirement.months) if met else on
        return found, tuple(row for row in met if row.fact.occurred_on >= oldest)
    if requirement.hours is not None:
        return found, tuple(row for row in about if row.fact.is_met)
    return found, tuple(row for row in about if row.fact.occurred_on == about[0].fact.occurred_on)
