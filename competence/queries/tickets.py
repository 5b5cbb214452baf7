"""What tickets amount to, and what is still missing for one."""

from datetime import date, datetime
from typing import Any

from django.db.models import Q

from competence.models import Category, Evidence, Operator, StandardVersion, Ticket
from competence.queries.evidence import evidence_facts
from competence.rules.conditions import Conditions
from competence.rules.requirements import LASTING, Requirement, RequirementKind, Scope, assess
from competence.rules.standing import Event, EventKind, Level, Standing, standing

EVENT_COLUMNS = (
    "sequence",
    "kind",
    "effective_at",
    "recorded_at",
    "level",
    "first_day",
    "last_day",
    "conditions",
    "corrects__sequence",
    "strikes_out",
)

ONCE_ONLY = frozenset(RequirementKind) - LASTING


def event_from(columns: tuple[Any, ...]) -> Event:
    """A row of ``EVENT_COLUMNS`` as the rules see it."""
    (
        sequence,
        kind,
        effective_at,
        recorded_at,
        level,
        first_day,
        last_day,
        conditions,
        corrects,
        strikes_out,
    ) = columns
    return Event(
        sequence=sequence,
        kind=EventKind(kind),
        effective_at=effective_at,
        recorded_at=recorded_at,
        level=Level(level) if level else None,
        first_day=first_day,
        last_day=last_day,
        conditions=None if conditions is None else Conditions.from_plain(conditions),
        corrects=corrects,
        strikes_out=strikes_out,
    )


def fold(ticket: Ticket, *, at: datetime, known_at: datetime) -> Standing | None:
    """The standing of one ticket from its events. One statement."""
    events = map(event_from, ticket.events.values_list(*EVENT_COLUMNS))
    return standing(events, at=at, known_at=known_at)


def standard_on(category: Category, on: date) -> StandardVersion | None:
    """The version of a category's standard in force on a day. One statement."""
    return (
        StandardVersion.objects.filter(category=category, in_force_from__lte=on)
        .order_by("-in_force_from")
        .first()
    )


def missing_for_full_ticket(
    operator: Operator, standard: StandardVersion, *, on: date, known_at: datetime
) -> list[str]:
    """The once-only requirements of a standard that the evidence does not meet on a day, by title."""
    only_them = Operator.objects.filter(pk=operator.pk)
    facts = evidence_facts(only_them, known_at=known_at, kinds=ONCE_ONLY).get(operator.number, [])
    scope = Scope(frozenset({standard.category.code}), operator.site.code, "", operator.started_on)
    missing = []
    for line in standard.requirements.order_by("pk"):
        kind = RequirementKind(line.kind)
        if kind in LASTING:
            continue
        found = assess(Requirement(kind, line.months, line.hours), facts, scope, on)
        if not found.is_met:
            have = f" ({found.hours or 0} of {line.hours} h)" if line.hours else ""
            missing.append(f"{line.title}{have}")
    return missing


def practical_assessors(operator: Operator, category: Category, *, on: date | None = None) -> set[int]:
    """Ids of the accounts that recorded a passed practical assessment which still counts, newest day only
    (or the given day only). One statement."""
    facts = Evidence.objects.filter(
        Q(corrected_by__isnull=True),
        operator=operator,
        category=category,
        kind=RequirementKind.PRACTICAL.value,
        is_met=True,
        strikes_out=False,
    ).order_by("-occurred_on")
    if on is not None:
        facts = facts.filter(occurred_on=on)
    rows = list(facts.values_list("occurred_on", "recorded_by_id"))
    return {recorded_by for day, recorded_by in rows if day == rows[0][0] and recorded_by is not None}
