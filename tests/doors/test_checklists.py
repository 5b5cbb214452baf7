"""The checklists' pages: the list by zone with its order rules, and publishing the next version."""

import pytest
from django.urls import reverse
from django.utils import timezone

from competence.models import ChecklistVersion, Point, Precedence
from competence.queries.checklists import latest_points
from tests.factories import (
    AccountFactory,
    CategoryFactory,
    ChecklistVersionFactory,
    FeatureFactory,
    PointFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def trainer(client):
    account = AccountFactory(roles=["trainer"])
    client.force_login(account)
    return account


@pytest.fixture
def version():
    points = [
        PointFactory(code=code, title=code.title(), good="Sound.\nDry.") for code in ("park", "tyres", "belt")
    ]
    made = ChecklistVersionFactory(points=points)
    listed = {row.point.code: row for row in made.listed.all()}
    Precedence.objects.create(
        version=made, earlier=listed["park"], later=listed["tyres"], is_safety=True, why="It could roll."
    )
    return made


def today():
    return timezone.now().date().isoformat()


def test_the_list_stands_by_zone_with_its_marks_and_order_rules(client, trainer, version):
    point = PointFactory(title="Camera", feature=FeatureFactory(name="Reversing camera"), is_critical=True)
    made = ChecklistVersionFactory(category=version.category, points=[point])
    answer = client.get(reverse("checklist", args=[version.category.code]), {"version": "1"})
    text = answer.content.decode()
    assert [zone.name for zone in answer.context["sheet"].zones] == ["On the ground", "Engine", "In the cab"]
    assert "It could roll." in text
    assert "Safety" in text
    text = client.get(reverse("checklist", args=[made.category.code])).content.decode()
    assert "Only where fitted: Reversing camera" in text
    assert "Critical: a defect stops use" in text


def test_the_pages_take_as_many_questions_for_many_points(
    client, trainer, version, django_assert_num_queries
):
    url, listing = reverse("checklist", args=[version.category.code]), reverse("checklist-list")
    for address, questions in ((url, 7), (listing, 5)):
        client.get(address)
        with django_assert_num_queries(questions):
            client.get(address)
    ChecklistVersionFactory(category=version.category, points=30)
    ChecklistVersionFactory()
    for address, questions in ((url, 7), (listing, 5)):
        with django_assert_num_queries(questions):
            client.get(address)


def test_the_library_offers_each_point_once_in_its_newest_words():
    old = PointFactory(code="belt", revision=1)
    new = PointFactory(code="belt", revision=2)
    other = PointFactory(code="horn")
    assert set(latest_points()) == {new, other}
    assert old not in latest_points()


def as_typed(answer):
    """What a browser would send of the page as it stands, with the line ends that browsers send."""
    asked = answer.context["asked"]
    fields = {}
    for form in [asked.terms, *asked.rows]:
        for field in form:
            value = field.value()
            if value is None or value is False:
                continue
            fields[field.html_name] = "on" if value is True else str(value).replace("\n", "\r\n")
    return fields


def publish(client, version, change=lambda fields, names: None):
    url = reverse("checklist-new", args=[version.category.code])
    answer = client.get(url)
    fields = as_typed(answer) | {"terms": "", "in_force_from": today()}
    names = {row.listed.point.code: row.prefix for row in answer.context["asked"].listed}
    change(fields, names)
    return client.post(url, fields)


def newest(version):
    return version.category.checklist_versions.latest("number")


def titles(version):
    return [row.point.title for row in version.listed.select_related("point").order_by("position")]


def test_published_as_it_stands_the_list_and_the_points_are_the_same(client, trainer, version):
    answer = publish(client, version)
    assert answer["Location"] == reverse("checklist", args=[version.category.code])
    new = newest(version)
    assert new.number == 2
    assert [row.point for row in new.listed.order_by("position")] == [
        row.point for row in version.listed.order_by("position")
    ]
    assert Point.objects.count() == 3
    assert [(pair.earlier.point.code, pair.later.point.code) for pair in new.precedences.all()] == [
        ("park", "tyres")
    ]


def test_a_point_is_moved_by_its_place_number(client, trainer, version):
    def move(fields, names):
        fields[f"{names['belt']}-position"] = "1.5"

    publish(client, version, move)
    assert titles(newest(version)) == ["Park", "Belt", "Tyres"]
    assert titles(version) == ["Park", "Tyres", "Belt"]


def test_a_dropped_point_takes_its_order_rules_along_and_may_be_half_filled_in(client, trainer, version):
    def drop(fields, names):
        del fields[f"{names['tyres']}-is_kept"]
        fields[f"{names['tyres']}-title"] = ""

    publish(client, version, drop)
    new = newest(version)
    assert titles(new) == ["Park", "Belt"]
    assert new.precedences.count() == 0


def test_a_reworded_point_is_a_new_revision_on_the_new_list_only(client, trainer, version):
    def reword(fields, names):
        fields[f"{names['belt']}-good"] = "It locks and winds back."

    publish(client, version, reword)
    assert newest(version).listed.get(point__code="belt").point.revision == 2
    assert version.listed.get(point__code="belt").point.good == "Sound.\nDry."


def test_points_are_added_from_the_library_and_new(client, trainer, version):
    horn = PointFactory(title="Horn")

    def add(fields, names):
        fields |= {
            "library-0-point": horn.pk,
            "library-0-position": "0.5",
            "library-0-zone": "On the approach",
            "new-1-title": "Fire extinguisher",
            "new-1-position": "9",
            "new-1-zone": "Behind the seat",
            "new-1-method": "Look at the gauge.",
            "new-1-good": "In the green.",
            "new-1-topic": "cab",
            "new-1-weight": "2",
        }

    publish(client, version, add)
    new = newest(version)
    assert titles(new) == ["Horn", "Park", "Tyres", "Belt", "Fire extinguisher"]
    assert new.listed.get(position=1).zone_code == "on-the-approach"
    assert Point.objects.get(code="fire-extinguisher").weight == 2


def test_an_order_rule_is_added_and_another_dropped(client, trainer, version):
    def change(fields, names):
        pair = version.precedences.get()
        del fields[f"pair-{pair.pk}-is_kept"]
        fields |= {
            "new-pair-0-earlier": "tyres",
            "new-pair-0-later": "belt",
            "new-pair-0-is_safety": "no",
            "new-pair-0-why": "One walk round, then up.",
        }

    publish(client, version, change)
    (pair,) = newest(version).precedences.all()
    assert (pair.earlier.point.code, pair.later.point.code, pair.is_safety) == ("tyres", "belt", False)


def test_a_place_against_an_order_rule_is_refused_in_words(client, trainer, version):
    def move(fields, names):
        fields[f"{names['park']}-position"] = "9"

    answer = publish(client, version, move)
    assert "against their order" in answer.content.decode()
    assert ChecklistVersion.objects.count() == 1


@pytest.mark.parametrize(
    ("field", "value"),
    [("title", ""), ("position", "first"), ("position", "-1"), ("zone", ""), ("weight", "9")],
)
def test_bad_input_is_told_beside_its_field_and_nothing_is_published(client, trainer, version, field, value):
    def spoil(fields, names):
        fields[f"{names['belt']}-{field}"] = value
        fields["sources"] = "Typed with care."

    answer = publish(client, version, spoil)
    row = next(row for row in answer.context["asked"].listed if row.listed.point.code == "belt")
    assert field in row.errors
    assert "Typed with care." in answer.content.decode()
    assert ChecklistVersion.objects.count() == 1


def test_the_first_list_of_a_category_is_made_from_new_points(client, trainer):
    category = CategoryFactory()
    fields = {
        "in_force_from": today(),
        "new-0-title": "Park",
        "new-0-position": "1",
        "new-0-zone": "On the ground",
        "new-0-method": "Level ground, brake on.",
        "new-0-good": "It cannot roll.",
        "new-0-topic": "parking",
        "new-0-weight": "1",
    }
    client.post(reverse("checklist-new", args=[category.code]), fields)
    assert titles(ChecklistVersion.objects.get(category=category)) == ["Park"]


def test_a_zone_that_comes_back_is_told_beside_the_point_that_goes_back(client, trainer, version):
    def back_to_the_first(fields, names):
        fields[f"{names['belt']}-zone"] = fields[f"{names['park']}-zone"]
        fields[f"{names['tyres']}-zone"] = "Elsewhere"

    answer = publish(client, version, back_to_the_first)
    (row,) = (row for row in answer.context["asked"].listed if row.errors)
    assert row.listed.point.code == "belt"
    assert "comes back to" in row.errors["zone"][0]
    assert newest(version) == version
