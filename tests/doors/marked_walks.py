"""Assessments made in bulk, as rows: who marked which walk-around, and what they gave at each point."""

import uuid
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

from django.utils import timezone

from assessments.models import AssessedPoint, Assessment, Tap
from competence.models import Account, ChecklistVersion, ListedPoint, Machine, Operator, StandardVersion
from tests.factories import (
    AccountFactory,
    ChecklistVersionFactory,
    MachineFactory,
    OperatorFactory,
    plain_standard,
)

Status = Assessment.Status
OUTCOME = {"score": "1", "is_competent": True}


@dataclass(frozen=True)
class Ground:
    """A machine with its standard and checklist, on which people are assessed."""

    machine: Machine
    checklist: ChecklistVersion
    standard: StandardVersion
    listed: tuple[ListedPoint, ...]

    @classmethod
    def of(cls, points: int | list = 6, **machine) -> "Ground":
        made = MachineFactory(**machine)
        checklist = ChecklistVersionFactory(category=made.state.category, points=points)
        standard = plain_standard(category=made.state.category)
        listed = tuple(checklist.listed.select_related("point").order_by("position"))
        return cls(made, checklist, standard, listed)

    def operator(self, **fields) -> Operator:
        return OperatorFactory(site=self.machine.site, **fields)

    def walk(
        self,
        assessor: Account,
        operator: Operator,
        marks: Sequence[str] | Mapping[int, str] = (),
        *,
        status: str = Status.CONFIRMED,
        alongside: Assessment | None = None,
        at=None,
    ) -> Assessment:
        """One assessment whose marks are given by place on the checklist."""
        assessment = self.unsaved(assessor, operator, status=status, alongside=alongside, at=at)
        assessment.save()
        AssessedPoint.objects.bulk_create(
            AssessedPoint(assessment=assessment, listed=listed) for listed in self.listed
        )
        pairs = marks.items() if isinstance(marks, Mapping) else enumerate(marks)
        Tap.objects.bulk_create(self.taps(assessment, pairs))
        return assessment

    def unsaved(self, assessor, operator, *, status=Status.CONFIRMED, alongside=None, at=None) -> Assessment:
        at = at or timezone.now() - timedelta(days=1)
        is_over = status != Status.MARKING
        is_confirmed = status == Status.CONFIRMED
        return Assessment(
            operator=operator,
            machine=self.machine,
            site=self.machine.site,
            category=self.machine.state.category,
            checklist=self.checklist,
            standard_version=self.standard,
            assessor=assessor,
            alongside=alongside,
            status=status,
            started_at=at,
            finished_at=at + timedelta(hours=1) if is_over else None,
            outcome=OUTCOME if is_over else None,
            is_competent=True if is_over else None,
            assessor_confirmed_at=at if is_confirmed else None,
            operator_confirmed_at=at if is_confirmed else None,
            abandoned_why="Rain." if status == Status.ABANDONED else "",
        )

    def taps(self, assessment: Assessment, marks: Iterable[tuple[int, str]]) -> list[Tap]:
        at = assessment.started_at
        return [
            Tap(
                assessment=assessment,
                listed=self.listed[place],
                mark=mark,
                sent_as=uuid.uuid4(),
                tapped_at=at,
                recorded_at=at,
            )
            for place, mark in marks
        ]


def trainer(given: str, family: str, site=None) -> Account:
    return AccountFactory(
        first_name=given, last_name=family, roles=["trainer" if site is None else ("trainer", site)]
    )
