"""The daily check's own rules: what its findings amount to, and whether an hour meter can be right."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal

# A draft older than this belongs to another shift: 30 CFR 56.14100(a) asks for the inspection before the
# machine goes into operation "on that shift". Twelve hours as the longest shift: common practice.
DRAFT_LASTS = timedelta(hours=12)

# A device's clock may be this far from the server's before anybody is told.
CLOCK_TOLERANCE = timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class PointFinding:
    """The answer to one point: ``answer`` is good, defect or not_reached; ``grade`` goes with a defect."""

    title: str
    is_critical: bool
    answer: str
    grade: str = ""


def do_not_use_reasons(findings: Iterable[PointFinding], open_stop_use: Iterable[str]) -> tuple[str, ...]:
    """Why the machine must not be used; empty when it is fit.

    ``open_stop_use`` names the stop-use defects that were open already: an unfit machine stays unfit,
    whoever asks. A critical point that is defective or was not reached stops use. Source: the register's
    daily check rule; 30 CFR 56.14100(c): hazardous equipment out of service until corrected.
    """
    reasons = [f"Open stop-use defect: {title}." for title in open_stop_use]
    for finding in findings:
        if finding.answer == "not_reached" and finding.is_critical:
            reasons.append(f"{finding.title}: a critical point that was not reached.")
        elif finding.answer == "defect" and (finding.is_critical or finding.grade == "stop_use"):
            reasons.append(f"{finding.title}: a defect that stops use.")
    return tuple(reasons)


@dataclass(frozen=True, slots=True)
class Reading:
    """An hour meter reading, in hours, and when it was taken."""

    hours: Decimal
    at: datetime


def hour_meter_problem(last: Reading | None, new: Reading) -> str | None:
    """What is wrong with a reading, in a sentence; ``None`` where it can be right.

    A meter does not run backwards, and gains no more than the hours that passed, with one in hand for
    rounding (common practice).
    """
    if new.hours < 0:
        return "An hour meter does not read below zero."
    if last is None:
        return None
    if new.hours < last.hours:
        return (
            f"{new.hours:,} h is less than the last reading, {last.hours:,} h. "
            "A meter does not run backwards."
        )
    passed = Decimal((new.at - last.at).total_seconds()) / 3600
    gained = new.hours - last.hours
    if gained > passed + 1:
        return (
            f"{new.hours:,} h is {gained:,} h more than the last reading, {last.hours:,} h, "
            f"but only {passed:,.1f} h have passed since."
        )
    return None
