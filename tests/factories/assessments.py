"""Practical assessments, at any stage."""

import uuid
from collections.abc import Mapping
from typing import Any

import factory
from django.utils import timezone

from assessments.actions.practical import outcome_of
from assessments.models import AssessedPoint, Assessment, PointNote, Tap
from assessments.queries.practical import sheet_of

from .accounts import AccountFactory
from .base import RowFactory, at_ago
from .checklists import ChecklistVersionFactory
from .people import OperatorFactory
from .plant import MachineFactory
from .standards import StandardVersionFactory


class TapFactory(RowFactory):
    """A tap at an assessment's point, unprompted unless told."""

    class Meta:
        model = Tap

    assessment = factory.SubFactory("tests.factories.assessments.AssessmentFactory")
    listed = factory.LazyAttribute(lambda row: row.assessment.points.order_by("listed__position")[0].listed)
    mark = "unprompted"
    sent_as = factory.LazyFunction(uuid.uuid4)
    tapped_at = at_ago(0)
    recorded_at = at_ago(0)


class PointNoteFactory(RowFactory):
    class Meta:
        model = PointNote

    assessment = factory.SubFactory("tests.factories.assessments.AssessmentFactory")
    listed = factory.LazyAttribute(lambda row: row.assessment.points.order_by("listed__position")[0].listed)
    text = "Looked, and did not touch."
    sent_as = factory.LazyFunction(uuid.uuid4)
    recorded_at = at_ago(0)


class AssessmentFactory(RowFactory):
    """Being marked, with the points of its checklist and no mark yet.

    ``stage="finished"`` or ``stage="confirmed"`` marks every point unprompted, in walking order;
    ``stage__marks={2: "missed"}`` says otherwise by position.
    """

    class Meta:
        model = Assessment

    machine = factory.SubFactory(MachineFactory)
    site = factory.LazyAttribute(lambda row: row.machine.site)
    category = factory.LazyAttribute(lambda row: row.machine.state.category)
    operator = factory.SubFactory(OperatorFactory, site=factory.SelfAttribute("..site"))
    checklist = factory.SubFactory(ChecklistVersionFactory, category=factory.SelfAttribute("..category"))
    standard_version = factory.SubFactory(
        StandardVersionFactory, category=factory.SelfAttribute("..category")
    )
    assessor = factory.SubFactory(AccountFactory, roles=["trainer"])
    started_at = at_ago(0)

    @factory.post_generation
    def points(assessment: Assessment, create: bool, extracted: Any, **_: Any) -> None:
        if not create:
            return
        for listed in assessment.checklist.listed.order_by("position"):
            AssessedPoint.objects.create(assessment=assessment, listed=listed)

    @factory.post_generation
    def stage(
        assessment: Assessment,
        create: bool,
        extracted: Any,
        marks: Mapping[int, str] | None = None,
        **_: Any,
    ) -> None:
        if not create or not extracted:
            return
        for point in assessment.points.select_related("listed").order_by("listed__position"):
            mark = (marks or {}).get(point.listed.position, "unprompted")
            TapFactory(assessment=assessment, listed=point.listed, mark=mark)
        assessment.standard_version.refresh_from_db()
        found = outcome_of(sheet_of(assessment))
        assessment.outcome, assessment.is_competent = found.as_plain(), found.is_competent
        assessment.finished_at, assessment.status = timezone.now(), "finished"
        if extracted == "confirmed":
            assessment.assessor_confirmed_at = assessment.operator_confirmed_at = assessment.finished_at
            assessment.status = "confirmed"
        assessment.save()
