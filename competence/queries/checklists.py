"""Checklists as a list, and one category's list by zone with its order rules."""

from dataclasses import dataclass
from datetime import date

from django.db.models import Count, Max, OuterRef, QuerySet, Subquery

from competence.models import Category, ChecklistVersion, ListedPoint, Point, Precedence
from competence.queries.versions import CategoryRow, VersionInTime, category_rows, in_time, version_shown


def checklist_rows(on: date) -> list[CategoryRow]:
    """One row a category, by name; versions carry ``point_count``. Two statements."""
    return category_rows(ChecklistVersion.objects.annotate(point_count=Count("listed")), on)


@dataclass(frozen=True)
class Zone:
    name: str
    listed: list[ListedPoint]


@dataclass(frozen=True)
class ChecklistSheet:
    """A category's checklist: every version, and the one that is shown, zone by zone."""

    versions: list[VersionInTime]
    shown: VersionInTime | None
    zones: list[Zone]
    pairs: list[Precedence]


def sheet_of_checklist(category: Category, on: date, number: int | None = None) -> ChecklistSheet:
    """A category's checklist on a day; ``number`` shows another version than the one in force then. Three
    statements."""
    versions = in_time(list(category.checklist_versions.order_by("-in_force_from")), on)
    shown = version_shown(versions, number)
    if shown is None:
        return ChecklistSheet(versions, None, [], [])
    return ChecklistSheet(versions, shown, zones_of(listed_points(shown.version)), pairs_of(shown.version))


def zones_of(listed: list[ListedPoint]) -> list[Zone]:
    """Points in walking order, parted where the zone changes."""
    zones: list[Zone] = []
    for row in listed:
        if not zones or zones[-1].name != row.zone_name:
            zones.append(Zone(row.zone_name, []))
        zones[-1].listed.append(row)
    return zones


def listed_points(version: ChecklistVersion) -> list[ListedPoint]:
    """The points of a version in walking order. One statement."""
    return list(version.listed.select_related("point__feature").order_by("position"))


def pairs_of(version: ChecklistVersion) -> list[Precedence]:
    """The order rules of a version, safety first. One statement."""
    return list(
        version.precedences.select_related("earlier__point", "later__point").order_by(
            "-is_safety", "earlier__position", "later__position"
        )
    )


def latest_points() -> QuerySet[Point]:
    """The newest revision of every point of the library, by title."""
    newest = (
        Point.objects.filter(code=OuterRef("code"))
        .order_by()
        .values("code")
        .annotate(newest=Max("revision"))
        .values("newest")
    )
    return Point.objects.filter(revision=Subquery(newest)).select_related("feature").order_by("title", "code")
