"""Whether machines worked without a daily check before: machine by machine, day by day.

30 CFR 56.14100(a): self-propelled mobile equipment to be used during a shift is inspected by its operator
before being placed in operation on that shift. So each shift that was worked needs a check of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from enum import StrEnum
from itertools import pairwise

DAY = timedelta(days=1)
# Shifts change about six (common practice). A check is made before its shift, so that the two hours before
# six belong to the shift that follows (the register's own rule).
DAY_CHECKS_FROM, NIGHT_CHECKS_FROM = time(4), time(16)
# What one check can answer for: the rest of its shift, at the longest (common practice).
SHIFT_HOURS = Decimal(12)
# A meter read to a tenth by different people says nothing below this.
LEAST_UNEXPLAINED = Decimal(1)


class Shift(StrEnum):
    DAY = "day"
    NIGHT = "night"


class DayState(StrEnum):
    """What a day comes to for a machine; the worst is the first."""

    WORKED_STOPPED = "worked_stopped"
    UNCHECKED = "unchecked"
    MOVED = "moved"
    STOPPED = "stopped"
    REFUSED = "refused"
    CHECKED = "checked"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, order=True)
class Slot:
    """One shift of one day; a night belongs to the day on which it began. Order is that of time."""

    on: date
    shift: Shift

    @classmethod
    def of(cls, local: datetime) -> Slot:
        """The shift that a check started at this local moment is for."""
        if local.time() < DAY_CHECKS_FROM:
            return cls(local.date() - DAY, Shift.NIGHT)
        return cls(local.date(), Shift.DAY if local.time() < NIGHT_CHECKS_FROM else Shift.NIGHT)


@dataclass(frozen=True, slots=True)
class Use:
    """That a machine worked: ``shift`` is ``None`` where only the day is known."""

    on: date
    shift: Shift | None
    hours: Decimal

    def is_within(self, slot: Slot) -> bool:
        return self.on == slot.on and self.shift in (None, slot.shift)

    @property
    def ends(self) -> tuple[Slot, Slot]:
        """The first and the last shift in which it may have been."""
        first, last = self.shift or Shift.DAY, self.shift or Shift.NIGHT
        return Slot(self.on, first), Slot(self.on, last)


@dataclass(frozen=True, slots=True)
class Check:
    """A submitted daily check: the shift that it was started for, and what the hour meter read."""

    key: str
    slot: Slot
    hour_meter: Decimal | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    key: str
    slot: Slot


@dataclass(frozen=True, slots=True)
class Stop:
    """A stop-use defect: the shift in which it was opened, and the one in which it was closed."""

    key: str
    opened: Slot
    closed: Slot | None = None

    def is_open_on(self, on: date) -> bool:
        return self.opened.on <= on and (self.closed is None or on <= self.closed.on)

    def is_open_all_through(self, use: Use) -> bool:
        """Open before the shift began and still after it: one found or put right in the shift says nothing
        of the rest of it."""
        first, last = use.ends
        return self.opened < first and (self.closed is None or self.closed > last)


@dataclass(frozen=True, slots=True)
class Moved:
    """Hours on the meter between two checks that neither a check nor a recorded use explains."""

    hours: Decimal
    after: Check
    before: Check


@dataclass(frozen=True, slots=True)
class MachineDay:
    """One machine on one day. ``states``: all that hold, the worst first; where none does, ``UNKNOWN``."""

    on: date
    states: tuple[DayState, ...]
    checks: tuple[Check, ...] = ()
    refusals: tuple[Refused, ...] = ()
    stops: tuple[Stop, ...] = ()
    unchecked: tuple[Use, ...] = ()
    worked_stopped: tuple[Use, ...] = ()
    moved: Moved | None = None

    @property
    def worst(self) -> DayState:
        return self.states[0]


def judge(
    days: Sequence[date],
    *,
    uses: Iterable[Use],
    checks: Sequence[Check],
    refusals: Iterable[Refused] = (),
    stops: Iterable[Stop] = (),
) -> list[MachineDay]:
    """What each of ``days`` comes to for one machine. ``checks``: in the order in which they were submitted,
    and from before the first day too, since the meter is compared with the one before.

    A use of no hours says that the machine stood. A use without a shift is answered by any check of its day.
    """
    worked = [use for use in uses if use.hours > 0]
    refusals, stops = list(refusals), list(stops)
    moved = _moved_on(checks, worked)
    return [_one_day(day, worked, checks, refusals, stops, moved.get(day)) for day in days]


def _one_day(
    day: date,
    worked: Sequence[Use],
    checks: Sequence[Check],
    refusals: Sequence[Refused],
    stops: Sequence[Stop],
    moved: Moved | None,
) -> MachineDay:
    own = tuple(check for check in checks if check.slot.on == day)
    refused = tuple(one for one in refusals if one.slot.on == day)
    stopped = tuple(stop for stop in stops if stop.is_open_on(day))
    uses = [use for use in worked if use.on == day]
    unchecked = tuple(use for use in uses if not any(use.is_within(check.slot) for check in own))
    against = tuple(use for use in uses if any(stop.is_open_all_through(use) for stop in stopped))
    holds = {
        DayState.WORKED_STOPPED: against,
        DayState.UNCHECKED: unchecked,
        DayState.MOVED: moved,
        DayState.STOPPED: stopped,
        DayState.REFUSED: refused,
        DayState.CHECKED: own,
    }
    states = tuple(state for state in DayState if holds.get(state))
    return MachineDay(day, states or (DayState.UNKNOWN,), own, refused, stopped, unchecked, against, moved)


def _moved_on(checks: Sequence[Check], worked: Sequence[Use]) -> dict[date, Moved]:
    """The days on which hours may have been worked that nothing explains: those whole days between two checks
    for which no use is recorded.

    The earlier check answers for its own shift: for the hours recorded of it, else for a whole shift's.
    """
    found: dict[date, Moved] = {}
    for after, before in pairwise(check for check in checks if check.hour_meter is not None):
        between = [after.slot.on + DAY * n for n in range(1, (before.slot.on - after.slot.on).days)]
        if not between or before.hour_meter is None or after.hour_meter is None:
            continue
        own = [use.hours for use in worked if use.is_within(after.slot)]
        later = [
            use.hours
            for use in worked
            if not use.is_within(after.slot) and after.slot < use.ends[0] and use.ends[1] < before.slot
        ]
        explained = (sum(own, Decimal(0)) if own else SHIFT_HOURS) + sum(later, Decimal(0))
        unexplained = before.hour_meter - after.hour_meter - explained
        if unexplained < LEAST_UNEXPLAINED:
            continue
        told = {use.on for use in worked}
        for day in between:
            if day not in told:
                found[day] = Moved(unexplained, after, before)
    return found
