"""Bookings as lists, and what a new one can be made of."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from django.db.models import Prefetch, Q, QuerySet

from assessments.models import Assessment, Booking
from competence.models import Absence, Account, Category, Machine, Operator, Role
from competence.queries.ticket_lists import zones
from competence.queries.words import MACHINE_OR_OPERATOR, holding
from competence.rules.dates import day_at
from competence.rules.reasons import long_date


def bookings_to_show() -> QuerySet[Booking]:
    """Bookings that stand, soonest first, with all that a line shows; their assessments take a statement."""
    begun = Assessment.objects.exclude(status=Assessment.Status.ABANDONED).order_by("started_at")
    return (
        Booking.objects.filter(called_off_at__isnull=True)
        .select_related("site", "machine__state__category", "operator__state__site", "assessor")
        .prefetch_related(Prefetch("assessments", begun, to_attr="begun"))
        .order_by("on", "starts_at", "operator__family_name", "pk")
    )


def from_today(moment: datetime, *, days: int | None = None) -> Q:
    """Bookings from today on, by each site's own calendar; with ``days``, of so many days only. One
    statement, for the sites' time zones."""
    asked = Q(pk__in=[])
    for key in zones():
        today = day_at(moment, ZoneInfo(key))
        here = Q(site__zone=key, on__gte=today)
        if days is not None:
            here &= Q(on__lt=today + timedelta(days=days))
        asked |= here
    return asked


def bookings_while_away(absences: Sequence[Absence]) -> list[str]:
    """The bookings that stand on days just entered as away: they are not called off by it. One statement for
    each absence."""
    said = []
    for absence in absences:
        person = Q(operator=absence.operator_id) | Q(assessor__operator=absence.operator_id)
        if absence.account_id:
            person = Q(assessor=absence.account_id)
        standing = Booking.objects.filter(
            person, called_off_at__isnull=True, on__range=(absence.first_day, absence.last_day)
        ).select_related("operator", "assessor")
        said += [
            f"A booking stands on {long_date(one.on)}: {one.operator} with {one.assessor.name}. Call it off, "
            "or move it."
            for one in standing.order_by("on", "pk")
        ]
    return said


def bookings_asked(
    site_ids: frozenset[int] | None,
    moment: datetime,
    *,
    text: str = "",
    site: str = "",
    category: str = "",
    assessor: Account | None = None,
) -> QuerySet[Booking]:
    """The bookings that a list asks for, from today. One statement here, for the sites' time zones."""
    found = bookings_to_show().filter(from_today(moment))
    if site_ids is not None:
        found = found.filter(site__in=site_ids)
    if site:
        found = found.filter(site__code=site)
    if category:
        found = found.filter(machine__state__category__code=category)
    if assessor is not None:
        found = found.filter(assessor=assessor)
    return holding(found, text, *MACHINE_OR_OPERATOR)


def operators_at(site_id: int) -> QuerySet[Operator]:
    """Those at work whose home is this site, by name."""
    found = Operator.objects.filter(state__site=site_id, state__is_active=True)
    return found.order_by("family_name", "given_name", "number")


def machines_to_book(site_ids: frozenset[int] | None, category: Category | None) -> QuerySet[Machine]:
    """Machines in service at these sites, of one category where one is named."""
    found = Machine.objects.filter(state__is_in_service=True).select_related("state__site", "state__category")
    if site_ids is not None:
        found = found.filter(state__site__in=site_ids)
    if category is not None:
        found = found.filter(state__category=category)
    return found.order_by("state__site__name", "fleet_number")


def assessors_to_book(site_ids: frozenset[int] | None) -> QuerySet[Account]:
    """Trainers of these sites. Whether their appointment is in date, the booking itself asks."""
    held = Role.objects.filter(name=Role.Name.TRAINER, ended_at__isnull=True)
    if site_ids is not None:
        held = held.filter(Q(site__in=site_ids) | Q(site__isnull=True))
    found = Account.objects.filter(is_active=True, pk__in=held.values("account"))
    return found.order_by("last_name", "first_name", "username")
