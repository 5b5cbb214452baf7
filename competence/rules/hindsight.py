"""Hindsight: what the gate's answer about one past moment was by what was written down by each later one.

A ``Record`` holds every row about one person and one machine, each with the moment at which it was written
down. ``snapshot_as_known`` cuts it off at one moment; ``changes_of_mind`` asks the gate again at each moment
at which something was written down, and keeps those at which the answer became another.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

from .gate import (
    MachineFacts,
    PersonFacts,
    Snapshot,
    StandardFacts,
    Supervision,
    TicketFacts,
    Verdict,
    decide,
)
from .reasons import Reason
from .requirements import LASTING, Evidence
from .standing import Event, standing


class RowKind(StrEnum):
    """The rows that a verdict can rest on."""

    OPERATOR = "operator"
    OPERATOR_STATE = "operator_state"
    TICKET_EVENT = "ticket_event"
    EVIDENCE = "evidence"
    MACHINE_STATE = "machine_state"
    STANDARD_VERSION = "standard_version"


@dataclass(frozen=True, slots=True, order=True)
class RowKey:
    """One row, by its kind and its primary key. An ``OPERATOR``'s key is that of the journal's entry, since
    a first day at work is put right in place."""

    kind: RowKind
    key: int


@dataclass(frozen=True, slots=True)
class StartRow:
    """The first day at work as it stood from one entry of the journal on."""

    key: int
    recorded_at: datetime
    started_on: date


@dataclass(frozen=True, slots=True)
class OperatorStateRow:
    key: int
    effective_at: datetime
    recorded_at: datetime
    is_active: bool


@dataclass(frozen=True, slots=True)
class EventRow:
    key: int
    event: Event


@dataclass(frozen=True, slots=True)
class TicketChain:
    number: str
    category: str
    events: tuple[EventRow, ...]


@dataclass(frozen=True, slots=True)
class EvidenceRow:
    """``corrects``: the key of the row that this one replaces, or with ``strikes_out`` removes."""

    key: int
    recorded_at: datetime
    fact: Evidence
    corrects: int | None = None
    strikes_out: bool = False


@dataclass(frozen=True, slots=True)
class PersonRecord:
    """Everything ever written down about one person that the gate may ask for.

    ``starts`` is empty where the first day was never put right; ``started_on`` is what it says today.
    """

    number: str
    name: str
    started_on: date
    states: tuple[OperatorStateRow, ...] = ()
    tickets: tuple[TicketChain, ...] = ()
    evidence: tuple[EvidenceRow, ...] = ()
    starts: tuple[StartRow, ...] = ()


@dataclass(frozen=True, slots=True)
class MachineStateRow:
    key: int
    effective_at: datetime
    recorded_at: datetime
    facts: MachineFacts


@dataclass(frozen=True, slots=True)
class StandardRow:
    key: int
    category: str
    recorded_at: datetime
    facts: StandardFacts


@dataclass(frozen=True, slots=True)
class MachineRecord:
    """Every state of one machine, and every version of the standard of each category that it ever had."""

    number: str
    states: tuple[MachineStateRow, ...] = ()
    standards: tuple[StandardRow, ...] = ()


@dataclass(frozen=True, slots=True)
class Record:
    """All that was ever written down about one question at the gate. ``supervisor``: whom a trainee named."""

    person: PersonRecord | None
    machine: MachineRecord | None
    supervisor: PersonRecord | None = None
    is_confirmed: bool = False


@dataclass(frozen=True, slots=True)
class ChangeOfMind:
    """A moment from which the register answered otherwise, and what was written down then.

    ``rows``: of the rows of that moment those without which the answer would have stayed, or all of them
    where no single one was needed.
    """

    recorded_at: datetime
    rows: tuple[RowKey, ...]
    before: Verdict
    after: Verdict

    @property
    def turned(self) -> bool:
        """Whether yes became no, or no yes; else only a reason changed."""
        return self.before.is_allowed is not self.after.is_allowed

    @property
    def gone(self) -> tuple[Reason, ...]:
        return tuple(one for one in self.before.reasons if one not in self.after.reasons)

    @property
    def come(self) -> tuple[Reason, ...]:
        return tuple(one for one in self.after.reasons if one not in self.before.reasons)


def snapshot_as_known(record: Record, *, at: datetime, known_at: datetime) -> Snapshot:
    """The gate's facts at ``at``, by the rows written down by ``known_at``; the same as asking a register
    that held only those."""
    machine, standards = _machine_as_known(record.machine, at, known_at)
    supervision = None
    if record.supervisor is not None:
        supervisor = person_as_known(record.supervisor, at=at, known_at=known_at)
        supervision = Supervision(supervisor, record.is_confirmed)
    person = None if record.person is None else person_as_known(record.person, at=at, known_at=known_at)
    came_later = machine is None and record.machine is not None
    return Snapshot(person, machine, standards, supervision, came_later)


def person_as_known(person: PersonRecord, *, at: datetime, known_at: datetime) -> PersonFacts:
    """One person as the rows written down by ``known_at`` have them at ``at``. Names are those of today."""
    states = [s for s in person.states if s.effective_at <= at and s.recorded_at <= known_at]
    state = max(states, key=lambda s: (s.effective_at, s.recorded_at, s.key), default=None)
    return PersonFacts(
        number=person.number,
        name=person.name,
        is_active=state is not None and state.is_active,
        was_entered=state is not None,
        started_on=_started_on(person, known_at),
        tickets=tuple(
            TicketFacts(
                chain.number,
                chain.category,
                standing((row.event for row in chain.events), at=at, known_at=known_at),
            )
            for chain in person.tickets
        ),
        # The gate asks only for what must hold at every check; the rest was shown once, for the ticket.
        evidence=tuple(
            row.fact for row in evidence_as_known(person.evidence, known_at) if row.fact.kind in LASTING
        ),
    )


def evidence_as_known(rows: Iterable[EvidenceRow], known_at: datetime) -> tuple[EvidenceRow, ...]:
    """The evidence that stood by ``known_at``: not struck out, and not replaced, by what was written then."""
    known = [row for row in rows if row.recorded_at <= known_at]
    replaced = {row.corrects for row in known if row.corrects is not None}
    return tuple(row for row in known if not row.strikes_out and row.key not in replaced)


def _started_on(person: PersonRecord, known_at: datetime) -> date:
    by_then = [row for row in person.starts if row.recorded_at <= known_at]
    if by_then:
        return max(by_then, key=lambda row: (row.recorded_at, row.key)).started_on
    return person.starts[0].started_on if person.starts else person.started_on


def _machine_as_known(
    machine: MachineRecord | None, at: datetime, known_at: datetime
) -> tuple[MachineFacts | None, tuple[StandardFacts, ...]]:
    if machine is None:
        return None, ()
    states = [s for s in machine.states if s.effective_at <= at and s.recorded_at <= known_at]
    state = max(states, key=lambda s: (s.effective_at, s.recorded_at, s.key), default=None)
    if state is None:
        return None, ()
    return state.facts, tuple(
        row.facts
        for row in machine.standards
        if row.category == state.facts.category and row.recorded_at <= known_at
    )


def written_down(record: Record) -> dict[RowKey, datetime]:
    """Every row of the record, with the moment at which it was written down."""
    return dict(_written_down(record))


def _written_down(record: Record) -> Iterator[tuple[RowKey, datetime]]:
    for person in (record.person, record.supervisor):
        if person is None:
            continue
        for start in person.starts:
            yield RowKey(RowKind.OPERATOR, start.key), start.recorded_at
        for state in person.states:
            yield RowKey(RowKind.OPERATOR_STATE, state.key), state.recorded_at
        for chain in person.tickets:
            for row in chain.events:
                yield RowKey(RowKind.TICKET_EVENT, row.key), row.event.recorded_at
        for fact in person.evidence:
            yield RowKey(RowKind.EVIDENCE, fact.key), fact.recorded_at
    if record.machine is not None:
        for machine_state in record.machine.states:
            yield RowKey(RowKind.MACHINE_STATE, machine_state.key), machine_state.recorded_at
        for version in record.machine.standards:
            yield RowKey(RowKind.STANDARD_VERSION, version.key), version.recorded_at


def verdict_as_known(record: Record, *, at: datetime, known_at: datetime) -> Verdict:
    """The gate's answer about ``at``, by what was written down by ``known_at``."""
    return decide(snapshot_as_known(record, at=at, known_at=known_at), at)


