"""Requirements of a standard, and whether a person's evidence meets them on a day."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from enum import StrEnum
from functools import lru_cache
from operator import attrgetter

from .dates import PeriodEnd, add_months, period_end


class RequirementKind(StrEnum):
    PRACTICAL = "practical"
    PAPER = "paper"
    TRAINING_HOURS = "training_hours"
    SUPERVISED_HOURS = "supervised_hours"
    MEDICAL = "medical"
    INDUCTION = "induction"
    FAMILIARISATION = "familiarisation"
    REFRESHER = "refresher"
    RECALL = "recall"


# These must hold at every daily check; the others are shown once, before a full ticket is issued or renewed.
LASTING = frozenset(
    {
        RequirementKind.MEDICAL,
        RequirementKind.INDUCTION,
        RequirementKind.FAMILIARISATION,
        RequirementKind.REFRESHER,
        RequirementKind.RECALL,
    }
)


# Worth nothing without a number of hours; of a refresher the standard may ask for hours, or for none.
IN_HOURS = frozenset({RequirementKind.TRAINING_HOURS, RequirementKind.SUPERVISED_HOURS})


# What was shown of one category says nothing of another, so that its evidence names its own.
ABOUT_ONE_CATEGORY = frozenset({RequirementKind.PRACTICAL, RequirementKind.PAPER, RequirementKind.RECALL})


# One row of evidence takes no more hours than this: about half a working year (the register's own rule).
MOST_HOURS = 1000


class Met(StrEnum):
    """How a requirement stands on a day."""

    MET = "met"
    MISSING = "missing"
    ENDED = "ended"
    FAILED = "failed"
    SHORT = "short"


@dataclass(frozen=True, slots=True)
class Requirement:
    """One line of a standard. ``months``: how long evidence counts; ``hours``: how many are needed;
    ``recall_level``: how likely a critical topic must still be known, as a share."""

    kind: RequirementKind
    months: int | None = None
    hours: Decimal | None = None
    recall_level: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Evidence:
    """A dated fact about one person. ``counts_to`` is the last day that its own source lets it count.

    ``category``, ``site`` and ``machine_model`` say what it is about; ``None`` means any, which only a
    training, refresher or medical fact may be.
    """

    kind: RequirementKind
    occurred_on: date
    is_met: bool = True
    counts_to: date | None = None
    hours: Decimal | None = None
    category: str | None = None
    site: str | None = None
    machine_model: str | None = None


@dataclass(frozen=True, slots=True)
class Scope:
    """What the requirement is asked about: these categories, at this site, on this model, by someone who
    started on this day."""

    categories: frozenset[str]
    site: str
    machine_model: str
    started_on: date


@dataclass(frozen=True, slots=True)
class Finding:
    """How one requirement stands, since when it has not been met, or to when it is."""

    requirement: Requirement
    met: Met
    since: date | None = None
    counts_to: date | None = None
    hours: Decimal | None = None

    @property
    def is_met(self) -> bool:
        return self.met is Met.MET


def same_model(one: str | None, other: str | None) -> bool:
    """Whether two makes-and-models, typed by people, are the same but for case and spacing."""
    return bool(one and other) and model_key(one or "") == model_key(other or "")


@lru_cache(maxsize=4096)
def model_key(model: str) -> str:
    return " ".join(model.casefold().split())


def assess(requirement: Requirement, evidence: Iterable[Evidence], scope: Scope, on: date) -> Finding:
    """How ``requirement`` stands on the day ``on``, by the evidence that had happened by then.

    The latest fact decides, so a failed medical outweighs an older good one. Hours add up, inclusively
    (30 CFR 46.8: at least 8 hours within 12 months, from sessions that may be short; first due within
    12 months of starting). A paper never stands for a practical (29 CFR 1910.178 and OSHA's letter of
    1 August 2005): only evidence of the same kind is looked at. Of recall that was worked out on one day,
    the soonest end holds: what is known best does not speak for what is known least.
    """
    kind = requirement.kind
    facts = [e for e in evidence if e.kind is kind and e.occurred_on <= on and is_about(e, scope)]
    facts.sort(key=attrgetter("occurred_on"))
    if requirement.kind is RequirementKind.REFRESHER and requirement.months is not None:
        return _assess_refresher(requirement, facts, scope, on)
    if requirement.hours is not None:
        return _assess_hours(requirement, facts, on)
    if not facts:
        return Finding(requirement, Met.MISSING)
    latest_day = facts[-1].occurred_on
    same_day = [e for e in facts if e.occurred_on == latest_day]
    if not all(e.is_met for e in same_day):
        return Finding(requirement, Met.FAILED, since=latest_day)
    ends = [end for e in same_day if (end := counts_to(requirement, e)) is not None]
    if kind is RequirementKind.RECALL:
        end = min(ends, default=None)
    else:
        end = max(ends) if len(ends) == len(same_day) else None
    if end is not None and end < on:
        return Finding(requirement, Met.ENDED, since=end)
    return Finding(requirement, Met.MET, counts_to=end)


def counts_to(requirement: Requirement, fact: Evidence) -> date | None:
    """The last day on which ``fact`` counts: the sooner of its own end and the standard's months."""
    ends = [fact.counts_to] if fact.counts_to else []
    if requirement.months is not None:
        ends.append(period_end(fact.occurred_on, requirement.months, PeriodEnd.ANNIVERSARY))
    return min(ends, default=None)


