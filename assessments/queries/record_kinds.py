"""Assessments and sittings as records that have a page of proof."""

from typing import Any

from assessments.models import Assessment, Sitting
from assessments.queries.assessment_lists import marks_alongside
from competence.queries.record_entries import RecordKind


def _hidden_assessment(account: Any, row: Assessment) -> str:
    if row.status == Assessment.Status.MARKING:
        return "This walk-around is still being marked: nothing of it is on record yet."
    if marks_alongside(account, row):
        return (
            "You are marking this walk-around alongside. What your colleague found is shown once you have "
            "finished your own."
        )
    return ""


KINDS = {
    "assessment": RecordKind(
        noun="assessment",
        model=Assessment,
        related=("operator", "machine", "site"),
        parts=(
            ("assessments.assessedpoint", "assessment"),
            ("assessments.tap", "assessment"),
            ("assessments.pointnote", "assessment"),
            ("assessments.assessmentcorrection", "assessment"),
        ),
        title=lambda row: f"{row.number}, {row.operator.name} on {row.machine.fleet_number}",
        sites=lambda row: (row.site,),
        about=lambda row: {"operator": row.operator, "machine": row.machine},
        page=lambda row: ("assessment-record", row.pk),
        hidden=_hidden_assessment,
    ),
    "sitting": RecordKind(
        noun="sitting",
        model=Sitting,
        related=("operator__state__site",),
        parts=(
            ("assessments.drawnquestion", "sitting"),
            ("assessments.answer", "drawn__sitting"),
            ("assessments.sittingevidence", "sitting"),
        ),
        title=lambda row: f"{row.number}, {row.operator.name}",
        sites=lambda row: (row.operator.site,),
        about=lambda row: {"operator": row.operator},
        page=lambda row: ("sitting-record", row.pk),
        hidden=lambda account, row: (
            "This sitting is still open: nothing of it is on record yet."
            if row.status == Sitting.Status.OPEN
            else ""
        ),
    ),
}
