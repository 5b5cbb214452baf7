"""The whole invented history, from the first set-up to yesterday, written in order of time."""

from collections.abc import Callable

from django.db import transaction

from competence.inputs.scenario import Scenario
from competence.inputs.scenario_absences import plan_absences
from competence.inputs.scenario_cards import plan_cards
from competence.inputs.scenario_checks import plan_checks
from competence.inputs.scenario_people import plan_people

# What an app above this one adds to the timetable when it is ready, after this one's own parts.
PLANNERS: list[Callable[[Scenario], None]] = []


@transaction.atomic
def write_history(scenario: Scenario) -> int:
    """Write the whole history, or nothing; how many steps it took."""
    scenario.timetable.add(scenario.begins_at, "The beginning", scenario.begin)
    scenario.plan_plant()
    plan_people(scenario)
    plan_checks(scenario)
    plan_absences(scenario)
    plan_cards(scenario)
    for plan in PLANNERS:
        plan(scenario)
    return scenario.timetable.run(scenario.almanac.opened_at)
