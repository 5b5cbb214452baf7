"""Checklists are published whole; a point that is reworded becomes a new revision, and keeps the old one."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError
from django.utils import timezone

from competence.actions.checklists import (
    ListLine,
    Pair,
    WordedLine,
    keep_point,
    publish_checklist,
    revise_checklist,
)
from competence.actions.errors import ActionRefused
from competence.models import ChecklistVersion, Point
from competence.permissions import NotAllowed
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    ChecklistVersionFactory,
    FeatureFactory,
    PointFactory,
)

pytestmark = pytest.mark.django_db

WORDING = {
    "title": "Seat belt",
    "method": "Pull it out sharply.",
    "good": "It locks and winds back.",
    "caution": "",
    "is_critical": True,
    "stop_use_when": "It does not lock.",
    "weight": 3,
    "topic": "cab",
}


@pytest.fixture
def trainer():
    return AccountFactory(roles=["trainer"])


def today():
    return timezone.now().date()


def test_a_point_that_says_the_same_is_the_same_point(trainer):
    first = keep_point(by=trainer, code="seat-belt", **WORDING)
    assert keep_point(by=trainer, code="seat-belt", **WORDING) == first
    assert Point.objects.count() == 1


@pytest.mark.parametrize("change", [{"good": "It locks."}, {"is_critical": False}, {"weight": 1}])
def test_a_point_that_says_something_else_is_a_new_revision(trainer, change):
    first = keep_point(by=trainer, code="seat-belt", **WORDING)
    second = keep_point(by=trainer, code="seat-belt", **{**WORDING, **change})
    assert (first.revision, second.revision) == (1, 2)
    first.refresh_from_db()
    assert first.good == WORDING["good"]


def test_a_point_for_another_feature_is_a_new_revision(trainer):
    keep_point(by=trainer, code="camera", **WORDING)
    assert keep_point(by=trainer, code="camera", feature=FeatureFactory(), **WORDING).revision == 2


def lines(*points):
    return [ListLine(point, "ground", "On the ground") for point in points]


def publish(trainer, listed, pairs=(), category=None):
    return publish_checklist(
        by=trainer, category=category or CategoryFactory(), in_force_from=today(), lines=listed, pairs=pairs
    )


def test_points_stand_in_the_order_that_they_are_given_in(trainer):
    first, second = PointFactory.create_batch(2)
    version = publish(trainer, lines(second, first))
    assert [row.point for row in version.listed.order_by("position")] == [second, first]


def test_an_order_rule_against_the_walking_order_is_refused(trainer):
    first, second = PointFactory.create_batch(2)
    with pytest.raises(ActionRefused, match="against their order"):
        publish(trainer, lines(first, second), [Pair(second.code, first.code, is_safety=True)])
    assert not ChecklistVersion.objects.exists()


def test_an_order_rule_about_a_point_that_is_not_listed_is_refused(trainer):
    first, second = PointFactory.create_batch(2)
    with pytest.raises(ActionRefused, match="not on the list"):
        publish(trainer, lines(first), [Pair(first.code, second.code, is_safety=True)])


def test_a_point_stands_on_a_list_once_whatever_its_revision(trainer):
    point = PointFactory()
    again = PointFactory(code=point.code, revision=2)
    with pytest.raises(ActionRefused, match="once"):
        publish(trainer, lines(point, again))


def test_an_empty_list_is_refused(trainer):
    with pytest.raises(ActionRefused, match="at least one point"):
        publish(trainer, [])


def test_a_revised_list_keeps_the_wording_of_the_one_before(trainer):
    version = ChecklistVersionFactory(points=2)
    kept, reworded = (row.point for row in version.listed.order_by("position"))
    line = [
        WordedLine(
            point.code,
            None,
            {name: getattr(point, name) for name in WORDING} | change,
            "ground",
            "On the ground",
        )
        for point, change in ((reworded, {"good": "Sound, clean and dry."}), (kept, {}))
    ]
    new = revise_checklist(
        by=trainer,
        category=version.category,
        in_force_from=today() + timedelta(days=1),
        lines=line,
        sources=["ISO 6750, from memory"],
    )
    first, second = (row.point for row in new.listed.order_by("position"))
    assert (first.code, first.revision, first.good) == (reworded.code, 2, "Sound, clean and dry.")
    assert second == kept
    assert [row.point for row in version.listed.order_by("position")] == [kept, reworded]
    assert new.sources == ["ISO 6750, from memory"]


def test_a_list_that_cannot_be_published_leaves_no_new_wording_behind(trainer):
    blank = WordedLine("seat-belt", None, {**WORDING, "title": ""}, "cab", "In the cab")
    good = WordedLine("horn", None, {**WORDING, "title": "Horn"}, "cab", "In the cab")
    with pytest.raises(ValidationError):
        revise_checklist(by=trainer, category=CategoryFactory(), in_force_from=today(), lines=[good, blank])
    assert not Point.objects.exists()


def test_a_site_admin_publishes_no_checklist():
    with pytest.raises(NotAllowed):
        publish(AccountFactory(roles=["site_admin"]), lines(PointFactory()))


def test_a_walk_that_comes_back_to_a_zone_is_refused(trainer):
    zones = ("ground", "engine", "ground")
    walk = [ListLine(PointFactory(), zone, zone.title()) for zone in zones]
    with pytest.raises(ActionRefused, match="comes back to “Ground”"):
        publish(trainer, walk)
    assert not ChecklistVersion.objects.exists()
    publish(trainer, [walk[0], walk[2], walk[1]])
