"""Defects as a list, and one defect with the checks that saw it again."""

from dataclasses import dataclass
from datetime import datetime

from django.db.models import Case, F, IntegerField, Q, QuerySet, Value, When

from competence.models import Defect, DefectSighting, Grade, Machine


@dataclass(frozen=True)
class DefectsAsked:
    """What a list of defects is narrowed to; an empty value narrows nothing. ``state``: open or closed."""

    machine: str = ""
    site: str = ""
    grade: str = ""
    state: str = ""
    first_moment: datetime | None = None
    before: datetime | None = None


def visible_at(site_ids: frozenset[int] | None) -> Q:
    """The defects of machines that stand at one of the sites now, and those that were found there."""
    if site_ids is None:
        return Q()
    return Q(machine__state__site_id__in=site_ids) | Q(site_id__in=site_ids)


def defects_asked(asked: DefectsAsked, site_ids: frozenset[int] | None) -> QuerySet[Defect]:
    """The defects that a list asks for: open before closed, stop-use before report, then the newest. No
    statement until it is read; then one, and one more for a page's count."""
    found = Defect.objects.filter(visible_at(site_ids))
    if asked.machine:
        found = found.filter(machine__fleet_number__iexact=asked.machine)
    if asked.site:
        found = found.filter(machine__state__site__code=asked.site)
    if asked.grade:
        found = found.filter(grade=asked.grade)
    if asked.state in ("open", "closed"):
        found = found.filter(closed_at__isnull=asked.state == "open")
    if asked.first_moment is not None:
        found = found.filter(opened_at__gte=asked.first_moment)
    if asked.before is not None:
        found = found.filter(opened_at__lt=asked.before)
    urgency = Case(
        When(closed_at__isnull=True, grade=Grade.STOP_USE, then=Value(0)),
        When(closed_at__isnull=True, then=Value(1)),
        default=Value(2),
        output_field=IntegerField(),
    )
    return found.select_related(
        "machine__state__site", "closed_by", "opened_by__daily_check__operator"
    ).order_by(urgency, F("closed_at").desc(), "-opened_at", "-pk")


def open_stops(machine: Machine) -> list[Defect]:
    """The stop-use defects that keep a machine standing now. One statement."""
    stops = Defect.objects.filter(machine=machine, closed_at__isnull=True, grade=Grade.STOP_USE)
    return list(stops.order_by("opened_at"))


def defects_to_show() -> QuerySet[Defect]:
    """Defects with everything that their page names beside them, for one statement."""
    return Defect.objects.select_related(
        "machine__state__site", "site", "closed_by", "opened_by__daily_check__operator", "opened_by__listed"
    )


def sightings_of(defect: Defect) -> list[DefectSighting]:
    """The later checks that saw the defect again, in order. One statement."""
    return list(
        DefectSighting.objects.filter(defect=defect)
        .select_related("finding__daily_check__operator")
        .order_by("finding__daily_check__submitted_at")
    )
