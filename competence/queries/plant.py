"""Machines as a list, and one machine with everything that its page says."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Exists, OuterRef, Prefetch, QuerySet, Subquery

from competence.models import (
    Account,
    DailyCheck,
    Defect,
    Feature,
    FittedFeature,
    Grade,
    JournalledRow,
    Machine,
    MachineState,
    Refusal,
    Site,
)
from competence.queries.counted import counted
from competence.queries.words import holding

# A machine's page shows so many of the newest; the lists of checks and refusals have the rest.
NEWEST = 10


@dataclass(frozen=True)
class MachinesAsked:
    """What a list of machines is narrowed to; an empty value narrows nothing."""

    text: str = ""
    site: str = ""
    category: str = ""
    service: str = ""
    stopped: str = ""


def machines_asked(asked: MachinesAsked, site_ids: frozenset[int] | None) -> QuerySet[Machine]:
    """The machines that a list asks for, by fleet number, each with ``open_stops``, ``open_reports`` and
    ``checked_at``. No statement until it is read; then one, and one more for a page's count."""
    found = Machine.objects.with_state().at_sites(site_ids)
    found = holding(found, asked.text, "fleet_number", "serial_number", "state__make_and_model")
    if asked.site:
        found = found.filter(state__site__code=asked.site)
    if asked.category:
        found = found.filter(state__category__code=asked.category)
    if asked.service in ("yes", "no"):
        found = found.filter(state__is_in_service=asked.service == "yes")
    if asked.stopped == "yes":
        stops = Defect.objects.filter(machine=OuterRef("pk"), closed_at__isnull=True, grade=Grade.STOP_USE)
        found = found.filter(Exists(stops))
    still_open = Defect.objects.filter(machine=OuterRef("pk"), closed_at__isnull=True)
    checks = DailyCheck.objects.filter(machine=OuterRef("pk"), status=DailyCheck.Status.SUBMITTED)
    return found.annotate(
        open_stops=counted(still_open.filter(grade=Grade.STOP_USE), "machine"),
        open_reports=counted(still_open.filter(grade=Grade.REPORT), "machine"),
        checked_at=Subquery(checks.order_by("-submitted_at").values("submitted_at")[:1]),
    ).order_by("fleet_number")


@dataclass(frozen=True)
class StateInTime:
    """One state of a machine, what was fitted then, and who entered it (``None``: nobody is on record)."""

    state: MachineState
    features: list[Feature]
    entered_by: Account | None


@dataclass(frozen=True)
class MachineSheet:
    """Everything that a machine's page says. ``hours_of``: the newest check that read the hour meter."""

    machine: Machine
    states: list[StateInTime]
    open_defects: list[Defect]
    closed_defects: int
    checks: list[DailyCheck]
    refusals: list[Refusal]
    hours_of: DailyCheck | None

    @property
    def fitted(self) -> list[Feature]:
        return self._features_now(Feature.Kind.FITTED)

    @property
    def attachments(self) -> list[Feature]:
        return self._features_now(Feature.Kind.ATTACHMENT)

    @property
    def is_stopped(self) -> bool:
        return any(defect.grade == Grade.STOP_USE for defect in self.open_defects)

    def _features_now(self, kind: str) -> list[Feature]:
        now = next((one for one in self.states if one.state.pk == self.machine.state_id), None)
        return [feature for feature in (now.features if now else ()) if feature.kind == kind]


def sheet_of_machine(machine: Machine, check_sites: frozenset[int] | None) -> MachineSheet:
    """A machine with its history; checks and refusals only of ``check_sites`` (``None``: every site). Eight
    statements."""
    defects = Defect.objects.filter(machine=machine)
    checks = DailyCheck.objects.filter(machine=machine, status=DailyCheck.Status.SUBMITTED)
    refusals = Refusal.objects.filter(machine=machine)
    if check_sites is not None:
        checks = checks.filter(site_id__in=check_sites)
        refusals = refusals.filter(site_id__in=check_sites)
    checks = checks.select_related("operator", "site").order_by("-submitted_at")
    return MachineSheet(
        machine=machine,
        states=_states_in_time(machine),
        open_defects=list(
            defects.filter(closed_at__isnull=True)
            .select_related("opened_by__daily_check__operator", "site")
            .order_by("-grade", "-opened_at")
        ),
        closed_defects=defects.filter(closed_at__isnull=False).count(),
        checks=list(checks[:NEWEST]),
        refusals=list(refusals.select_related("operator", "site").order_by("-at")[:NEWEST]),
        hours_of=checks.filter(hour_meter__isnull=False).first(),
    )


def site_at(machine: Machine, moment: datetime) -> Site:
    """Where the machine stood at a moment, by all that is known now; before it was entered, where it stands
    now. One statement."""
    then = (
        machine.states.filter(effective_at__lte=moment)
        .select_related("site")
        .order_by("-effective_at", "-recorded_at", "-pk")
        .first()
    )
    return then.site if then else machine.site


def _states_in_time(machine: Machine) -> list[StateInTime]:
    """Every state, the newest first. Three statements."""
    fitted = FittedFeature.objects.select_related("feature").order_by("feature__name")
    states = list(
        machine.states.select_related("category", "site")
        .prefetch_related(Prefetch("fitted", fitted))
        .order_by("-effective_at", "-recorded_at", "-pk")
    )
    authors = _authors(states)
    return [
        StateInTime(state, [row.feature for row in state.fitted.all()], authors.get(str(state.pk)))
        for state in states
    ]


def _authors(states: Iterable[MachineState]) -> dict[str, Account]:
    """Who entered each state, by its key, as the journal says. One statement."""
    rows = JournalledRow.objects.filter(
        kind=MachineState._meta.label_lower, key__in=[str(state.pk) for state in states]
    ).select_related("entry__by")
    return {row.key: row.entry.by for row in rows if row.entry.by}


def machines_to_label(site: Site) -> list[Machine]:
    """The machines in service at a site, by fleet number. One statement."""
    machines = Machine.objects.with_state().filter(state__site=site, state__is_in_service=True)
    return list(machines.order_by("fleet_number"))


@dataclass(frozen=True)
class SiteBoard:
    """What a site admin should see first: what stands still, and who was stopped since ``since``."""

    stops: list[Defect]
    stop_count: int
    refusals: list[Refusal]
    refusal_count: int
    out_of_service: list[Machine]
    out_of_service_count: int
    since: datetime


def site_board(site_ids: frozenset[int] | None, since: datetime, most: int = 5) -> SiteBoard:
    """The open stop-use defects, the refusals since a moment and the machines out of service, ``most`` of
    each. Six statements."""
    stops = Defect.objects.filter(closed_at__isnull=True, grade=Grade.STOP_USE)
    refusals = Refusal.objects.filter(at__gte=since)
    machines = Machine.objects.with_state().at_sites(site_ids).filter(state__is_in_service=False)
    if site_ids is not None:
        stops = stops.filter(machine__state__site_id__in=site_ids)
        refusals = refusals.filter(site_id__in=site_ids)
    return SiteBoard(
        stops=list(stops.select_related("machine__state__site").order_by("-opened_at")[:most]),
        stop_count=stops.count(),
        refusals=list(refusals.select_related("operator", "machine", "site").order_by("-at")[:most]),
        refusal_count=refusals.count(),
        out_of_service=list(machines.order_by("-state__effective_at")[:most]),
        out_of_service_count=machines.count(),
        since=since,
    )
