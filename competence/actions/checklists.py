"""Publishing checklists: points written once, listed in walking order, whole versions at a time."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise
from typing import Any

from django.db import transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.actions.standards import next_number
from competence.models import (
    Account,
    Category,
    ChecklistVersion,
    Feature,
    ListedPoint,
    Point,
    Precedence,
)
from competence.permissions import Right, require_everywhere


@dataclass(frozen=True)
class ListLine:
    """One point in its place: the point, and the zone that it stands in."""

    point: Point
    zone_code: str
    zone_name: str


@dataclass(frozen=True)
class Pair:
    """``earlier`` before ``later``, by point code."""

    earlier: str
    later: str
    is_safety: bool
    why: str = ""


@dataclass(frozen=True)
class WordedLine:
    """One point in its place, by its code and wording: what a form knows before the point is kept."""

    code: str
    feature: Feature | None
    wording: dict[str, Any]
    zone_code: str
    zone_name: str


@transaction.atomic
def keep_point(*, by: Account, code: str, feature: Feature | None = None, **wording: Any) -> Point:
    """The point ``code`` with this wording: the one that exists if it says the same, else a new revision.

    ``wording``: title, method, good, caution, is_critical, stop_use_when, weight, topic.
    """
    require_everywhere(by, Right.KEEP_STANDARDS)
    latest = Point.objects.filter(code=code).order_by("-revision").first()
    if (
        latest is not None
        and latest.feature_id == (feature.pk if feature else None)
        and all(getattr(latest, name) == value for name, value in wording.items())
    ):
        return latest
    point = Point(code=code, revision=latest.revision + 1 if latest else 1, feature=feature, **wording)
    point.full_clean()
    point.save()
    record(by=by, action="point.kept", rows=[point])
    return point


@transaction.atomic
def publish_checklist(
    *,
    by: Account,
    category: Category,
    in_force_from: date,
    lines: Sequence[ListLine],
    pairs: Iterable[Pair] = (),
    sources: Sequence[str] = (),
) -> ChecklistVersion:
    """Publish the next version of a category's checklist, in walking order."""
    require_everywhere(by, Right.KEEP_STANDARDS)
    number = next_number(ChecklistVersion, category, in_force_from)
    if not lines:
        raise ActionRefused("A checklist lists at least one point.")
    codes = [line.point.code for line in lines]
    if twice := {code for code in codes if codes.count(code) > 1}:
        raise ActionRefused(f"A point stands on a list once; these stand twice: {', '.join(sorted(twice))}.")
    if back := zone_that_comes_back([line.zone_code for line in lines]):
        name = next(line.zone_name for line in lines if line.zone_code == back)
        raise ActionRefused(comes_back(name))
    version = ChecklistVersion.objects.create(
        category=category,
        number=number,
        in_force_from=in_force_from,
        recorded_at=now(),
        sources=list(sources),
    )
    listed = [_list_point(version, line, position) for position, line in enumerate(lines, start=1)]
    precedences = _list_pairs(version, pairs, listed)
    record(by=by, action="checklist.published", rows=[version, *listed, *precedences])
    return version


def zone_that_comes_back(zones: Sequence[str]) -> str | None:
    """The first zone that is walked to again after another; a walk-round is done zone by zone."""
    left: set[str] = set()
    for before, zone in pairwise(zones):
        if zone != before:
            left.add(before)
        if zone in left:
            return zone
    return None


def comes_back(zone_name: str) -> str:
    return (
        f"The walk comes back to “{zone_name}” after another zone. Put the points of one zone together, "
        "or name a new zone."
    )


def _list_pairs(
    version: ChecklistVersion, pairs: Iterable[Pair], listed: Iterable[ListedPoint]
) -> list[Precedence]:
    """The order rules of a version; refused where its own walking order breaks one."""
    by_code = {row.point.code: row for row in listed}
    precedences = []
    for pair in pairs:
        if missing := {pair.earlier, pair.later} - by_code.keys():
            raise ActionRefused(f"An order rule names a point that is not on the list: {min(missing)}.")
        earlier, later = by_code[pair.earlier], by_code[pair.later]
        if earlier.position > later.position:
            raise ActionRefused(
                f"{later.point.title} stands before {earlier.point.title}, against their order."
            )
        precedences.append(
            Precedence.objects.create(
                version=version, earlier=earlier, later=later, is_safety=pair.is_safety, why=pair.why
            )
        )
    return precedences


def _list_point(version: ChecklistVersion, line: ListLine, position: int) -> ListedPoint:
    listed = ListedPoint(
        version=version,
        point=line.point,
        position=position,
        zone_code=line.zone_code,
        zone_name=line.zone_name,
    )
    listed.full_clean()
    listed.save()
    return listed


@transaction.atomic
def revise_checklist(
    *,
    by: Account,
    category: Category,
    in_force_from: date,
    lines: Sequence[WordedLine],
    pairs: Iterable[Pair] = (),
    sources: Sequence[str] = (),
) -> ChecklistVersion:
    """Publish the next version from worded lines; a point whose wording changed is kept as a new revision."""
    require_everywhere(by, Right.KEEP_STANDARDS)
    kept = [
        ListLine(
            keep_point(by=by, code=line.code, feature=line.feature, **line.wording),
            line.zone_code,
            line.zone_name,
        )
        for line in lines
    ]
    return publish_checklist(
        by=by, category=category, in_force_from=in_force_from, lines=kept, pairs=pairs, sources=sources
    )
