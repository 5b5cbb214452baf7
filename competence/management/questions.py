"""What the commands share: who acts, about whom, which machine, when; and how they end."""

from datetime import date, datetime
from typing import TypeVar
from zoneinfo import ZoneInfo

from django.core.exceptions import PermissionDenied
from django.core.management.base import CommandError
from django.db import models

from competence.forms.moments import NotAMoment, moment_in, moment_where_it_stood
from competence.models import Account, Machine, Operator, Site
from competence.permissions import Right, require

REFUSED, NOT_UNDERSTOOD = 3, 2
Named = TypeVar("Named", bound=models.Model)


def not_understood(sentence: str) -> CommandError:
    return CommandError(sentence, returncode=NOT_UNDERSTOOD)


def account_named(username: str, right: Right | None = None) -> Account:
    """Whoever signs in so; with ``right``, only where they hold it at a site."""
    found = Account.objects.filter(username__iexact=username, is_active=True).first()
    if found is None:
        raise not_understood(f"Nobody signs in as {username}.")
    try:
        if right is not None:
            require(found, right)
    except PermissionDenied as refused:
        raise not_understood(str(refused)) from refused
    return found


def row_named(model: type[Named], column: str, value: str) -> Named:
    """A site, a category or a firm by its code or name, in capital letters or small ones."""
    found = model._default_manager.filter((f"{column}__iexact", value)).first()
    if found is None:
        raise not_understood(f"There is no {model._meta.verbose_name} {value} on the register.")
    return found


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


def day_named(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise not_understood(f"“{text}” is not a day. Write it as 2026-03-05.") from None


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
