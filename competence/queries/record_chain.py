"""The chain of evidence behind a verdict: the ticket's events, what met each requirement, and its source."""

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Prefetch

from competence.models import (
    Account,
    Appointment,
    Evidence,
    OperatorState,
    Requirement,
    StandardVersion,
    TicketEvent,
)
from competence.queries.record_rows import Mark, Rows, marks_of, named, requirement_of
from competence.queries.record_words import Wording, wording
from competence.queries.ticket_lists import Names
from competence.queries.tickets import hours_words
from competence.rules.dates import day_at
from competence.rules.gate import Snapshot, Verdict, version_in_force
from competence.rules.grounds import grounds
from competence.rules.hindsight import (
    EvidenceRow,
    PersonRecord,
    RowKey,
    RowKind,
    TicketChain,
    evidence_as_known,
)
from competence.rules.reasons import long_date
from competence.rules.requirements import LASTING, Finding, Met, RequirementKind, Scope
from competence.rules.standing import EventKind, Level, effective_events, standing
from competence.rules.ticket_words import LEVEL_WORDS, state_words


@dataclass(frozen=True)
class Source:
    """What a row of evidence came from, as the app that wrote it tells: an assessment, a sitting.

    ``kind``: ``assessment`` or ``sitting``, for who may open it; ``url_name`` and ``key``: its page;
    ``rows``: its rows as the journal names them; ``assessed_by``: who found what it says.
    """

    kind: str
    what: str
    url_name: str
    key: str
    facts: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, str], ...] = ()
    assessed_by: Account | None = None


# Set by an app above this one when it is ready: of keys of evidence, the source of each that has one. Each is
# asked once per record, and answers in a fixed number of statements.
CHAIN_LINKS: list[Callable[[Collection[int]], Mapping[int, Source]]] = []


@dataclass(frozen=True)
class Place:
    """Where a row stands in the journal, and whether a checkpoint covers it."""

    entry: int
    is_sealed: bool


@dataclass(frozen=True)
class Link:
    """One row of the chain. ``came_later``: it was not written down yet by the moment of knowledge asked
    about; ``appointment``: under which appointment who assessed did so, or that none is on record."""

    row: Any
    worded: Wording
    place: Place | None
    came_later: bool = False
    source: Source | None = None
    source_places: tuple[Place, ...] = ()
    appointment: str = ""

    @property
    def proof(self) -> tuple[str, str] | None:
        """The record that the row is part of, as its page of proof is named; ``None`` where it has none."""
        if isinstance(self.row, Evidence):
            return "evidence", str(self.row.pk)
        if isinstance(self.row, TicketEvent):
            return "ticket", str(self.row.ticket_id)
        if isinstance(self.row, OperatorState):
            return "operator", str(self.row.operator_id)
        return None


@dataclass(frozen=True)
class Ground:
    """One requirement: how it stood, and the rows of evidence that say so."""

    title: str
    kind: RequirementKind
    is_met: bool
    detail: str
    links: tuple[Link, ...]


@dataclass(frozen=True)
class TicketGrounds:
    """One ticket: what it amounted to, its events, and what was shown before it was issued or renewed.

    ``granted``: the day and standard by which ``once`` is judged, in words; empty for a trainee's ticket,
    which asks for nothing beforehand, and where no issue stands.
    """

    number: str
    category: str
    state_word: str
    state_tone: str
    state_detail: str
    level: str
    events: tuple[Link, ...]
    granted: str = ""
    once: tuple[Ground, ...] = ()


@dataclass(frozen=True)
class Chain:
    """Everything behind a verdict. ``standard``: the version by which ``lasting`` is judged."""

    tickets: tuple[TicketGrounds, ...]
    standard: Link | None
    lasting: tuple[Ground, ...]


@dataclass(frozen=True)
class Asked:
    """What the chain is asked about: the moment, by what was known when, and what is told as later."""

    at: datetime
    known_at: datetime
    told_later: datetime
    zone: ZoneInfo
    home_zone: ZoneInfo
    sealed_size: int = 0


def chain_behind(
    rows: Rows,
    person: PersonRecord,
    snapshot: Snapshot,
    verdicts: Collection[Verdict],
    asked: Asked,
    names: Names,
) -> Chain:
    """The chain behind ``verdicts`` on one person, by the facts of ``snapshot``. Five statements, and those
    of ``CHAIN_LINKS``: versions and their lines, sources, appointments, entries of the journal."""
    return _Maker(rows, person, snapshot, asked, names).chain(verdicts)


