"""What is known of a site's machines day by day: uses, checks, refusals and stop-use defects."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

from django.db.models import Q

from competence.models import DailyCheck, Defect, Grade, Machine, MachineUse, Refusal, Site
from competence.rules.dates import day_at, first_moment
from competence.rules.missed_checks import (
    Check,
    DayState,
    MachineDay,
    Refused,
    Shift,
    Slot,
    Stop,
    Use,
    judge,
)

DAY = timedelta(days=1)
# How far before the strip the check is looked for that the first reading in it is compared with.
BEFORE_DAYS = 35


@dataclass(frozen=True)
class MachineStrip:
    """One machine and its days. ``seen``: the keys of checks and refusals that the reader may open."""

    machine: Machine
    days: tuple[MachineDay, ...]
    seen: frozenset[str]

    def count(self, state: DayState) -> int:
        return sum(state in day.states for day in self.days)

    @cached_property
    def urgency(self) -> tuple[int, ...]:
        return tuple(-self.count(state) for state in DayState if state is not DayState.UNKNOWN)


@dataclass(frozen=True)
class SiteStrips:
    """Every machine of a site, the worst first. ``worked``: shifts known to have been worked; ``unchecked``:
    those of them that no check came before."""

    site: Site
    days: tuple[date, ...]
    strips: tuple[MachineStrip, ...]
    worked: int

    @property
    def unchecked(self) -> int:
        return sum(len(day.unchecked) for strip in self.strips for day in strip.days)

    @property
    def worked_stopped(self) -> int:
        return sum(len(day.worked_stopped) for strip in self.strips for day in strip.days)

    def days_of(self, state: DayState) -> int:
        return sum(strip.count(state) for strip in self.strips)

    @property
    def refusals(self) -> int:
        return sum(len(day.refusals) for strip in self.strips for day in strip.days)


def site_strips(site: Site, moment: datetime, *, days: int, sites_seen: frozenset[int] | None) -> SiteStrips:
    """The machines that stand at a site now, over the last ``days`` up to today. Five statements, for any
    number of machines. What happened to them at another site counts, and is opened only by whose it is
    (``sites_seen``; ``None``: every site)."""
    zone = ZoneInfo(site.zone)
    today = day_at(moment, zone)
    shown = tuple(today - DAY * n for n in reversed(range(days)))
    machines = Machine.objects.with_state().filter(state__site=site).order_by("fleet_number")
    strips, worked = _strips(list(machines), shown, zone, sites_seen)
    strips.sort(key=lambda strip: (strip.urgency, strip.machine.fleet_number))
    return SiteStrips(site, shown, tuple(strips), worked)


def _strips(
    machines: list[Machine], shown: tuple[date, ...], zone: ZoneInfo, sites_seen: frozenset[int] | None
) -> tuple[list[MachineStrip], int]:
    """Four statements."""
    facts = _Facts(machines, shown, zone, sites_seen)
    strips = [
        MachineStrip(
            machine,
            tuple(
                judge(
                    shown,
                    uses=facts.uses[machine.pk],
                    checks=facts.checks[machine.pk],
                    refusals=facts.refusals[machine.pk],
                    stops=facts.stops[machine.pk],
                )
            ),
            frozenset(facts.seen),
        )
        for machine in machines
    ]
    worked = sum(use.hours > 0 and use.on in shown for uses in facts.uses.values() for use in uses)
    return strips, worked


class _Facts:
    """The rows of some machines as the rule takes them, by machine."""

    def __init__(
        self,
        machines: list[Machine],
        shown: tuple[date, ...],
        zone: ZoneInfo,
        sites_seen: frozenset[int] | None,
    ) -> None:
        self._machines, self._zone, self._sites_seen = machines, zone, sites_seen
        # A night runs into the next day, and a shift's check may come the evening before.
        since = first_moment(shown[0] - DAY, zone)
        self.seen: set[str] = set()
        self.uses: dict[int, list[Use]] = defaultdict(list)
        self.checks: dict[int, list[Check]] = defaultdict(list)
        self.refusals: dict[int, list[Refused]] = defaultdict(list)
        self.stops: dict[int, list[Stop]] = defaultdict(list)
        earliest = shown[0] - DAY * BEFORE_DAYS
        self._read_uses(earliest, shown[-1])
        self._read_checks(first_moment(earliest, zone))
        self._read_refusals(since)
        self._read_stops(since)

    def _slot(self, moment: datetime) -> Slot:
        return Slot.of(moment.astimezone(self._zone))

    def _see(self, key: str, site: int) -> None:
        if self._sites_seen is None or site in self._sites_seen:
            self.seen.add(key)

    def _read_uses(self, first: date, last: date) -> None:
        rows = MachineUse.objects.filter(
            machine__in=self._machines, corrected_by__isnull=True, on__range=(first, last)
        )
        for machine, on, shift, hours in rows.order_by("on").values_list("machine", "on", "shift", "hours"):
            self.uses[machine].append(Use(on, Shift(shift) if shift else None, hours))

    def _read_checks(self, since: datetime) -> None:
        rows = DailyCheck.objects.filter(
            machine__in=self._machines, status=DailyCheck.Status.SUBMITTED, submitted_at__gte=since
        ).order_by("submitted_at")
        for pk, machine, site, started_at, meter in rows.values_list(
            "pk", "machine", "site", "started_at", "hour_meter"
        ):
            self.checks[machine].append(Check(str(pk), self._slot(started_at), meter))
            self._see(str(pk), site)

    def _read_refusals(self, since: datetime) -> None:
        rows = Refusal.objects.filter(machine__in=self._machines, at__gte=since).order_by("at")
        for pk, machine, site, at in rows.values_list("pk", "machine", "site", "at"):
            self.refusals[machine].append(Refused(str(pk), self._slot(at)))
            self._see(str(pk), site)

    def _read_stops(self, since: datetime) -> None:
        rows = Defect.objects.filter(machine__in=self._machines, grade=Grade.STOP_USE).filter(
            Q(closed_at__isnull=True) | Q(closed_at__gte=since)
        )
        for pk, machine, opened_at, closed_at in rows.order_by("opened_at").values_list(
            "pk", "machine", "opened_at", "closed_at"
        ):
            closed = self._slot(closed_at) if closed_at else None
            self.stops[machine].append(Stop(str(pk), self._slot(opened_at), closed))


def unchecked_lately(site_ids: frozenset[int] | None, moment: datetime, *, days: int = 7) -> int:
    """How many shifts were worked unchecked in the last days at these sites: of machines with a recorded use.
    One statement, and four more for each time zone in which there are any."""
    first = (moment - DAY * (days + 1)).date()
    worked = MachineUse.objects.filter(on__gte=first, hours__gt=0, corrected_by__isnull=True)
    machines = Machine.objects.with_state().at_sites(site_ids).filter(pk__in=worked.values("machine"))
    by_zone: dict[str, list[Machine]] = defaultdict(list)
    for machine in machines:
        by_zone[machine.site.zone].append(machine)
    return sum(_unchecked(found, moment, ZoneInfo(key), days) for key, found in by_zone.items())


def _unchecked(machines: Iterable[Machine], moment: datetime, zone: ZoneInfo, days: int) -> int:
    today = day_at(moment, zone)
    strips, _ = _strips(list(machines), tuple(today - DAY * n for n in reversed(range(days))), zone, None)
    return sum(len(day.unchecked) for strip in strips for day in strip.days)
