"""From rows to the gate's facts, as they were at one moment and known at one moment."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from datetime import date, datetime
from decimal import Decimal
from functools import cache
from typing import Any

from django.db.models import OuterRef, QuerySet, Subquery

from competence.models import FittedFeature, Machine, MachineState, Operator, OperatorState, StandardVersion
from competence.queries.evidence import evidence_facts
from competence.queries.json_rows import moment_from, rows_of
from competence.queries.replica import from_primary
from competence.queries.tickets import EVENT_COLUMNS, event_from
from competence.rules.gate import (
    MachineFacts,
    PersonFacts,
    SiteFacts,
    Snapshot,
    StandardFacts,
    Supervision,
    TicketFacts,
)
from competence.rules.requirements import LASTING, Requirement, RequirementKind
from competence.rules.standing import Event, standing


@from_primary
def snapshot(
    *,
    operator: str,
    machine: str,
    at: datetime,
    known_at: datetime,
    supervisor: str | None = None,
    is_confirmed: bool = False,
) -> Snapshot:
    """Everything that the gate asks about one operator number and one fleet number. Three statements;
    one more where there was no such machine then."""
    machine_facts, standards = machine_and_standards(machine, at=at, known_at=known_at)
    numbers = {operator, supervisor} - {None}
    people = people_facts(Operator.objects.filter(number__in=numbers), at=at, known_at=known_at)
    supervision = Supervision(people.get(supervisor), is_confirmed) if supervisor else None
    came_later = machine_facts is None and Machine.objects.filter(fleet_number=machine).exists()
    return Snapshot(people.get(operator), machine_facts, standards, supervision, came_later)


def machine_and_standards(
    fleet_number: str, *, at: datetime, known_at: datetime
) -> tuple[MachineFacts | None, tuple[StandardFacts, ...]]:
    """A machine as it was, and every known version of its category's standard. One statement."""
    state = (
        _states_with_standards()
        .filter(machine__fleet_number=fleet_number, effective_at__lte=at, recorded_at__lte=known_at)
        .order_by("-effective_at", "-recorded_at", "-pk")
        .first()
    )
    if state is None:
        return None, ()
    known = [row for row in state.version_rows if moment_from(row["recorded_at"]) <= known_at]
    return machine_facts(state), standards_from(known, state.accepted_rows)


@cache
def _states_with_standards() -> QuerySet[MachineState]:
    """States with what the gate needs beside them; built once, since building costs more than asking."""
    versions = StandardVersion.objects.filter(category=OuterRef("category"))
    return MachineState.objects.select_related("machine", "site", "category").annotate(
        attachment_rows=attachments_of_state(),
        version_rows=rows_of(
            versions,
            "category",
            number="number",
            in_force_from="in_force_from",
            recorded_at="recorded_at",
            kind="requirements__kind",
            months="requirements__months",
            hours="requirements__hours",
            recall_level="requirements__recall_level",
        ),
        accepted_rows=rows_of(
            versions.filter(accepted__isnull=False),
            "category",
            number="number",
            code="accepted__category__code",
        ),
    )


def attachments_of_state() -> Subquery:
    """The codes of the attachments fitted while a machine's state lasts, as JSON rows of ``code``."""
    fitted = FittedFeature.objects.filter(state=OuterRef("pk"), feature__kind="attachment")
    return rows_of(fitted, "state", code="feature__code")


def machine_facts(state: MachineState) -> MachineFacts:
    """A machine's state, with its ``attachment_rows``, as the gate sees it."""
    site = state.site
    return MachineFacts(
        number=state.machine.fleet_number,
        machine_model=state.make_and_model,
        category=state.category.code,
        category_name=state.category.name,
        site=SiteFacts(site.code, site.name, site.zone, site.latitude, site.longitude),
        operating_mass_kg=state.operating_mass_kg,
        attachments=frozenset(row["code"] for row in state.attachment_rows),
        is_in_service=state.is_in_service,
    )


def standards_from(
    version_rows: Iterable[Mapping[str, Any]], accepted_rows: Iterable[Mapping[str, Any]]
) -> tuple[StandardFacts, ...]:
    """The versions of one category's standard: one row a requirement, one row an accepted category."""
    accepts: dict[int, set[str]] = defaultdict(set)
    for row in accepted_rows:
        accepts[row["number"]].add(row["code"])
    starts: dict[int, date] = {}
    requirements: dict[int, list[Requirement]] = defaultdict(list)
    for row in version_rows:
        starts[row["number"]] = date.fromisoformat(row["in_force_from"])
        if row["kind"] is not None:
            requirements[row["number"]].append(
                Requirement(
                    RequirementKind(row["kind"]),
                    row["months"],
                    _decimal(row["hours"]),
                    _decimal(row["recall_level"]),
                )
            )
    return tuple(
        StandardFacts(
            number,
            start,
            frozenset(accepts[number]),
            # A database gives rows in any order; the reasons that come of them stand in one.
            tuple(sorted(requirements[number], key=lambda line: _KINDS.index(line.kind))),
        )
        for number, start in sorted(starts.items())
    )


def _decimal(stored: Any) -> Decimal | None:
    return None if stored is None else Decimal(str(stored))


def people_facts(
    operators: QuerySet[Operator],
    *,
    at: datetime,
    known_at: datetime,
    kinds: Collection[RequirementKind] = LASTING,
) -> dict[str, PersonFacts]:
    """Operators by number, with the standing of each of their tickets and their evidence. Two statements."""
    was_active = (
        OperatorState.objects.filter(operator=OuterRef("pk"), effective_at__lte=at, recorded_at__lte=known_at)
        .order_by("-effective_at", "-recorded_at", "-pk")
        .values("is_active")[:1]
    )
    people: dict[str, tuple[Any, ...]] = {}
    chains: dict[str, dict[tuple[str, str], list[Event]]] = defaultdict(lambda: defaultdict(list))
    rows = operators.order_by().annotate(was_active=Subquery(was_active)).values_list(*_PERSON, *_EVENT)
    for row in rows.iterator(chunk_size=5000):
        number, ticket, category, event = row[0], row[5], row[6], row[7:]
        people[number] = row
        if ticket is not None and event[0] is not None:
            chains[number][ticket, category].append(event_from(event))
    evidence = evidence_facts(operators, known_at=known_at, kinds=kinds)
    return {
        number: PersonFacts(
            number=number,
            name=f"{row[1]} {row[2]}",
            # An operator with no state known by then was not on the register by then.
            is_active=bool(row[4]),
            was_entered=row[4] is not None,
            started_on=row[3],
            tickets=tuple(
                TicketFacts(ticket, category, standing(chain, at=at, known_at=known_at))
                for (ticket, category), chain in chains[number].items()
            ),
            evidence=tuple(evidence.get(number, ())),
        )
        for number, row in people.items()
    }


_KINDS = list(RequirementKind)
_PERSON = ("number", "given_name", "family_name", "started_on", "was_active")
_EVENT = (
    "tickets__number",
    "tickets__category__code",
    *(f"tickets__events__{column}" for column in EVENT_COLUMNS),
)
