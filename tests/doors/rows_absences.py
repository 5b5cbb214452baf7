"""The doors of who is away."""

from datetime import timedelta

from django.utils import timezone

from competence.models import Absence

from .matrix import Row

BOTH = frozenset({"trainer", "site_admin"})


def of_absence(world):
    today = timezone.now().date()
    absence = Absence.objects.create(
        operator=world.operator,
        first_day=today,
        last_day=today + timedelta(days=3),
        kind="leave",
        entered_by=world.trainer,
        entered_at=timezone.now(),
    )
    return {"pk": absence.pk}


ROWS = [
    Row("absence-list", BOTH),
    Row("absence-new", BOTH),
    Row("absence-new", BOTH, method="post"),
    Row("absence-call-off", BOTH, of_absence, method="post", own_site_only=True),
]
