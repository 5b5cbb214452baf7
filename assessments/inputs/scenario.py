"""This app's part of the invented scenario: what was booked, and the walk-arounds that were marked."""

import uuid
from collections.abc import Sequence
from datetime import datetime, time, timedelta
from typing import Any

from assessments.actions.bookings import book_assessment
from assessments.actions.outcomes import confirm_assessment
from assessments.actions.practical import (
    GivenMark,
    GivenNote,
    finish_assessment,
    give_marks,
    note_point,
    start_assessment,
)
from assessments.models import Assessment, Booking
from assessments.queries.practical import SheetZone, sheet_of
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.inputs.scenario import Scenario
from competence.inputs.scenario_checks import machine_line
from competence.models import ListedPoint

# How long a zone takes, near enough, and how soon the colleague who marks alongside has caught up.
ZONE_TIME = timedelta(minutes=6)
A_MINUTE = timedelta(minutes=1)
NAMESPACE = uuid.NAMESPACE_OID


def plan_assessments(scenario: Scenario) -> None:
    """Add every booking and assessment of the scenario to its timetable."""
    for line in scenario.content["booking"]:
        zone = scenario.zone_of(machine_line(scenario, line["machine"])["site"])
        scenario.timetable.add(
            scenario.almanac.moment(line["made"], zone),
            f"The booking of {line['operator']} on {line['machine']}",
            lambda line=line, zone=zone: _book(scenario, line, zone),
        )
    for line in scenario.content["assessment"]:
        WalkAround(scenario, line).plan()


def _book(scenario: Scenario, line: dict[str, Any], zone: str) -> None:
    register = scenario.register
    assessor = register.accounts[line["assessor"]]
    book_assessment(
        by=assessor,
        operator=register.operators[line["operator"]],
        machine=register.machines[line["machine"]],
        assessor=assessor,
        on=scenario.almanac.day(line["on"], zone),
        starts_at=time.fromisoformat(line["starts"]) if "starts" in line else None,
        note=line.get("note", ""),
    )


class WalkAround:
    """One assessment of the scenario, and the steps in which it was marked."""

    def __init__(self, scenario: Scenario, line: dict[str, Any], first: "WalkAround | None" = None) -> None:
        self.scenario, self.line, self.first = scenario, line, first
        named = (line["operator"], line["machine"], line["assessor"], line.get("at", ""))
        self.key = uuid.uuid5(NAMESPACE, " ".join(named))

    def plan(self) -> None:
        self._add(self._begins_at(), "begun", self._start)
        if "second" in self.line:
            alongside = {name: self.line[name] for name in ("operator", "machine", "at", "stage")}
            WalkAround(self.scenario, alongside | self.line["second"], first=self).plan()

    def _begins_at(self) -> datetime:
        if "minutes_ago" in self.line:
            return self.scenario.almanac.opened_at - timedelta(minutes=self.line["minutes_ago"])
        zone = self.scenario.zone_of(machine_line(self.scenario, self.line["machine"])["site"])
        begins_at = self.scenario.almanac.moment(self.line["at"], zone)
        return begins_at + A_MINUTE if self.first else begins_at

    def _add(self, moment: datetime, what: str, step: Any) -> None:
        name = f"The assessment of {self.line['operator']} by {self.line['assessor']}, {what}"
        self.scenario.timetable.add(moment, name, step)

    @property
    def _people(self) -> dict[str, Any]:
        return {"by": self.scenario.register.accounts[self.line["assessor"]], "assessment_id": self.key}

    def _start(self) -> None:
        register = self.scenario.register
        operator, machine = register.operators[self.line["operator"]], register.machines[self.line["machine"]]
        booking = None
        if self.line.get("is_booked"):
            booking = Booking.objects.filter(operator=operator, machine=machine).latest("on")
        assessment = start_assessment(
            **self._people,
            operator=operator,
            machine=machine,
            booking=booking,
            alongside=Assessment.objects.get(pk=self.first.key) if self.first else None,
        )
        walked = self._in_order(sheet_of(assessment).zones)
        begun, moment = walked[: self.line.get("zones", len(walked))], now()
        for points in begun:
            moment += ZONE_TIME
            self._add(moment, "a zone marked", lambda points=points: self._mark(points))
        if self.line["stage"] != "marking":
            self._add(moment + A_MINUTE, "finished", self._finish)

    def _in_order(self, zones: Sequence[SheetZone]) -> list[list[ListedPoint]]:
        """The points by zone in the order in which they were seen: down the list, but for one."""
        walked = [[point.listed for point in zone.points] for zone in zones]
        codes = {listed.point.code: listed for zone in walked for listed in zone}
        late = self.line.get("late")
        named = {*self._named("prompted"), *self._named("missed"), *(late or {}).values()}
        if unknown := named - codes.keys():
            raise ActionRefused(f"{', '.join(sorted(unknown))}: not among the points of this assessment.")
        if late:
            moved, after = codes[late["point"]], codes[late["after"]]
            for zone in walked:
                if moved in zone:
                    zone.remove(moved)
            for zone in walked:
                if after in zone:
                    zone.insert(zone.index(after) + 1, moved)
        return walked

    def _named(self, mark: str) -> Sequence[str]:
        return self.line.get(mark, ())

    def _mark(self, points: Sequence[ListedPoint]) -> None:
        each = ZONE_TIME / max(len(points), 1)
        began = now() - ZONE_TIME
        marks = [
            GivenMark(
                listed.pk,
                self._mark_of(listed.point.code),
                uuid.uuid5(self.key, listed.point.code),
                began + each * place,
                self.line["assessor"],
            )
            for place, listed in enumerate(points, start=1)
        ]
        give_marks(**self._people, marks=marks)
        said = self.line.get("note", {})
        for listed in points:
            if listed.point.code == said.get("point"):
                kept = GivenNote(listed.pk, uuid.uuid5(self.key, "note"), text=said["text"])
                note_point(**self._people, note=kept)

    def _mark_of(self, code: str) -> str:
        if code in self._named("missed"):
            return "missed"
        return "prompted" if code in self._named("prompted") else "unprompted"

    def _finish(self) -> None:
        found = finish_assessment(**self._people)
        self._add(now() + A_MINUTE, "confirmed by the assessor", lambda: self._confirm(found, "assessor"))
        if self.line["stage"] == "confirmed":
            later = now() + 2 * A_MINUTE
            self._add(later, "confirmed by the operator", lambda: self._confirm(found, "operator"))

    def _confirm(self, found: Assessment, who: str) -> None:
        by = self.scenario.register.accounts[self.line[who].lower()]
        confirm_assessment(by=by, assessment_id=self.key, is_competent=found.is_competent)
