"""Facts for the gate's tests: an operator whom the gate allows, to be spoilt one thing at a time."""

from dataclasses import replace
from datetime import UTC, date, datetime
from decimal import Decimal
from typing import Any

from competence.rules.conditions import Conditions
from competence.rules.gate import (
    MachineFacts,
    PersonFacts,
    SiteFacts,
    Snapshot,
    StandardFacts,
    Supervision,
    TicketFacts,
    Verdict,
    decide,
)
from competence.rules.reasons import ReasonCode
from competence.rules.requirements import Evidence, Requirement, RequirementKind
from competence.rules.standing import Level, Standing

Kind = RequirementKind
NOON = datetime(2026, 6, 1, 12, tzinfo=UTC)
TODAY = date(2026, 6, 1)

EAST = SiteFacts("EAST", "East Quarry", "Europe/London", 53.0, -1.5)
DUMPER = MachineFacts(
    "DT001", "Invented 30", "dumper", "Dumper, articulated", EAST, 24_000, frozenset({"tow-hitch"})
)
STANDARD = StandardFacts(
    2,
    date(2024, 1, 1),
    requirements=(
        Requirement(Kind.PRACTICAL),
        Requirement(Kind.MEDICAL, months=24),
        Requirement(Kind.INDUCTION),
        Requirement(Kind.FAMILIARISATION),
        Requirement(Kind.REFRESHER, months=12),
        Requirement(Kind.RECALL, months=12, recall_level=Decimal("0.85")),
    ),
)
EVIDENCE = (
    Evidence(Kind.MEDICAL, date(2026, 1, 5)),
    Evidence(Kind.INDUCTION, date(2026, 1, 5), site="EAST"),
    Evidence(Kind.FAMILIARISATION, date(2026, 1, 5), machine_model="Invented 30"),
    Evidence(Kind.REFRESHER, date(2026, 1, 5)),
    Evidence(Kind.RECALL, date(2026, 1, 5), counts_to=date(2026, 9, 1), category="dumper"),
)


def ticket(number: str = "T1", category: str = "dumper", **parts: Any) -> TicketFacts:
    """A full ticket in force for all of 2026, without conditions; parts of its standing by keyword."""
    held = Standing(
        Level.FULL,
        date(2026, 1, 1),
        date(2026, 12, 31),
        Conditions(),
        since=datetime(2026, 1, 1, tzinfo=UTC),
    )
    return TicketFacts(number, category, replace(held, **parts))


def limited(**conditions: Any) -> TicketFacts:
    return ticket(conditions=Conditions(**conditions))


ADA = PersonFacts("OP1", "Ada Ashworth", True, date(2024, 3, 1), (ticket(),), EVIDENCE)
HUGH = replace(ADA, number="OP2", name="Hugh Garside", tickets=(ticket("T2"),))
TRAINEE = replace(ADA, tickets=(ticket(level=Level.TRAINEE),))

ALLOWED = Snapshot(ADA, DUMPER, (STANDARD,))
SUPERVISED = Snapshot(TRAINEE, DUMPER, (STANDARD,), Supervision(HUGH, is_confirmed=True))


def with_person(**parts: Any) -> Snapshot:
    return replace(ALLOWED, person=replace(ADA, **parts))


def with_tickets(*tickets: TicketFacts) -> Snapshot:
    return with_person(tickets=tickets)


def with_machine(snapshot: Snapshot = ALLOWED, **parts: Any) -> Snapshot:
    return replace(snapshot, machine=replace(DUMPER, **parts))


def without(kind: RequirementKind) -> Snapshot:
    return with_person(evidence=tuple(e for e in EVIDENCE if e.kind is not kind))


def supervised_by(person: PersonFacts | None, *, is_confirmed: bool = True) -> Snapshot:
    return replace(SUPERVISED, supervision=Supervision(person, is_confirmed))


def codes(verdict: Verdict) -> list[ReasonCode]:
    return [reason.code for reason in verdict.reasons]


def refused_for(snapshot: Snapshot, at: datetime = NOON) -> list[ReasonCode]:
    """The codes against, with the verdict's own consistency checked."""
    verdict = decide(snapshot, at)
    assert verdict.is_allowed == (not verdict.reasons)
    return codes(verdict)
