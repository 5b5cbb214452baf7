"""The doors of agreement and severity."""

from django.utils import timezone

from assessments.models import Assessment

from .matrix import STAFF, Row


def of_assessment(world):
    # Asked for at every knock at the same world.
    assessment, _ = Assessment.objects.get_or_create(
        operator=world.operator,
        machine=world.machine,
        assessor=world.everywhere_trainer,
        defaults={
            "site": world.site,
            "category": world.category,
            "checklist": world.checklist_version,
            "standard_version": world.standard_version,
            "started_at": timezone.now(),
        },
    )
    return {"assessment_id": assessment.pk}


ROWS = [
    Row("assessment-agreement", STAFF, of_assessment, own_site_only=True),
    Row("agreement-list", STAFF),
    Row("severity", frozenset({"trainer", "auditor"}), everywhere_only=True),
]
