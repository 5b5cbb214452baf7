"""Everything that an evidence pack tells: one person, or one person on one machine at one moment."""

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.db.models import Count, Q, QuerySet

from assessments.models import Assessment, Sitting
from assessments.queries.assessment_records import Record, records_of
from assessments.queries.practical import assessments_to_show
from assessments.queries.sittings import SittingSheet, sheets_of, sittings_to_show
from competence.models import (
    Account,
    Appointment,
    DailyCheck,
    Defect,
    Evidence,
    Finding,
    Machine,
    MachineState,
    Operator,
    OperatorState,
    Refusal,
    Site,
    TicketEvent,
)
from competence.queries.record import RecordAnswer, ask_record
from competence.queries.ticket_lists import Names, names
from competence.rules.dates import day_at, day_bounds

Status = DailyCheck.Status


@dataclass(frozen=True)
class PackAsked:
    """What a pack is asked to tell: what was true at ``at``, by what was written down until ``known_at``.

    With a ``machine`` it is about an incident, and every moment is on the clock of ``site``, where the
    machine stood then; without one ``site`` is the operator's home site. ``allowed``: the sites of which
    things may be taken out (``None``: every one). ``with_person``: whether the person's own records may be.
    """

    operator: Operator
    site: Site
    at: datetime
    known_at: datetime
    asked_at: datetime
    allowed: frozenset[int] | None
    machine: Machine | None = None
    with_person: bool = True

    @property
    def zone(self) -> ZoneInfo:
        return ZoneInfo(self.site.zone)

    @property
    def day(self) -> date:
        return day_at(self.at, self.zone)

    @property
    def until(self) -> datetime:
        """What happened, and was known to have happened, until then."""
        return min(self.at, self.known_at)


@dataclass(frozen=True)
class PackRows:
    """The rows that a pack tells, each kind in the order of the pack. ``left_out``: how many checks, refusals
    and assessments belong to other sites than those asked for."""

    asked: PackAsked
    named: Names
    answer: RecordAnswer | None = None
    states: list[OperatorState] = field(default_factory=list)
    events: dict[int, list[TicketEvent]] = field(default_factory=dict)
    evidence: list[Evidence] = field(default_factory=list)
    records: list[Record] = field(default_factory=list)
    appointments: list[Appointment] = field(default_factory=list)
    sittings: list[SittingSheet] = field(default_factory=list)
    checks: list[DailyCheck] = field(default_factory=list)
    findings: dict[Any, list[Finding]] = field(default_factory=dict)
    refusals: list[Refusal] = field(default_factory=list)
    machine_states: list[MachineState] = field(default_factory=list)
    defects: list[Defect] = field(default_factory=list)
    left_out: int = 0

    @property
    def counts(self) -> list[tuple[str, int]]:
        """What is in the pack, for whoever is about to take it out."""
        found = [
            ("Tickets", len(self.events)),
            ("Events of tickets", sum(map(len, self.events.values()))),
            ("Rows of evidence", len(self.evidence)),
            ("Practical assessments", len(self.records)),
            ("Sittings", len(self.sittings)),
        ]
        if not self.asked.with_person:
            found = []
        if self.asked.machine is None:
            return [*found, ("Daily checks", len(self.checks)), ("Refusals", len(self.refusals))]
        return [
            *found,
            ("Daily checks of that day", len(self.checks)),
            ("Refusals of that day", len(self.refusals)),
            ("Defects open that day", len(self.defects)),
        ]

    def name_keys(self) -> set[tuple[str, str]]:
        """Every record told, as the journal names rows; their parts are not among them."""
        rows: list[Any] = [*self.states, *self.evidence, *self.checks, *self.refusals]
        rows += [*self.machine_states, *self.defects]
        rows += [event for events in self.events.values() for event in events]
        rows += [correction for record in self.records for correction in record.corrections]
        rows += [record.assessment for record in self.records] + [sheet.sitting for sheet in self.sittings]
        rows += [event.ticket for events in self.events.values() for event in events[:1]]
        rows += [self.asked.operator] if self.asked.with_person else []
        rows += [self.asked.machine] if self.asked.machine else []
        return {(row._meta.label_lower, str(row.pk)) for row in rows}


def pack_rows(asked: PackAsked, *, by: Account) -> PackRows:
    """The rows of a pack. At most 60 statements, however long the record."""
    parts: dict[str, Any] = {}
    if asked.with_person:
        parts |= _of_person(asked, by)
    elsewhere = parts.get("left_out", 0)
    parts |= _of_day(asked) if asked.machine else _checks_of_person(asked)
    parts["left_out"] += elsewhere
    return PackRows(asked=asked, named=names(), **parts)


def _of_person(asked: PackAsked, by: Account) -> dict[str, Any]:
    operator, at, known_at = asked.operator, asked.at, asked.known_at
    states = OperatorState.objects.filter(operator=operator, effective_at__lte=at, recorded_at__lte=known_at)
    records, elsewhere = _assessments(asked, by)
    sittings = sittings_to_show().filter(
        operator=operator, status=Sitting.Status.FINISHED, finished_at__lte=asked.until
    )
    accounts = {one.assessment.assessor_id for one in records}
    accounts |= {one.assessment.raised_by_id for one in records} - {None}
    appointments = Appointment.objects.filter(account__in=accounts, recorded_at__lte=known_at)
    return {
        "states": list(
            states.select_related("site", "employer").order_by("effective_at", "recorded_at", "pk")
        ),
        "events": _events(asked),
        "evidence": _evidence(asked),
        "records": records,
        "appointments": list(appointments.order_by("recorded_at", "pk")),
        "sittings": sheets_of(list(sittings.order_by("started_at", "pk"))),
        "left_out": elsewhere,
    }


