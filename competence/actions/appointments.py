"""Appointing trainers to assess a category, in writing and to a date."""

from datetime import date

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, Appointment, Category, Role
from competence.permissions import Right, require_everywhere


@transaction.atomic
def appoint(
    *, by: Account, account: Account, category: Category, first_day: date, last_day: date, duties: str
) -> Appointment:
    """Give a trainer the authority to assess a category; a later appointment replaces an earlier one."""
    require_everywhere(by, Right.APPOINT)
    if by.pk == account.pk:
        raise ActionRefused("Nobody appoints themself.")
    if not any(role.name == Role.Name.TRAINER for role in account.held_roles):
        raise ActionRefused(f"{account.name} does not hold the role trainer.", field="account")
    appointment = Appointment(
        account=account,
        category=category,
        first_day=first_day,
        last_day=last_day,
        duties=duties,
        recorded_at=now(),
        recorded_by=by,
    )
    appointment.full_clean()
    appointment.save()
    record(by=by, action="appointment.made", rows=[appointment])
    return appointment
