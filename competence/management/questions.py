"""What the commands that ask about a person and a machine share: whom, which, when, and how they end."""

from datetime import datetime
from zoneinfo import ZoneInfo

from django.core.management.base import CommandError

from competence.forms.moments import NotAMoment, moment_in, moment_where_it_stood
from competence.models import Machine, Operator, Site

ALLOWED, REFUSED, NOT_UNDERSTOOD = 0, 3, 2


def not_understood(sentence: str) -> CommandError:
    return CommandError(sentence, returncode=NOT_UNDERSTOOD)


def operator_named(number: str) -> Operator:
    found = Operator.objects.with_state().filter(number=number).first()
    if found is None:
        raise not_understood(f"Nobody with the number {number} is on the register.")
    return found


def machine_named(fleet_number: str) -> Machine:
    found = Machine.objects.with_state().filter(fleet_number=fleet_number).first()
    if found is None:
        raise not_understood(f"No machine with the fleet number {fleet_number} is on the register.")
    return found


def moments_asked(
    machine: Machine, at: str | None, known_at: str | None, now: datetime
) -> tuple[datetime, datetime | None, Site]:
    """The moment asked about (none said: now), that of knowledge where one was said, and the site on whose
    clock both are read: where the machine stood at the first."""
    try:
        moment, site = (now, machine.site) if at is None else moment_where_it_stood(at, machine)
        known = None if known_at is None else moment_in(known_at, ZoneInfo(site.zone))
    except NotAMoment as error:
        raise not_understood(str(error)) from error
    if known is not None and known > now:
        raise not_understood("--known-at is in the future; nobody knows that yet.")
    return moment, known, site
