"""The doors of plans."""

from django.utils import timezone

from assessments.models import Plan

from .matrix import Row

BOTH = frozenset({"trainer", "site_admin"})


def of_plan(world):
    made = Plan.objects.create(
        made_by=world.trainer,
        made_at=timezone.now(),
        asked={"sites": [world.site.code], "capacity": 4, "seconds": 5.0},
        status="stopped",
        finished_at=timezone.now(),
        found={
            "placements": [],
            "unplaced": [],
            "gap": 0,
            "short": 0,
            "late": 0,
            "journeys": 0,
            "seconds": 1,
        },
    )
    return {"pk": made.pk}


ROWS = [
    Row("plan-list", BOTH),
    Row("plan-list", BOTH, method="post"),
    Row("plan", BOTH, of_plan, own_site_only=True),
    Row("plan-stop", BOTH, of_plan, method="post", own_site_only=True),
    Row("plan-accept", BOTH, of_plan, method="post", own_site_only=True),
]
