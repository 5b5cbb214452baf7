"""What the daily check asks the register: its list, the last reading, what is open on the machine."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import F, Max, OuterRef, Q, QuerySet, Subquery

from competence.models import (
    Category,
    ChecklistVersion,
    DailyCheck,
    Defect,
    Finding,
    FittedFeature,
    Grade,
    ListedPoint,
    Machine,
    Operator,
)
from competence.queries.counted import counted
from competence.queries.gate import snapshot
from competence.queries.versions import version_on
from competence.queries.words import MACHINE_OR_OPERATOR, holding
from competence.rules.checks import Reading
from competence.rules.gate import decide
from competence.rules.standing import Level

# A phone's list has an end; the search finds the rest.
MOST_MACHINES = 40


def checklist_on(category: Category, on: date) -> ChecklistVersion | None:
    """The version of a category's checklist in force on a day. One statement."""
    return version_on(ChecklistVersion.objects.all(), category, on)


def points_on(checklist: ChecklistVersion, machine: Machine) -> QuerySet[ListedPoint]:
    """The listed points that apply to a machine as it is fitted now."""
    fitted = FittedFeature.objects.filter(state=machine.state_id).values("feature_id")
    listed = ListedPoint.objects.filter(version=checklist)
    return listed.filter(Q(point__feature__isnull=True) | Q(point__feature__in=fitted))


def applicable_points(checklist: ChecklistVersion, machine: Machine) -> list[ListedPoint]:
    """The points that apply to a machine as it is fitted now, in walking order. One statement."""
    return list(points_on(checklist, machine).select_related("point").order_by("position"))


def open_defects(machine: Machine) -> list[Defect]:
    """What is open on a machine, stop-use first, then the oldest. One statement."""
    defects = list(
        machine.defects.filter(closed_at__isnull=True)
        .select_related("opened_by__daily_check__operator")
        .order_by("opened_at")
    )
    return sorted(defects, key=lambda defect: defect.grade != Grade.STOP_USE)


def last_reading(machine: Machine) -> Reading | None:
    """The newest hour meter reading of a submitted check. One statement."""
    check = (
        machine.checks.filter(status=DailyCheck.Status.SUBMITTED)
        .order_by("-submitted_at")
        .values_list("hour_meter", "submitted_at")
        .first()
    )
    return Reading(*check) if check else None


@dataclass(frozen=True)
class CheckZone:
    """One zone of a check as the screen shows it: its points, each with its finding or none."""

    number: int
    code: str
    name: str
    points: tuple[tuple[ListedPoint, Finding | None], ...]

    @property
    def answered(self) -> int:
        return sum(finding is not None for _, finding in self.points)

    @property
    def total(self) -> int:
        return len(self.points)

    @property
    def is_done(self) -> bool:
        return self.answered == self.total


@dataclass(frozen=True)
class CheckSheet:
    """A whole check as the screen shows it."""

    daily_check: DailyCheck
    zones: tuple[CheckZone, ...]

    @property
    def answered(self) -> int:
        return sum(zone.answered for zone in self.zones)

    @property
    def total(self) -> int:
        return sum(zone.total for zone in self.zones)

    @property
    def unanswered(self) -> tuple[ListedPoint, ...]:
        return tuple(listed for zone in self.zones for listed, finding in zone.points if finding is None)

    def next_open_zone(self) -> CheckZone | None:
        return next((zone for zone in self.zones if not zone.is_done), None)


def sheet_of(daily_check: DailyCheck) -> CheckSheet:
    """The check's zones, points and findings. Two statements."""
    findings = {finding.listed_id: finding for finding in daily_check.findings.all()}
    if daily_check.status == DailyCheck.Status.SUBMITTED:
        # What was answered is what applied then, whatever has been fitted since.
        listed = daily_check.checklist.listed.filter(pk__in=findings).select_related("point")
        points: Iterable[ListedPoint] = listed.order_by("position")
    else:
        points = applicable_points(daily_check.checklist, daily_check.machine)
    zones: dict[tuple[str, str], list[tuple[ListedPoint, Finding | None]]] = {}
    for listed_point in points:
        key = listed_point.zone_code, listed_point.zone_name
        zones.setdefault(key, []).append((listed_point, findings.get(listed_point.pk)))
    return CheckSheet(
        daily_check,
        tuple(
            CheckZone(number, code, name, tuple(pairs))
            for number, ((code, name), pairs) in enumerate(zones.items(), start=1)
        ),
    )


