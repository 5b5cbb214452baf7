"""Booking assessments: a day, a site, a machine, an operator, an assessor."""

from datetime import date, time
from zoneinfo import ZoneInfo

from django.db import transaction

from assessments.models import Booking
from assessments.queries.practical import appointment_on
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, Machine, Operator
from competence.permissions import Right, require
from competence.rules.dates import day_at
from competence.rules.reasons import long_date


@transaction.atomic
def book_assessment(
    *,
    by: Account,
    on: date,
    machine: Machine,
    operator: Operator,
    assessor: Account,
    starts_at: time | None = None,
    note: str = "",
) -> Booking:
    """Book an operator to be assessed on a machine, at the site where the machine stands."""
    require(by, Right.BOOK, site=machine.site)
    if on < day_at(now(), ZoneInfo(machine.site.zone)):
        raise ActionRefused("That day has gone by.", field="on")
    if assessor.operator_id is not None and assessor.operator_id == operator.pk:
        raise ActionRefused("Nobody assesses themself.", field="assessor")
    if appointment_on(assessor, machine.state.category, on) is None:
        raise ActionRefused(
            f"{assessor.name} holds no appointment in date for {machine.state.category.name} "
            f"on {long_date(on)}.",
            field="assessor",
        )
    booking = Booking(
        on=on,
        starts_at=starts_at,
        site=machine.site,
        machine=machine,
        operator=operator,
        assessor=assessor,
        note=note,
        made_at=now(),
        made_by=by,
    )
    booking.full_clean()
    booking.save()
    record(by=by, action="booking.made", rows=[booking])
    return booking


@transaction.atomic
def call_off_booking(*, by: Account, booking: Booking, reason: str) -> Booking:
    """Call a booking off, saying why; it is kept."""
    booking = Booking.objects.select_for_update(of=("self",)).select_related("site").get(pk=booking.pk)
    require(by, Right.BOOK, site=booking.site)
    if booking.called_off_at is not None:
        raise ActionRefused("This booking was called off already.")
    if not reason.strip():
        raise ActionRefused("Say why it is called off.", field="reason")
    booking.called_off_at, booking.called_off_why = now(), reason.strip()
    booking.save()
    record(by=by, action="booking.called_off", rows=[booking], reason=reason[:300])
    return booking
