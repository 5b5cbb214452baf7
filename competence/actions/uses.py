"""Recording that machines worked."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from zoneinfo import ZoneInfo

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, Machine, MachineUse
from competence.permissions import Right, require
from competence.rules.dates import day_at
from competence.rules.reasons import long_date


@dataclass(frozen=True)
class UseLine:
    """What is told of one machine on one shift; ``shift`` is empty where only the day is known."""

    machine: Machine
    on: date
    shift: str
    hours: Decimal


@dataclass(frozen=True)
class Recorded:
    """What became of the lines: how many were new, put right, or said what was known already."""

    added: int
    corrected: int
    known: int


@transaction.atomic
def record_uses(*, by: Account, lines: Sequence[UseLine], source: str, replaces: bool = False) -> Recorded:
    """Record all of the lines or none. What is known already is left as it is, so that a file sent twice adds
    nothing; other hours than those known are refused, unless the file ``replaces`` them."""
    moment = now()
    # The machines are locked: two who record the same shift meet here, not at the table's constraint.
    machines = {
        machine.pk: machine
        for machine in Machine.objects.select_for_update(of=("self",))
        .with_state()
        .filter(pk__in={line.machine.pk for line in lines})
        .order_by("pk")
    }
    for machine in machines.values():
        require(by, Right.KEEP_PLANT, site=machine.site)
    held = _held(machines.values(), [line.on for line in lines])
    rows: list[MachineUse] = []
    for line in lines:
        key = (line.machine.pk, line.on, line.shift)
        before = held.get(key)
        if before is not None and before.hours == line.hours:
            continue
        _refuse(machines[line.machine.pk], line, before, moment, replaces=replaces)
        use = MachineUse(
            machine=machines[line.machine.pk],
            on=line.on,
            shift=line.shift,
            hours=line.hours,
            source=source,
            recorded_at=moment,
            recorded_by=by,
            corrects=before,
        )
        # That the machine and the account are there, the table itself asks.
        use.clean_fields(exclude=["machine", "recorded_by", "corrects"])
        use.save()
        held[key] = use
        rows.append(use)
    if rows:
        record(by=by, action="use.recorded", rows=rows, reason=source)
    corrected = sum(row.corrects_id is not None for row in rows)
    return Recorded(len(rows) - corrected, corrected, len(lines) - len(rows))


def _held(machines: Iterable[Machine], days: Sequence[date]) -> dict[tuple[int, date, str], MachineUse]:
    """What is recorded already, as corrected. One statement, or none where nothing is asked."""
    if not days:
        return {}
    held = MachineUse.objects.filter(
        machine__in=machines, on__range=(min(days), max(days)), corrected_by__isnull=True
    )
    return {(use.machine_id, use.on, use.shift): use for use in held}


def _refuse(
    machine: Machine, line: UseLine, before: MachineUse | None, moment: datetime, *, replaces: bool
) -> None:
    if line.on > day_at(moment, ZoneInfo(machine.site.zone)):
        raise ActionRefused(f"{machine.fleet_number}: {long_date(line.on)} is still to come.", field="on")
    if before is not None and not replaces:
        raise ActionRefused(
            f"{machine.fleet_number} on {long_date(line.on)}: {before.hours} hours are recorded already "
            f"({before.source}), not {line.hours}. To put that right, tick that this replaces it.",
            field="hours",
        )


def record_use(
    *,
    by: Account,
    machine: Machine,
    on: date,
    shift: str,
    hours: Decimal,
    source: str,
    replaces: bool = False,
) -> Recorded:
    """One line of the same."""
    return record_uses(by=by, lines=[UseLine(machine, on, shift, hours)], source=source, replaces=replaces)