def _events(asked: PackAsked) -> dict[int, list[TicketEvent]]:
    """One statement."""
    found: dict[int, list[TicketEvent]] = defaultdict(list)
    for event in (
        TicketEvent.objects.filter(
            ticket__operator=asked.operator, effective_at__lte=asked.at, recorded_at__lte=asked.known_at
        )
        .select_related("recorded_by", "corrects", "ticket__category", "standard_version")
        .order_by("ticket__category__name", "ticket_id", "sequence")
    ):
        found[event.ticket_id].append(event)
    return dict(found)


def _evidence(asked: PackAsked) -> list[Evidence]:
    """What happened by then, and every correction of it that was known. One statement."""
    found = list(
        Evidence.objects.filter(operator=asked.operator, recorded_at__lte=asked.known_at)
        .select_related("category", "site", "recorded_by", "corrects", "corrected_by")
        .order_by("pk")
    )
    told: dict[int, Evidence] = {}
    for row in found:
        if row.corrects_id in told or (row.corrects_id is None and row.occurred_on <= asked.day):
            told[row.pk] = row
    return sorted(told.values(), key=lambda row: (row.occurred_on, row.pk))


def _assessments(asked: PackAsked, by: Account) -> tuple[list[Record], int]:
    """Those finished by then, as records; and how many of other sites there are. Seven statements."""
    every = list(
        assessments_to_show()
        .filter(
            operator=asked.operator,
            status__in=[Assessment.Status.FINISHED, Assessment.Status.CONFIRMED],
            finished_at__lte=asked.until,
        )
        .order_by("finished_at", "pk")
    )
    # Who still marks the same walk-around alongside is not shown what a colleague found.
    own = Assessment.objects.filter(assessor=by, status=Assessment.Status.MARKING)
    open_ones = {key for pair in own.values_list("pk", "alongside") for key in pair} - {None}
    seen = [one for one in every if not {one.pk, one.alongside_id} & open_ones]
    here = [one for one in seen if _may_take(asked.allowed, one.site_id)]
    return records_of(here, asked.known_at), len(every) - len(here)


def _may_take(allowed: Collection[int] | None, site: int) -> bool:
    return allowed is None or site in allowed


def _parted(rows: Iterable[Any], asked: PackAsked) -> tuple[list[Any], int]:
    """Those of the sites asked for, and how many there are of others."""
    every = list(rows)
    here = [row for row in every if _may_take(asked.allowed, row.site_id)]
    return here, len(every) - len(here)


def _checks() -> QuerySet[DailyCheck]:
    return DailyCheck.objects.select_related(
        "machine", "operator", "site", "supervisor", "checklist__category"
    ).annotate(defect_count=Count("findings", filter=Q(findings__answer=Finding.Answer.DEFECT)))


def _refusals() -> QuerySet[Refusal]:
    return Refusal.objects.select_related("machine", "operator", "site", "supervisor").order_by("at", "pk")


def _checks_of_person(asked: PackAsked) -> dict[str, Any]:
    """Two statements."""
    operator = asked.operator
    checks, more = _parted(
        _checks()
        .filter(operator=operator, status=Status.SUBMITTED, submitted_at__lte=asked.until)
        .order_by("submitted_at", "pk"),
        asked,
    )
    refusals, others = _parted(_refusals().filter(operator=operator, at__lte=asked.until), asked)
    return {"checks": checks, "refusals": refusals, "left_out": more + others}


def _of_day(asked: PackAsked) -> dict[str, Any]:
    """The machine and everything of that day on it, whoever it was. Eight statements and those of the
    record."""
    machine, (first, before) = asked.machine, day_bounds(asked.day, asked.zone)
    states = MachineState.objects.filter(
        machine=machine, effective_at__lte=asked.at, recorded_at__lte=asked.known_at
    )
    checks, more = _parted(
        _checks()
        .filter(machine=machine, started_at__gte=first, started_at__lt=before, started_at__lte=asked.known_at)
        .order_by("started_at", "pk"),
        asked,
    )
    refusals, others = _parted(
        _refusals().filter(machine=machine, at__gte=first, at__lt=before, at__lte=asked.known_at), asked
    )
    findings: dict[Any, list[Finding]] = defaultdict(list)
    submitted = [one.pk for one in checks if was_submitted(one, asked)]
    for finding in (
        Finding.objects.filter(daily_check__in=submitted)
        .select_related("listed__point")
        .order_by("listed__position")
    ):
        findings[finding.daily_check_id].append(finding)
    defects = Defect.objects.filter(
        Q(closed_at__isnull=True) | Q(closed_at__gte=first),
        machine=machine,
        opened_at__lt=before,
        opened_at__lte=asked.known_at,
    )
    return {
        "answer": ask_record(
            operator=asked.operator,
            machine=machine,
            site=asked.site,
            at=asked.at,
            # What is told is what was known by then, so that is when it is asked.
            asked_at=asked.known_at,
            with_chain=False,
        ),
        "machine_states": list(
            states.select_related("site", "category").order_by("effective_at", "recorded_at", "pk")
        ),
        "checks": checks,
        "findings": dict(findings),
        "refusals": refusals,
        "defects": _parted(
            defects.select_related("closed_by", "opened_by__daily_check__operator").order_by(
                "opened_at", "pk"
            ),
            asked,
        )[0],
        "left_out": more + others,
    }


def was_submitted(daily_check: DailyCheck, asked: PackAsked) -> bool:
    """Whether the check was submitted by when it is asked what was known."""
    return daily_check.submitted_at is not None and daily_check.submitted_at <= asked.known_at