class _Maker:
    """Collects which rows the chain names first, so that what stands beside them is read all at once."""

    def __init__(
        self, rows: Rows, person: PersonRecord, snapshot: Snapshot, asked: Asked, names: Names
    ) -> None:
        self.rows, self.person, self.snapshot, self.asked, self.names = rows, person, snapshot, asked, names
        self.evidence = evidence_as_known(person.evidence, asked.known_at)
        self.marks: Mapping[tuple[str, str], Mark] = {}
        self.sources: dict[int, Source] = {}
        self.appointments: list[Appointment] = []

    def chain(self, verdicts: Collection[Verdict]) -> Chain:
        chains = self._tickets(verdicts)
        grants = {one.number: self._grant(one) for one in chains}
        versions = self._versions(grants.values())
        once = {one.number: self._once(one, grants[one.number], versions) for one in chains}
        standard, lasting = self._lasting()
        found = [*lasting, *(each for some in once.values() for each in some)]
        self._read_beside(chains, standard, [row for _, _, some in found for row in some])
        return Chain(
            tuple(
                self._ticket(one, grants[one.number], versions, tuple(map(self._ground, once[one.number])))
                for one in chains
            ),
            self._link(RowKind.STANDARD_VERSION, standard.pk) if standard else None,
            tuple(map(self._ground, lasting)),
        )

    def _tickets(self, verdicts: Collection[Verdict]) -> list[TicketChain]:
        """The tickets that the verdicts named: the one that served, or the nearest to serving."""
        numbers = {verdict.ticket for verdict in verdicts} - {None}
        return [one for one in self.person.tickets if one.number in numbers]

    def _grant(self, chain: TicketChain) -> tuple[date, int | None] | None:
        """The day of the last issue or renewal by the moment asked about, and its standard's key."""
        asked = self.asked
        events = [row.event for row in chain.events]
        granting = [
            event
            for event in effective_events(events, at=asked.at, known_at=asked.known_at)
            if event.kind in (EventKind.ISSUED, EventKind.RENEWED)
        ]
        if not granting:
            return None
        key = next(row.key for row in chain.events if row.event.sequence == granting[-1].sequence)
        version = self.rows.by_key[RowKey(RowKind.TICKET_EVENT, key)].standard_version_id
        return day_at(granting[-1].effective_at, self.asked.home_zone), version

    def _versions(self, grants: Iterable[tuple[date, int | None] | None]) -> dict[int, StandardVersion]:
        """Two statements."""
        keys = {grant[1] for grant in grants if grant and grant[1]}
        lines = Prefetch("requirements", Requirement.objects.order_by("pk"))
        found = StandardVersion.objects.filter(pk__in=keys).select_related("category").prefetch_related(lines)
        return {version.pk: version for version in found}

    def _once(self, chain: TicketChain, grant: Any, versions: Mapping[int, StandardVersion]) -> list[Any]:
        if grant is None or grant[1] not in versions:
            return []
        held = standing((row.event for row in chain.events), at=self.asked.at, known_at=self.asked.known_at)
        if held is None or held.level is not Level.FULL:
            return []
        day, key = grant
        site = self.snapshot.machine.site.code if self.snapshot.machine else ""
        scope = Scope(frozenset({chain.category}), site, "", self.person.started_on)
        return [
            (line, *grounds(requirement_of(line), self.evidence, scope, day))
            for line in versions[key].requirements.all()
            if RequirementKind(line.kind) not in LASTING
        ]

    def _lasting(self) -> tuple[StandardVersion | None, list[Any]]:
        machine, facts = self.snapshot.machine, self.snapshot.person
        if machine is None or facts is None:
            return None, []
        today = day_at(self.asked.at, ZoneInfo(machine.site.zone))
        in_force = version_in_force(self.snapshot.standards, today)
        if in_force is None:
            return None, []
        standard = next(
            row
            for key, row in self.rows.by_key.items()
            if key.kind is RowKind.STANDARD_VERSION
            and row.category.code == machine.category
            and row.number == in_force.number
        )
        scope = Scope(
            in_force.accepts | {machine.category}, machine.site.code, machine.machine_model, facts.started_on
        )
        return standard, [
            (line, *grounds(requirement_of(line), self.evidence, scope, today))
            for line in standard.requirements.all()
            if RequirementKind(line.kind) in LASTING
        ]

    def _read_beside(
        self, chains: list[TicketChain], standard: StandardVersion | None, evidence: list[EvidenceRow]
    ) -> None:
        """Two statements, and those of ``CHAIN_LINKS``."""
        back = {row.key: self._came_from(row.key) for row in evidence}
        roots = {key for keys in back.values() for key in keys}
        told: dict[int, Source] = {}
        for links in CHAIN_LINKS:
            told |= links(roots)
        self.sources = {
            key: next(told[one] for one in keys if one in told)
            for key, keys in back.items()
            if any(one in told for one in keys)
        }
        rows = [self.rows.by_key[RowKey(RowKind.EVIDENCE, key)] for key in back]
        rows += [
            self.rows.by_key[RowKey(RowKind.TICKET_EVENT, row.key)] for one in chains for row in one.events
        ]
        rows += [standard] if standard else []
        names = [named(row) for row in rows] + [one for s in self.sources.values() for one in s.rows]
        self.marks = marks_of(names)
        practical = [row for row in rows if isinstance(row, Evidence) and row.kind == "practical"]
        accounts = {row.recorded_by_id for row in practical}
        accounts |= {source.assessed_by.pk for source in self.sources.values() if source.assessed_by}
        self.appointments = list(
            Appointment.objects.filter(account__in=accounts - {None}).order_by("recorded_at", "pk")
        )

    def _came_from(self, key: int) -> list[int]:
        """A row of evidence, and what it corrected, and what that corrected."""
        keys, row = [], self.rows.by_key.get(RowKey(RowKind.EVIDENCE, key))
        while row is not None:
            keys.append(row.pk)
            row = self.rows.by_key.get(RowKey(RowKind.EVIDENCE, row.corrects_id)) if row.corrects_id else None
        return keys

    def _ticket(
        self,
        chain: TicketChain,
        grant: Any,
        versions: Mapping[int, StandardVersion],
        once: tuple[Ground, ...],
    ) -> TicketGrounds:
        asked = self.asked
        held = standing((row.event for row in chain.events), at=asked.at, known_at=asked.known_at)
        words = state_words(held, day_at(asked.at, asked.zone))
        version = versions.get(grant[1]) if grant else None
        granted = f"On {long_date(grant[0])}, by version {version.number} of the standard" if version else ""
        first = self.rows.by_key[RowKey(RowKind.TICKET_EVENT, chain.events[0].key)]
        return TicketGrounds(
            number=chain.number,
            category=first.ticket.category.name,
            state_word=words.word,
            state_tone=words.tone,
            state_detail=words.detail,
            level=LEVEL_WORDS[held.level] if held else "",
            events=tuple(self._link(RowKind.TICKET_EVENT, row.key) for row in chain.events),
            granted=granted if once else "",
            once=once,
        )

    def _ground(self, found: tuple[Requirement, Finding, tuple[EvidenceRow, ...]]) -> Ground:
        line, finding, rows = found
        return Ground(
            title=line.title,
            kind=RequirementKind(line.kind),
            is_met=finding.is_met,
            detail=_detail(finding, line),
            links=tuple(self._link(RowKind.EVIDENCE, row.key) for row in rows),
        )

    def _link(self, kind: RowKind, key: int) -> Link:
        row = self.rows.by_key[RowKey(kind, key)]
        mark = self.marks.get(named(row))
        source = self.sources.get(key) if kind is RowKind.EVIDENCE else None
        places = [self._place(self.marks.get(one)) for one in source.rows] if source else []
        worded = wording(kind, row, mark, self.asked.zone, self.names)
        return Link(
            row=row,
            worded=worded,
            place=self._place(mark),
            came_later=worded.recorded_at > self.asked.told_later,
            source=source,
            source_places=tuple(one for one in places if one is not None),
            appointment=self._appointment(row, source) if kind is RowKind.EVIDENCE else "",
        )

    def _place(self, mark: Mark | None) -> Place | None:
        if mark is None:
            return None
        return Place(mark.entry, mark.position is not None and mark.position < self.asked.sealed_size)

    def _appointment(self, row: Evidence, source: Source | None) -> str:
        """The newest appointment written down by then decides, as where an assessment is started."""
        if row.kind != RequirementKind.PRACTICAL:
            return ""
        account = source.assessed_by if source and source.assessed_by else row.recorded_by
        if account is None:
            return "Who assessed is not named."
        newest = [
            one
            for one in self.appointments
            if one.account_id == account.pk
            and one.category_id == row.category_id
            and one.recorded_at <= row.recorded_at
        ]
        if newest and newest[-1].first_day <= row.occurred_on <= newest[-1].last_day:
            days = f"{long_date(newest[-1].first_day)} to {long_date(newest[-1].last_day)}"
            return f"{account.name} was appointed from {days}."
        return f"No appointment of {account.name} for that day is on record."


_NOT_MET = {
    Met.MISSING: "nothing on record",
    Met.FAILED: "not passed",
    Met.ENDED: "no longer counted",
    Met.SHORT: "not enough hours",
}


def _detail(finding: Finding, line: Requirement) -> str:
    """How a requirement stood, beside the word met or not met."""
    parts = [] if finding.is_met else [_NOT_MET[finding.met]]
    if finding.since:
        parts.append(f"since {long_date(finding.since)}")
    # Of a refresher the hours of every year add up to nothing that the standard asks about.
    if line.hours and line.kind != RequirementKind.REFRESHER:
        parts.append(hours_words(finding.hours, line.hours))
    if finding.counts_to:
        parts.append(f"counts to {long_date(finding.counts_to)}")
    return ", ".join(parts)