def same_answer(one: Verdict, other: Verdict) -> bool:
    """Whether two verdicts say the same: yes or no, for the same reasons in whatever order."""
    return one.is_allowed is other.is_allowed and set(one.reasons) == set(other.reasons)


def changes_of_mind(
    record: Record, *, at: datetime, since: datetime, until: datetime
) -> tuple[ChangeOfMind, ...]:
    """Each moment after ``since``, up to ``until``, from which the register answered otherwise about ``at``,
    in order.

    Between two moments at which something was written down nothing can change, so each is asked about once:
    the first ``before`` is the answer as known at ``since``, the last ``after`` that at ``until``.
    """
    by_moment: dict[datetime, list[RowKey]] = {}
    for key, moment in written_down(record).items():
        if since < moment <= until:
            by_moment.setdefault(moment, []).append(key)
    before = verdict_as_known(record, at=at, known_at=since)
    found: list[ChangeOfMind] = []
    for moment in sorted(by_moment):
        after = verdict_as_known(record, at=at, known_at=moment)
        if not same_answer(before, after):
            rows = _needed(record, sorted(by_moment[moment]), at, moment, after)
            found.append(ChangeOfMind(moment, rows, before, after))
        before = after
    return tuple(found)


def _needed(
    record: Record, rows: list[RowKey], at: datetime, known_at: datetime, after: Verdict
) -> tuple[RowKey, ...]:
    """Of the rows written down at one moment, those without which the answer would not be ``after``."""
    if len(rows) == 1:
        return tuple(rows)
    needed = [
        row
        for row in rows
        if not same_answer(verdict_as_known(without(record, row), at=at, known_at=known_at), after)
    ]
    return tuple(needed or rows)


