"""What of a person's record has an end, and on which day it stops counting."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from competence.rules.gate import StandardFacts
from competence.rules.requirements import (
    LASTING,
    Evidence,
    Met,
    Requirement,
    RequirementKind,
    Scope,
    assess,
    model_key,
)

TICKET, APPOINTMENT = "ticket", "appointment"


@dataclass(frozen=True, slots=True, order=True)
class Window:
    """Whole days, both ends included."""

    first: date
    last: date

    def holds(self, day: date | None) -> bool:
        return day is not None and self.first <= day <= self.last


@dataclass(frozen=True, slots=True)
class Ending:
    """One thing that stops counting after the day ``on``. ``about``: the site or the model that it names;
    ``categories``: those of the person's tickets that need it."""

    kind: str
    on: date
    about: str
    categories: frozenset[str]


def lasting_ends(
    held: Iterable[str],
    standards: Mapping[str, StandardFacts],
    evidence: Sequence[Evidence],
    started_on: date,
    today: date,
    window: Window,
) -> list[Ending]:
    """When what the standards of the ``held`` categories ask for lastingly stops being met, where that day is
    in the ``window``. ``standards``: those in force today.

    The same question as the gate's, by ``assess``; what has failed or was never there has no end. An
    induction is asked about every site that the person was inducted at, a familiarisation about every model.
    """
    by_kind: dict[RequirementKind, list[Evidence]] = defaultdict(list)
    for fact in evidence:
        by_kind[fact.kind].append(fact)
    found: dict[tuple[str, str, date], set[str]] = defaultdict(set)
    seen: dict[tuple[object, ...], date | None] = {}
    for category in held:
        standard = standards.get(category)
        for requirement in standard.requirements if standard else ():
            facts = by_kind[requirement.kind]
            if standard is None or requirement.kind not in LASTING:
                continue
            categories = frozenset({category}) | standard.accepts
            for about, scope in _scopes(requirement.kind, facts, categories, started_on):
                # Most people hold several tickets, and their standards mostly ask for the same.
                is_general = all(fact.category is None for fact in facts)
                key = (requirement, about, None if is_general else categories)
                if key not in seen:
                    seen[key] = end_of(requirement, facts, scope, today)
                end = seen[key]
                if end is not None and window.holds(end):
                    found[requirement.kind.value, about, end].add(category)
    return [Ending(kind, on, about, frozenset(codes)) for (kind, about, on), codes in found.items()]


def end_of(requirement: Requirement, facts: Sequence[Evidence], scope: Scope, today: date) -> date | None:
    """The last day on which the requirement is or was met; ``None`` where it is met for good, was failed, or
    never was met."""
    finding = assess(requirement, facts, scope, today)
    if finding.met is Met.MET:
        return finding.counts_to
    # A refresher that was not done is told as missing, with the day by which it was due.
    is_overdue = requirement.kind is RequirementKind.REFRESHER and finding.met is not Met.FAILED
    return finding.since if finding.met is Met.ENDED or is_overdue else None


def _scopes(
    kind: RequirementKind, facts: Sequence[Evidence], categories: frozenset[str], started_on: date
) -> Iterable[tuple[str, Scope]]:
    if kind is RequirementKind.INDUCTION:
        for site in sorted({fact.site for fact in facts if fact.site}):
            yield site, Scope(categories, site, "", started_on)
    elif kind is RequirementKind.FAMILIARISATION:
        models = {model_key(fact.machine_model): fact.machine_model for fact in facts if fact.machine_model}
        for model in models.values():
            yield model, Scope(categories, "", model, started_on)
    else:
        yield "", Scope(categories, "", "", started_on)


NUMBERS = ("none", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def number_words(number: int) -> str:
    return NUMBERS[number] if number < len(NUMBERS) else str(number)