def _assess_hours(requirement: Requirement, facts: Collection[Evidence], on: date) -> Finding:
    counting = [e for e in facts if e.is_met and ((end := counts_to(requirement, e)) is None or end >= on)]
    needed = requirement.hours or Decimal(0)
    total = sum((e.hours or Decimal(0) for e in counting), Decimal(0))
    if total >= needed and counting:
        return Finding(requirement, Met.MET, counts_to=_hours_last_to(requirement, counting), hours=total)
    return Finding(requirement, Met.SHORT if facts else Met.MISSING, hours=total)


def _hours_last_to(requirement: Requirement, counting: Collection[Evidence]) -> date | None:
    """The last day on which sessions that ``counting`` holds still add up; ``None`` where that has no end."""
    left, ended = Decimal(0), list[tuple[date, Decimal]]()
    for fact in counting:
        end = counts_to(requirement, fact)
        if end is None:
            left += fact.hours or Decimal(0)
        else:
            ended.append((end, fact.hours or Decimal(0)))
    # Latest end first: the day on which the sum is reached is the last on which it still holds.
    for end, hours in sorted(ended, reverse=True):
        if left >= (requirement.hours or Decimal(0)):
            break
        left, last = left + hours, end
        if left >= (requirement.hours or Decimal(0)):
            return last
    return None


def _assess_refresher(
    requirement: Requirement, facts: Collection[Evidence], scope: Scope, on: date
) -> Finding:
    """A refresher is first due within the standard's months of starting, then within as many of the last."""
    needed = requirement.hours or Decimal(0)
    due = refresher_due(requirement, facts, scope.started_on)
    total = sum((e.hours or Decimal(0) for e in facts if e.is_met), Decimal(0))
    if due is not None and due < on:
        return Finding(requirement, Met.SHORT if needed and total else Met.MISSING, since=due, hours=total)
    return Finding(requirement, Met.MET, counts_to=due, hours=total)


def refresher_due(requirement: Requirement, facts: Iterable[Evidence], started_on: date) -> date | None:
    """The last day by which the next refresher must be done; ``None`` where the standard sets no months.

    Each time the sessions since the last completed refresher add up to the hours, that refresher is complete
    on the day of the session that filled it, and the next falls due the standard's months later, or when one
    of its sessions stops counting by its own paper, if sooner. Sessions older than those months when the
    total is reached do not count towards it.
    """
    if requirement.months is None:
        return None
    due, open_sessions = add_months(started_on, requirement.months), list[Evidence]()
    for fact in sorted((e for e in facts if e.is_met), key=attrgetter("occurred_on")):
        oldest = add_months(fact.occurred_on, -requirement.months)
        open_sessions = [
            e
            for e in open_sessions
            if e.occurred_on >= oldest and (e.counts_to is None or e.counts_to >= fact.occurred_on)
        ] + [fact]
        total = sum((e.hours or Decimal(0) for e in open_sessions), Decimal(0))
        if total >= (requirement.hours or Decimal(0)):
            own_ends = (e.counts_to for e in open_sessions if e.counts_to is not None)
            due = max(due, min([add_months(fact.occurred_on, requirement.months), *own_ends]))
            open_sessions = []
    return due


def is_about(fact: Evidence, scope: Scope) -> bool:
    """Whether a fact says anything about this scope; an induction or familiarisation must name its place."""
    if fact.kind is RequirementKind.INDUCTION:
        return fact.site == scope.site
    if fact.kind is RequirementKind.FAMILIARISATION:
        return same_model(fact.machine_model, scope.machine_model)
    if fact.kind in ABOUT_ONE_CATEGORY:
        return fact.category in scope.categories
    return fact.category is None or fact.category in scope.categories
