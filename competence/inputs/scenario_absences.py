"""The days of the scenario on which people are away."""

from typing import Any

from competence.actions.absences import record_absence
from competence.inputs.scenario import Scenario


def plan_absences(scenario: Scenario) -> None:
    for line in scenario.content["absence"]:
        zone = scenario.zone_of(line["site"])
        scenario.timetable.add(
            scenario.almanac.moment(line["entered"], zone),
            f"The absence of {line.get('operator') or line['assessor']}",
            lambda line=line, zone=zone: _enter(scenario, line, zone),
        )


def _enter(scenario: Scenario, line: dict[str, Any], zone: str) -> None:
    """Entered by the site's admin, of an operator or of an assessor."""
    register = scenario.register
    record_absence(
        by=scenario.who(line["site"], "admin"),
        operators=[register.operators[line["operator"]]] if "operator" in line else [],
        accounts=[register.accounts[line["assessor"]]] if "assessor" in line else [],
        first_day=scenario.almanac.day(line["first"], zone),
        last_day=scenario.almanac.day(line["last"], zone),
        kind=line["kind"],
        note=line.get("note", ""),
    )
