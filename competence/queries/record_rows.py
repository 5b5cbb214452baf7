"""Every row that the record of one person and one machine rests on, with when and by whom it was written."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any

from django.db.models import Model, Prefetch, Q

from competence.models import (
    Account,
    DailyCheck,
    Evidence,
    FittedFeature,
    JournalledRow,
    Machine,
    MachineState,
    Operator,
    OperatorState,
    Refusal,
    Requirement,
    StandardVersion,
    TicketEvent,
)
from competence.queries.gate import attachments_of_state, machine_facts
from competence.rules.conditions import Conditions
from competence.rules.gate import StandardFacts
from competence.rules.hindsight import (
    EventRow,
    EvidenceRow,
    MachineRecord,
    MachineStateRow,
    OperatorStateRow,
    PersonRecord,
    RowKey,
    RowKind,
    StandardRow,
    StartRow,
    TicketChain,
)
from competence.rules.requirements import Evidence as Fact
from competence.rules.requirements import Requirement as Line
from competence.rules.requirements import RequirementKind
from competence.rules.standing import Event, EventKind, Level

# A check or a refusal this far from the moment asked about is of another shift (common practice).
ABOUT_THEN = timedelta(hours=12)
_KINDS = list(RequirementKind)


@dataclass(frozen=True)
class FirstDayPutRight:
    """A first day at work as one entry of the journal left it; no row of its own keeps it."""

    entry: int
    operator: Operator
    started_on: date
    recorded_at: datetime
    recorded_by: Account | None
    reason: str
    position: int | None


@dataclass(frozen=True)
class Mark:
    """Where a row stands in the journal: the entry that first committed to it, and by whom it was made."""

    entry: int
    at: datetime
    position: int | None
    by: Account | None


@dataclass
class Rows:
    """The rows of one record, and the rows that the rules' plain facts were made of, by key."""

    people: dict[str, PersonRecord] = field(default_factory=dict)
    machine: MachineRecord | None = None
    # Of every kind but ``OPERATOR`` a database row; of that one ``FirstDayPutRight``.
    by_key: dict[RowKey, Any] = field(default_factory=dict)


def rows_of_record(operators: Collection[Operator], machine: Machine) -> Rows:
    """Everything ever written down about these people and this machine. Eight statements, and three more
    where a category has standards."""
    rows = Rows()
    states = _grouped(
        OperatorState.objects.filter(operator__in=operators).select_related("site", "employer"), "operator_id"
    )
    events = _events(operators)
    evidence = _grouped(
        Evidence.objects.filter(operator__in=operators).select_related(
            "category", "site", "recorded_by", "corrects"
        ),
        "operator_id",
    )
    starts = _first_days(operators)
    for operator in operators:
        rows.people[operator.number] = PersonRecord(
            number=operator.number,
            name=operator.name,
            started_on=operator.started_on,
            states=tuple(
                OperatorStateRow(row.pk, row.effective_at, row.recorded_at, row.is_active)
                for row in states[operator.pk]
            ),
            tickets=_chains(events[operator.pk]),
            evidence=tuple(_evidence_row(row) for row in evidence[operator.pk]),
            starts=tuple(StartRow(one.entry, one.recorded_at, one.started_on) for one in starts[operator.pk]),
        )
        rows.by_key |= {RowKey(RowKind.OPERATOR_STATE, row.pk): row for row in states[operator.pk]}
        rows.by_key |= {RowKey(RowKind.TICKET_EVENT, row.pk): row for row in events[operator.pk]}
        rows.by_key |= {RowKey(RowKind.EVIDENCE, row.pk): row for row in evidence[operator.pk]}
        rows.by_key |= {RowKey(RowKind.OPERATOR, one.entry): one for one in starts[operator.pk]}
    _add_machine(rows, machine)
    return rows


def _grouped(found: Iterable[Any], by: str) -> dict[Any, list[Any]]:
    grouped: dict[Any, list[Any]] = defaultdict(list)
    for row in found:
        grouped[getattr(row, by)].append(row)
    for rows in grouped.values():
        rows.sort(key=lambda row: row.pk)
    return grouped


def _events(operators: Collection[Operator]) -> dict[int, list[TicketEvent]]:
    """One statement."""
    found: dict[int, list[TicketEvent]] = defaultdict(list)
    for event in (
        TicketEvent.objects.filter(ticket__operator__in=operators)
        .select_related("ticket__category", "recorded_by", "corrects", "standard_version")
        .order_by("ticket_id", "sequence")
    ):
        found[event.ticket.operator_id].append(event)
    return found


def _chains(events: Iterable[TicketEvent]) -> tuple[TicketChain, ...]:
    chains: dict[tuple[str, str], list[EventRow]] = defaultdict(list)
    for event in events:
        chains[event.ticket.number, event.ticket.category.code].append(EventRow(event.pk, event_of(event)))
    return tuple(TicketChain(*ticket, tuple(rows)) for ticket, rows in chains.items())


def event_of(row: TicketEvent) -> Event:
    """A row of a chain, with what it ``corrects`` beside it, as the rules see it. No statement."""
    return Event(
        sequence=row.sequence,
        kind=EventKind(row.kind),
        effective_at=row.effective_at,
        recorded_at=row.recorded_at,
        level=Level(row.level) if row.level else None,
        first_day=row.first_day,
        last_day=row.last_day,
        conditions=None if row.conditions is None else Conditions.from_plain(row.conditions),
        corrects=row.corrects.sequence if row.corrects else None,
        strikes_out=row.strikes_out,
    )


