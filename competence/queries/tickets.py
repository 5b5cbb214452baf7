"""What tickets amount to, and what is still missing for one."""

from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

from competence.models import Category, Evidence, Operator, StandardVersion, Ticket
from competence.models import Requirement as RequirementLine
from competence.queries.evidence import evidence_facts
from competence.queries.versions import version_on
from competence.rules.conditions import Conditions
from competence.rules.dates import Period, PeriodEnd, RenewalRefused, day_at, renewed_period
from competence.rules.reasons import long_date
from competence.rules.requirements import LASTING, Met, Requirement, RequirementKind, Scope, assess
from competence.rules.requirements import Evidence as Fact
from competence.rules.standing import Event, EventKind, Level, Standing, effective_events, standing

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


def chain_of(ticket: Ticket) -> list[Event]:
    """Every event of a ticket. One statement."""
    return [event_from(row) for row in ticket.events.values_list(*EVENT_COLUMNS)]


def fold(ticket: Ticket, *, at: datetime, known_at: datetime) -> Standing | None:
    """The standing of one ticket from its events. One statement."""
    return standing(chain_of(ticket), at=at, known_at=known_at)


def column_standing(ticket: Ticket) -> Standing | None:
    """Today's standing as the ticket's own columns repeat it, for lists. No statement."""
    if ticket.level is None:
        return None
    return Standing(
        level=Level(ticket.level),
        first_day=ticket.first_day,
        last_day=ticket.last_day,
        conditions=Conditions.from_plain(ticket.conditions),
        since=ticket.since,
        is_suspended=ticket.is_suspended,
        is_withdrawn=ticket.is_withdrawn,
    )


def last_effect(chain: Iterable[Event], *, known_at: datetime) -> datetime | None:
    """When the newest event that still stands took effect."""
    return max(
        (e.effective_at for e in effective_events(chain, at=known_at, known_at=known_at)), default=None
    )


def last_granted_on(chain: Iterable[Event], zone: ZoneInfo, *, known_at: datetime) -> date | None:
    """The day on which the ticket was last issued or renewed, corrections applied; ``None`` where no issue
    stands. Only a practical assessment after that day renews it: one of that day or before went into it.

    A renewal takes effect when it is written down. Corrected to an earlier day, it still used up what had
    been passed by then, so the later of its two days counts.
    """
    chain = list(chain)
    written = {event.sequence: event.effective_at for event in chain}
    moments = []
    for event in effective_events(chain, at=known_at, known_at=known_at):
        if event.kind is EventKind.ISSUED:
            moments.append(event.effective_at)
        elif event.kind is EventKind.RENEWED:
            moments.append(max(event.effective_at, written[event.sequence]))
    return day_at(max(moments), zone) if moments else None


def standing_without(
    chain: Iterable[Event], sequence: int, *, at: datetime, known_at: datetime
) -> Standing | None:
    """What the ticket amounted to at a moment, had that one event (and its corrections) never been."""
    others = [event for event in chain if event.sequence != sequence and event.corrects != sequence]
    return standing(others, at=at, known_at=known_at)


def period_after_renewal(held: Standing, standard: StandardVersion, assessed_on: date) -> Period:
    """The period that a renewal would give by this standard; raises ``RenewalRefused``, also where it would
    make the ticket no longer."""
    period = renewed_period(
        Period(held.first_day, held.last_day),
        assessed_on,
        months=standard.months,
        ends=PeriodEnd(standard.period_end),
        window_days=standard.renewal_window_days,
        lapse_limit_days=standard.lapse_limit_days,
    )
    if period.last_day <= held.last_day:
        raise RenewalRefused(
            f"Assessed on {long_date(assessed_on)}, the ticket would end no later than it does now, on "
            f"{long_date(held.last_day)}. A renewal takes a newer assessment: record it first."
        )
    return period


def standard_on(category: Category, on: date) -> StandardVersion | None:
    """The version of a category's standard in force on a day. One statement."""
    return version_on(StandardVersion.objects.all(), category, on)


def missing_for_full_ticket(
    operator: Operator, standard: StandardVersion, *, on: date, today: date, known_at: datetime
) -> list[str]:
    """The once-only requirements of a standard that the evidence does not meet on a day, by title.

    What was failed after that day, up to ``today``, is missing too. Two statements.
    """
    only_them = Operator.objects.filter(pk=operator.pk)
    facts = evidence_facts(only_them, known_at=known_at, kinds=ONCE_ONLY).get(operator.number, [])
    scope = Scope(frozenset({standard.category.code}), operator.site.code, "", operator.started_on)
    return missing_of(standard.requirements.order_by("pk"), facts, scope, on=on, today=today)


def missing_of(
    lines: Iterable[RequirementLine], facts: Sequence[Fact], scope: Scope, *, on: date, today: date
) -> list[str]:
    """Of a standard's lines, the once-only ones that these facts do not meet, with the hours so far."""
    missing = []
    for line in lines:
        kind = RequirementKind(line.kind)
        if kind in LASTING:
            continue
        asked = Requirement(kind, line.months, line.hours)
        found = assess(asked, facts, scope, on)
        later = assess(asked, facts, scope, max(on, today))
        if later.met is Met.FAILED:
            missing.append(f"{line.title} (the last, on {long_date(later.since)}, was not passed)")
        elif not found.is_met:
            have = f" ({hours_words(found.hours, line.hours)})" if line.hours else ""
            missing.append(f"{line.title}{have}")
    return missing


def hours_words(done: Decimal | None, needed: Decimal) -> str:
    """So many of so many hours, without the noughts that a column adds: 3.5 of 40 h."""
    return f"{(done or Decimal(0)).normalize():f} of {needed.normalize():f} h"


def practical_assessors(operator: Operator, category: Category, *, on: date | None = None) -> set[int]:
    """Ids of the accounts that recorded a passed practical assessment which still counts, newest day only
    (or the given day only). Who recorded a row that was corrected since is among them: putting right a
    slip of the pen does not make somebody else the assessor. One statement."""
    rows = {
        row.pk: row
        for row in Evidence.objects.filter(
            operator=operator, category=category, kind=RequirementKind.PRACTICAL.value
        )
    }
    corrected = {row.corrects_id for row in rows.values()}
    counting = [r for r in rows.values() if r.is_met and not r.strikes_out and r.pk not in corrected]
    day = on or max((row.occurred_on for row in counting), default=None)
    assessors = set()
    for row in counting:
        if row.occurred_on != day:
            continue
        link: Evidence | None = row
        while link is not None:
            assessors.add(link.recorded_by_id)
            link = rows.get(link.corrects_id)
    return assessors - {None}