def without(record: Record, row: RowKey) -> Record:
    """The record as if one row had never been written down, nor the corrections of it."""
    return replace(
        record,
        person=record.person and _person_without(record.person, row),
        supervisor=record.supervisor and _person_without(record.supervisor, row),
        machine=record.machine and _machine_without(record.machine, row),
    )


def _person_without(person: PersonRecord, row: RowKey) -> PersonRecord:
    if row.kind is RowKind.OPERATOR:
        return replace(person, starts=tuple(one for one in person.starts if one.key != row.key))
    if row.kind is RowKind.OPERATOR_STATE:
        return replace(person, states=tuple(one for one in person.states if one.key != row.key))
    if row.kind is RowKind.EVIDENCE:
        gone = _with_corrections({row.key}, [(one.key, one.corrects) for one in person.evidence])
        return replace(person, evidence=tuple(one for one in person.evidence if one.key not in gone))
    if row.kind is RowKind.TICKET_EVENT:
        return replace(person, tickets=tuple(_chain_without(chain, row.key) for chain in person.tickets))
    return person


def _chain_without(chain: TicketChain, key: int) -> TicketChain:
    gone = _with_corrections(
        {one.event.sequence for one in chain.events if one.key == key},
        [(one.event.sequence, one.event.corrects) for one in chain.events],
    )
    return replace(chain, events=tuple(one for one in chain.events if one.event.sequence not in gone))


def _with_corrections(gone: set[int], rows: Collection[tuple[int, int | None]]) -> set[int]:
    """The rows, and whatever corrects one of them, and so on."""
    while more := {key for key, corrects in rows if corrects in gone} - gone:
        gone = gone | more
    return gone


def _machine_without(machine: MachineRecord, row: RowKey) -> MachineRecord:
    if row.kind is RowKind.MACHINE_STATE:
        return replace(machine, states=tuple(one for one in machine.states if one.key != row.key))
    if row.kind is RowKind.STANDARD_VERSION:
        return replace(machine, standards=tuple(one for one in machine.standards if one.key != row.key))
    return machine


def known_since(record: Record) -> datetime | None:
    """The first moment by which the register knew of both the person and the machine; ``None`` where it
    never knew of one of them."""
    if record.person is None or record.machine is None:
        return None
    person = min((row.recorded_at for row in record.person.states), default=None)
    machine = min((row.recorded_at for row in record.machine.states), default=None)
    return max(person, machine) if person and machine else None