def _evidence_row(row: Evidence) -> EvidenceRow:
    fact = Fact(
        kind=RequirementKind(row.kind),
        occurred_on=row.occurred_on,
        is_met=row.is_met,
        counts_to=row.counts_to,
        hours=row.hours,
        category=row.category.code if row.category else None,
        site=row.site.code if row.site else None,
        machine_model=row.machine_model or None,
    )
    return EvidenceRow(row.pk, row.recorded_at, fact, row.corrects_id, row.strikes_out)


def _first_days(operators: Collection[Operator]) -> dict[int, list[FirstDayPutRight]]:
    """Each first day at work that a person ever had, from the journal's images of them; nothing for who
    never had another. One statement."""
    by_key = {str(operator.pk): operator for operator in operators}
    images = (
        JournalledRow.objects.filter(
            kind=Operator._meta.label_lower, key__in=by_key, content__started_on__isnull=False
        )
        .select_related("entry__by")
        .defer("salt", "commitment")
        .order_by("entry_id", "pk")
    )
    found: dict[int, list[FirstDayPutRight]] = defaultdict(list)
    for image in images:
        operator, entry = by_key[image.key], image.entry
        started_on = date.fromisoformat(image.content["started_on"])
        earlier = found[operator.pk]
        if not earlier or earlier[-1].started_on != started_on:
            earlier.append(
                FirstDayPutRight(
                    entry.pk, operator, started_on, entry.at, entry.by, entry.reason, entry.position
                )
            )
    return defaultdict(list, {key: days for key, days in found.items() if len(days) > 1})


def _add_machine(rows: Rows, machine: Machine) -> None:
    """Four statements; one more for each of a standard's two kinds of lines."""
    fitted = FittedFeature.objects.select_related("feature").order_by("feature__name")
    states = list(
        MachineState.objects.filter(machine=machine)
        .select_related("machine", "site", "category")
        .annotate(attachment_rows=attachments_of_state())
        .prefetch_related(Prefetch("fitted", fitted))
        .order_by("pk")
    )
    versions = list(
        StandardVersion.objects.filter(category__in={state.category_id for state in states})
        .select_related("category", "recorded_by")
        .prefetch_related(Prefetch("requirements", Requirement.objects.order_by("pk")), "accepted__category")
        .order_by("category_id", "number")
    )
    rows.machine = MachineRecord(
        machine.fleet_number,
        tuple(
            MachineStateRow(state.pk, state.effective_at, state.recorded_at, machine_facts(state))
            for state in states
        ),
        tuple(
            StandardRow(version.pk, version.category.code, version.recorded_at, standard_facts(version))
            for version in versions
        ),
    )
    rows.by_key |= {RowKey(RowKind.MACHINE_STATE, state.pk): state for state in states}
    rows.by_key |= {RowKey(RowKind.STANDARD_VERSION, version.pk): version for version in versions}


def standard_facts(version: StandardVersion) -> StandardFacts:
    """A version as the rules see it; no statement where its lines and accepted categories were read."""
    lines = [requirement_of(row) for row in version.requirements.all()]
    return StandardFacts(
        version.number,
        version.in_force_from,
        frozenset(one.category.code for one in version.accepted.all()),
        tuple(sorted(lines, key=lambda line: _KINDS.index(line.kind))),
    )


def requirement_of(row: Requirement) -> Line:
    return Line(RequirementKind(row.kind), row.months, row.hours, row.recall_level)


def checks_about_then(operator: Operator, machine: Machine, at: datetime) -> list[DailyCheck | Refusal]:
    """The checks that the person started on the machine about then, and the refusals, the nearest first. Two
    statements."""
    first, last = at - ABOUT_THEN, at + ABOUT_THEN
    checks = DailyCheck.objects.filter(operator=operator, machine=machine, started_at__range=(first, last))
    refusals = Refusal.objects.filter(operator=operator, machine=machine, at__range=(first, last))
    found = [*checks.select_related("site", "supervisor"), *refusals.select_related("site", "supervisor")]
    return sorted(found, key=lambda one: (abs(moment_of(one) - at), str(one.pk)))


def moment_of(stored: DailyCheck | Refusal) -> datetime:
    """When the gate was asked whose answer was stored."""
    return stored.started_at if isinstance(stored, DailyCheck) else stored.at


def marks_of(rows: Iterable[tuple[str, str]]) -> Mapping[tuple[str, str], Mark]:
    """Of rows, each as the journal names it (kind and key), the first entry that committed to it. One
    statement."""
    keys: dict[str, set[str]] = defaultdict(set)
    for kind, key in rows:
        keys[kind].add(key)
    asked = Q(pk__in=())
    for kind, some in sorted(keys.items()):
        asked |= Q(kind=kind, key__in=sorted(some))
    found: dict[tuple[str, str], Mark] = {}
    journalled = JournalledRow.objects.filter(asked).select_related("entry__by")
    for row in journalled.only("kind", "key", "entry__at", "entry__position", "entry__by").order_by(
        "-entry_id"
    ):
        entry = row.entry
        found[row.kind, row.key] = Mark(entry.pk, entry.at, entry.position, entry.by)
    return found


def named(row: Model) -> tuple[str, str]:
    """A row as the journal names it."""
    return row._meta.label_lower, str(row.pk)