def checks_to_show() -> QuerySet[DailyCheck]:
    """Checks with everything that their pages name beside them, for one statement."""
    return DailyCheck.objects.select_related(
        "machine__state__site",
        "machine__state__category",
        "operator__state__site",
        "checklist__category",
        "site",
        "supervisor",
    )


@dataclass(frozen=True)
class MachineChoice:
    """Machines to pick from: at the operator's home site, and elsewhere. ``is_cut``: there are more."""

    here: tuple[Machine, ...]
    elsewhere: tuple[Machine, ...]
    is_cut: bool


def machines_to_pick(operator: Operator, words: str = "") -> MachineChoice:
    """Machines in service whose fleet number, make or category holds ``words``, those the operator checked
    last first. Two statements."""
    own = (
        DailyCheck.objects.filter(
            machine=OuterRef("pk"), operator=operator, status=DailyCheck.Status.SUBMITTED
        )
        .order_by()
        .values("machine")
        .annotate(last=Max("submitted_at"))
    )
    stops = Defect.objects.filter(machine=OuterRef("pk"), closed_at__isnull=True, grade=Grade.STOP_USE)
    machines = (
        Machine.objects.with_state()
        .filter(state__is_in_service=True)
        .annotate(checked_at=Subquery(own.values("last")), open_stops=counted(stops, "machine"))
        .order_by(F("checked_at").desc(nulls_last=True), "fleet_number")
    )
    if words:
        machines = machines.filter(
            Q(fleet_number__icontains=words)
            | Q(state__make_and_model__icontains=words)
            | Q(state__category__name__icontains=words)
        )
    home = operator.state.site_id
    here = list(machines.filter(state__site_id=home)[: MOST_MACHINES + 1])
    elsewhere = list(machines.exclude(state__site_id=home)[: MOST_MACHINES + 1])
    is_cut = len(here) > MOST_MACHINES or len(elsewhere) > MOST_MACHINES
    return MachineChoice(tuple(here[:MOST_MACHINES]), tuple(elsewhere[:MOST_MACHINES]), is_cut)


def drafts_of(operator: Operator) -> list[DailyCheck]:
    """The operator's unfinished checks, the newest first. One statement."""
    drafts = checks_to_show().filter(operator=operator, status=DailyCheck.Status.DRAFT)
    return list(drafts.order_by("-started_at"))


def is_trainee_on(operator: Operator, machine: Machine, at: datetime) -> bool:
    """Whether the ticket that would serve for this machine is at trainee level. Three statements."""
    facts = snapshot(operator=operator.number, machine=machine.fleet_number, at=at, known_at=at)
    return decide(facts, at).level is Level.TRAINEE


def defects_of(daily_check: DailyCheck) -> list[Finding]:
    """The findings of a check that are defects, in walking order. One statement."""
    return list(
        daily_check.findings.filter(answer=Finding.Answer.DEFECT)
        .select_related("listed__point")
        .order_by("listed__position")
    )


@dataclass(frozen=True)
class ChecksAsked:
    """What narrows the list of submitted checks; an empty value narrows nothing."""

    site: int | None = None
    result: str = ""
    first_moment: datetime | None = None
    before: datetime | None = None
    words: str = ""


def submitted_checks(site_ids: frozenset[int] | None, asked: ChecksAsked) -> QuerySet[DailyCheck]:
    """Submitted checks at these sites (``None``: every site), the newest first. One statement, and one more
    for a page's count."""
    checks = checks_to_show().filter(status=DailyCheck.Status.SUBMITTED)
    if site_ids is not None:
        checks = checks.filter(site_id__in=site_ids)
    if asked.site is not None:
        checks = checks.filter(site_id=asked.site)
    if asked.result:
        checks = checks.filter(result=asked.result)
    if asked.first_moment is not None:
        checks = checks.filter(submitted_at__gte=asked.first_moment)
    if asked.before is not None:
        checks = checks.filter(submitted_at__lt=asked.before)
    checks = holding(checks, asked.words, *MACHINE_OR_OPERATOR)
    # Counted for the rows that are shown; joined, it would be for every check there is.
    defects = Finding.objects.filter(daily_check=OuterRef("pk"), answer=Finding.Answer.DEFECT)
    return checks.annotate(defect_count=counted(defects, "daily_check")).order_by("-submitted_at", "pk")
