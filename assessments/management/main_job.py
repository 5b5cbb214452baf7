"""This app's part of the main job: stopped because what is known has faded; let through once it is fresh."""

import uuid
from collections.abc import Iterator

from assessments.actions.sittings import start_refresher
from assessments.inputs.scenario_sittings import answer_all_of
from competence.management.main_job import Cases, Outcome, answered


def faded(cases: Cases) -> Iterator[Outcome]:
    number, fleet_number = cases.facts["faded"], cases.facts["faded_machine"]
    by = cases.scenario.register.accounts[number.lower()]
    yield answered(
        f"{cases.name(number)} asks for {fleet_number}: the refresher questions fell due.",
        "stopped: recall not met",
        cases.start(number, fleet_number),
    )
    sitting = answer_all_of(by, start_refresher(by=by, sitting_id=uuid.uuid4()))
    asked = sitting.outcome["asked"]
    yield answered(
        f"{cases.name(number)} answers {asked} questions on the phone, all right, and asks again.",
        "let through; fit for use",
        cases.finish(number, cases.start(number, fleet_number)),
    )
