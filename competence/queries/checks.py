"""What the daily check asks the register: its list, the last reading, what is open on the machine."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from django.db.models import Q

from competence.models import (
    Category,
    ChecklistVersion,
    DailyCheck,
    Defect,
    Finding,
    ListedPoint,
    Machine,
)
from competence.rules.checks import Reading


def checklist_on(category: Category, on: date) -> ChecklistVersion | None:
    """The version of a category's checklist in force on a day. One statement."""
    return (
        ChecklistVersion.objects.filter(category=category, in_force_from__lte=on)
        .order_by("-in_force_from")
        .first()
    )


def applicable_points(checklist: ChecklistVersion, machine: Machine) -> list[ListedPoint]:
    """The listed points that apply to a machine as it is fitted now, in walking order. One statement."""
    fitted = machine.state.fitted.values("feature_id")
    return list(
        checklist.listed.filter(Q(point__feature__isnull=True) | Q(point__feature__in=fitted))
        .select_related("point")
        .order_by("position")
    )


def open_defects(machine: Machine) -> list[Defect]:
    """What is open on a machine, stop-use first, then the oldest. One statement."""
    defects = list(
        machine.defects.filter(closed_at__isnull=True)
        .select_related("opened_by__daily_check__operator")
        .order_by("opened_at")
    )
    return sorted(defects, key=lambda defect: defect.grade != "stop_use")


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
