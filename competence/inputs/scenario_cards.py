"""The ticket cards that were printed in the scenario."""

from typing import Any

from competence.actions.cards import issue_cards
from competence.inputs.scenario import Scenario


def plan_cards(scenario: Scenario) -> None:
    for line in scenario.content["cards"]:
        scenario.timetable.add(
            scenario.almanac.moment(line["printed"], scenario.zone_of(line["site"])),
            f"The cards printed at {line['site']}",
            lambda line=line: _print(scenario, line),
        )


def _print(scenario: Scenario, line: dict[str, Any]) -> None:
    issue_cards(
        by=scenario.who(line["site"], "admin"),
        operators=[scenario.register.operators[number] for number in line["operators"]],
    )
