"""The daily checks of the scenario: those let through, those stopped, and the defects that they found."""

import uuid
from datetime import datetime, timedelta
from decimal import Decimal
from typing import Any

from competence.actions.checks import start_check, submit_check
from competence.actions.defects import close_defect
from competence.actions.drafts import Answer, save_findings
from competence.actions.errors import ActionRefused
from competence.actions.uses import record_use
from competence.inputs.scenario import Scenario
from competence.inputs.scenario_picture import cut_tyre
from competence.models import Account, DailyCheck, Defect, Finding, Machine, Refusal
from competence.queries.checks import sheet_of

# How long a walk-around takes, near enough.
WALK_AROUND = timedelta(minutes=14)
PICTURES = {"cut tyre": cut_tyre}


def plan_checks(scenario: Scenario) -> None:
    for line in scenario.content["check"]:
        zone = scenario.zone_of(machine_line(scenario, line["machine"])["site"])
        for offset in line["at"]:
            moment = scenario.almanac.moment(offset, zone)
            scenario.timetable.add(
                moment,
                f"The check of {line['machine']} by {line['operator']}",
                lambda line=line, moment=moment: _check(scenario, line, moment),
            )
    for line in scenario.content["closing"]:
        zone = scenario.zone_of(machine_line(scenario, line["machine"])["site"])
        scenario.timetable.add(
            scenario.almanac.moment(line["at"], zone),
            f"The closing of {line['point']} on {line['machine']}",
            lambda line=line: _close(scenario, line),
        )
    for line in scenario.content["use"]:
        zone = scenario.zone_of(machine_line(scenario, line["machine"])["site"])
        for offset in line["on"]:
            # Told the morning after, when the sheet has come to the office.
            moment = scenario.almanac.moment(offset, zone, "18:30") + timedelta(hours=14)
            scenario.timetable.add(
                moment,
                f"The use of {line['machine']} on {offset}",
                lambda line=line, offset=offset, zone=zone: _use(scenario, line, offset, zone),
            )


def machine_line(scenario: Scenario, fleet_number: str) -> dict[str, Any]:
    return next(line for line in scenario.content["machine"] if line["fleet_number"] == fleet_number)


def _check(scenario: Scenario, line: dict[str, Any], moment: datetime) -> None:
    register = scenario.register
    by = register.accounts[line["operator"].lower()]
    name = f"{line['machine']} {line['operator']} {moment.isoformat()}"
    supervisor = line.get("supervisor")
    started = start_check(
        by=by,
        check_id=uuid.uuid5(uuid.NAMESPACE_OID, name),
        machine=register.machines[line["machine"]],
        supervisor=register.operators[supervisor] if supervisor else None,
        supervisor_account=register.accounts[supervisor.lower()] if supervisor else None,
    )
    is_stopped = isinstance(started, Refusal)
    if is_stopped != line.get("is_stopped", False):
        why = " ".join(reason["sentence"] for reason in started.verdict["reasons"])
        raise ActionRefused(f"It was {'stopped: ' + why if is_stopped else 'let through'}.")
    if is_stopped:
        return

    def finish() -> None:
        answer_all(by, started, line.get("finding", ()))
        reading = Decimal(str(scenario.reading(line["machine"], moment)))
        submit_check(by=by, daily_check=started, hour_meter=reading)

    what = f"The end of the check of {line['machine']} by {line['operator']}"
    scenario.timetable.add(moment + WALK_AROUND, what, finish)


def answer_all(by: Account, daily_check: DailyCheck, findings: Any = ()) -> None:
    """Answer every point that applies: good, but for the ``findings`` (mappings with the point's code)."""
    told = {finding["point"]: finding for finding in findings}
    answers = []
    for zone in sheet_of(daily_check).zones:
        for listed, _ in zone.points:
            finding = told.pop(listed.point.code, {})
            answers.append(
                Answer(
                    listed,
                    finding.get("answer", Finding.Answer.GOOD.value),
                    grade=finding.get("grade", ""),
                    note=finding.get("note", ""),
                    not_reached_reason=finding.get("reason", ""),
                    photograph=PICTURES[finding["picture"]]() if "picture" in finding else None,
                )
            )
    if told:
        raise ActionRefused(f"{', '.join(told)}: not on the list of {daily_check.machine.fleet_number}.")
    save_findings(by=by, daily_check=daily_check, answers=answers)


def _close(scenario: Scenario, line: dict[str, Any]) -> None:
    machine: Machine = scenario.register.machines[line["machine"]]
    defect = Defect.objects.filter(machine=machine, point_code=line["point"], closed_at=None).first()
    if defect is None:
        raise ActionRefused("No such defect is open.")
    close_defect(by=scenario.who(machine.site.code, "admin"), defect=defect, done=line["done"])


def _use(scenario: Scenario, line: dict[str, Any], offset: str, zone: str) -> None:
    machine = scenario.register.machines[line["machine"]]
    record_use(
        by=scenario.who(machine.site.code, "admin"),
        machine=machine,
        on=scenario.almanac.day(offset, zone),
        shift=line["shift"],
        hours=Decimal(str(line["hours"])),
        source="Shift sheet of the weighbridge",
    )
