"""Versions of a category's standard or checklist: which one is in force on a day, and all of them in time."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import QuerySet

from competence.models import Category, ChecklistVersion, StandardVersion

Version = StandardVersion | ChecklistVersion


def version_on(versions: QuerySet, category: Category, on: date) -> Version | None:
    """The version of ``category`` in force on a day. One statement."""
    return versions.filter(category=category, in_force_from__lte=on).order_by("-in_force_from").first()


@dataclass(frozen=True)
class CategoryRow:
    """One category of a list: the version in force on the day, and the next."""

    category: Category
    in_force: Version | None
    following: Version | None


def category_rows(versions: QuerySet, on: date) -> list[CategoryRow]:
    """One row a category, by name. One statement, beside those of ``versions``."""
    of_category = defaultdict(list)
    for version in versions.order_by("in_force_from"):
        of_category[version.category_id].append(version)
    return [
        CategoryRow(
            category,
            next((one for one in reversed(of_category[category.pk]) if one.in_force_from <= on), None),
            next((one for one in of_category[category.pk] if one.in_force_from > on), None),
        )
        for category in Category.objects.order_by("name")
    ]


@dataclass(frozen=True)
class VersionInTime:
    """One version, and what it is on the day that was asked about: past, in force or to come."""

    version: Version
    ends_on: date | None
    state: str
    tone: str


def in_time(versions: Sequence[Version], on: date) -> list[VersionInTime]:
    """Versions, the latest first, with the day that each ends before and what it is on the day asked."""
    rows, later_start = [], None
    for version in versions:
        if version.in_force_from > on:
            state, tone = "To come", "note"
        elif later_start is None or later_start > on:
            state, tone = "In force", "good"
        else:
            state, tone = "Past", "quiet"
        rows.append(VersionInTime(version, later_start, state, tone))
        later_start = version.in_force_from
    return rows


def version_shown(versions: Sequence[VersionInTime], number: int | None) -> VersionInTime | None:
    """The version asked for; else the one in force; else the first to come."""
    if number is not None:
        return next((one for one in versions if one.version.number == number), None)
    in_force = next((one for one in versions if one.state == "In force"), None)
    return in_force or (versions[-1] if versions else None)
