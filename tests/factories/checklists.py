"""Points and the checklists that list them."""

from typing import Any

import factory

from competence.models import ChecklistVersion, ListedPoint, Point

from .base import RowFactory, at_ago, days_ago
from .plant import CategoryFactory

ZONES = (("ground", "On the ground"), ("engine", "Engine"), ("cab", "In the cab"))


class PointFactory(RowFactory):
    class Meta:
        model = Point

    code = factory.Sequence(lambda n: f"point-{n}")
    title = factory.Sequence(lambda n: f"Point {n}")
    method = "Look at it, then try it by hand."
    good = "Sound and clean."
    topic = "walk-around"


class ListedPointFactory(RowFactory):
    """The next place on a checklist."""

    class Meta:
        model = ListedPoint

    version = factory.SubFactory("tests.factories.ChecklistVersionFactory", points=0)
    point = factory.SubFactory(PointFactory)
    position = factory.LazyAttribute(lambda row: row.version.listed.count() + 1)
    zone_code = ZONES[0][0]
    zone_name = ZONES[0][1]


class ChecklistVersionFactory(RowFactory):
    """The category's next version with six points in three zones: ``points=3`` or ``points=[point, ...]``."""

    class Meta:
        model = ChecklistVersion

    category = factory.SubFactory(CategoryFactory)
    number = factory.LazyAttribute(lambda row: row.category.checklist_versions.count() + 1)
    in_force_from = factory.LazyAttribute(lambda row: days_ago(400 - row.number))
    recorded_at = at_ago(400)

    @factory.post_generation
    def points(version: ChecklistVersion, create: bool, extracted: Any, **_: Any) -> None:
        if not create:
            return
        wanted = 6 if extracted is None else extracted
        points = PointFactory.create_batch(wanted) if isinstance(wanted, int) else list(wanted)
        for place, point in enumerate(points):
            code, name = ZONES[place * len(ZONES) // len(points)]
            ListedPointFactory(
                version=version, point=point, position=place + 1, zone_code=code, zone_name=name
            )
