"""The doors of bookings."""

from datetime import timedelta

from django.utils import timezone

from assessments.models import Booking

from .matrix import STAFF, Row

BOTH = frozenset({"trainer", "site_admin"})


def of_booking(world):
    booking = Booking.objects.create(
        on=timezone.now().date() + timedelta(days=3),
        site=world.site,
        machine=world.machine,
        operator=world.operator,
        assessor=world.trainer,
        made_at=timezone.now(),
        made_by=world.trainer,
    )
    return {"pk": booking.pk}


ROWS = [
    Row("booking-list", STAFF),
    Row("booking-new", BOTH),
    Row("booking-new", BOTH, method="post"),
    Row("booking-call-off", BOTH, of_booking, own_site_only=True),
    Row("booking-call-off", BOTH, of_booking, method="post", own_site_only=True),
]
