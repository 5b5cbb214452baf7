"""The reference checklists hold together: references resolve, orders are possible, nothing is idle."""

from collections import Counter
from datetime import date
from decimal import Decimal

import pytest

from tests.content.reference import (
    CATEGORIES,
    CHECKLISTS,
    FEATURES,
    PAIRS,
    POINT_LINES,
    POINTS,
    STANDARDS,
    listed,
)

VERSIONS = [
    pytest.param(category, version, id=f"{category}-{version['number']}")
    for category, versions in STANDARDS.items()
    for version in versions
]

TOPICS = {
    "access",
    "isolation",
    "fluids",
    "leaks",
    "tyres-wheels",
    "tracks",
    "lights-beacons",
    "visibility",
    "articulation",
    "steering-brakes",
    "raising",
    "people-exclusion",
    "defects-reporting",
    "refuelling-fire",
    "parking",
    "ground-edges",
    "structure",
    "cab",
    "attachments",
}
KINDS = {
    "practical",
    "paper",
    "training_hours",
    "supervised_hours",
    "medical",
    "induction",
    "familiarisation",
    "refresher",
}
LONGEST = {"title": 50, "method": 220, "good": 160, "caution": 160, "stop_use_when": 160}
WHEELED = {
    "dumper-articulated",
    "dumper-rigid",
    "dumper-compact",
    "loader-wheel",
    "grader",
    "handler-telescopic",
}
TRACKED = {"excavator-crawler", "excavator-compact", "dozer-crawler"}


def test_each_category_has_one_checklist_and_one_standard():
    assert set(CHECKLISTS) == set(CATEGORIES) == set(STANDARDS)
    assert len(CHECKLISTS) >= 8
    assert all(content["category"] == name for name, content in CHECKLISTS.items())


def test_a_point_is_written_once():
    assert [code for code, count in Counter(line["code"] for line in POINT_LINES).items() if count > 1] == []


@pytest.mark.parametrize("field", ["title", "method", "good", "caution", "stop_use_when"])
def test_no_two_points_say_the_same(field):
    said = Counter(" ".join(line[field].lower().split()) for line in POINT_LINES if line.get(field))
    assert [text for text, count in said.items() if count > 1] == []


@pytest.mark.parametrize("code", POINTS)
def test_a_point_is_complete_and_short_enough_to_read_with_gloves_on(code):
    point = POINTS[code]
    assert min(len(point[field]) for field in ("title", "method", "good")) > 3
    assert {field: len(point[field]) for field in LONGEST if len(point.get(field, "")) > LONGEST[field]} == {}
    assert point["weight"] in (1, 2, 3)
    assert point["topic"] in TOPICS
    assert "feature" not in point or point["feature"] in FEATURES
    assert set(point.get("facts", [])) <= set(range(1, 47))


@pytest.mark.parametrize("code", POINTS)
def test_a_degree_of_stop_use_is_named_only_where_not_every_defect_stops_use(code):
    point = POINTS[code]
    assert not (point["critical"] and point.get("stop_use_when"))
    assert not point["critical"] or point["weight"] == 3, "what stops use weighs most"


def test_every_topic_is_carried_by_a_listed_point():
    assert {POINTS[code]["topic"] for category in CHECKLISTS for code in listed(category)} == TOPICS


def test_every_point_is_used_and_every_use_is_written():
    used = {code for category in CHECKLISTS for code in listed(category)}
    assert used == set(POINTS)


@pytest.mark.parametrize("category", CHECKLISTS)
def test_a_checklist_is_whole_and_walkable(category):
    codes = listed(category)
    assert 25 <= len(codes) <= 45
    assert len(set(codes)) == len(codes)
    zones = [zone["code"] for zone in CHECKLISTS[category]["zone"]]
    assert len(set(zones)) == len(zones)
    assert codes[:2] == ["reports-read", "parked-state"]
    assert codes[-2:] == ["tell-and-tag", "shut-down"]
    assert CHECKLISTS[category]["in_force_from"] == date(2024, 1, 1)
    assert "common practice" in CHECKLISTS[category]["sources"]


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: f"{pair['earlier']}-{pair['later']}")
def test_a_pair_joins_two_points_that_some_checklist_lists_in_that_order(pair):
    assert isinstance(pair["safety"], bool)
    assert 20 <= len(pair["why"]) <= 300
    places = [
        (listed(category).index(pair["earlier"]), listed(category).index(pair["later"]))
        for category in CHECKLISTS
        if {pair["earlier"], pair["later"]} <= set(listed(category))
    ]
    assert places, "a pair that no checklist has teaches nothing"
    assert all(earlier < later for earlier, later in places)


def test_a_pair_is_written_once():
    seen = Counter((pair["earlier"], pair["later"]) for pair in PAIRS)
    assert [pair for pair, count in seen.items() if count > 1] == []


# Out of order, these cost a false reading or wear; every other pair out of order can hurt somebody.
PRACTICE = {
    ("battery-isolator", "lights-beacon-work"),
    ("battery-isolator", "seat-belt"),
    ("engine-oil", "start-up"),
    ("parked-state", "hydraulic-oil"),
    ("reports-read", "parked-state"),
    ("reports-read", "start-up"),
    ("reports-read", "tell-and-tag"),
    ("seat-belt", "camera-rear"),
    ("seat-belt", "mirrors"),
    ("start-up", "warm-up"),
    ("transmission-oil-cold", "start-up"),
    ("transmission-oil-cold", "transmission-oil-warm"),
    ("warm-up", "raise-lower"),
    ("warm-up", "slew-travel-functions"),
    ("warm-up", "transmission-oil-warm"),
}


@pytest.mark.common_practice
def test_a_broken_order_is_a_safety_matter_unless_it_only_costs_time_or_wear():
    assert {(pair["earlier"], pair["later"]) for pair in PAIRS if not pair["safety"]} == PRACTICE


def test_pairs_never_run_in_a_circle():
    later = {code: {pair["later"] for pair in PAIRS if pair["earlier"] == code} for code in POINTS}
    while free := [code for code, after in later.items() if not after]:
        later = {code: after - set(free) for code, after in later.items() if code not in free}
    assert later == {}


def test_a_critical_point_on_a_checklist_can_be_answered_for_the_machine():
    for category in WHEELED:
        assert not {"tracks", "slew-ring", "track-drive-braking"} & set(listed(category)), category
    for category in TRACKED:
        assert not {"tyres", "wheel-nuts-rims", "steering", "articulation-joint"} & set(listed(category))
    # A roller may have two drums and no tyre: its tyres depend on what is fitted.
    assert "tyres" not in listed("roller")
    assert POINTS["drive-tyres"]["feature"] == "drive-tyres"


# What a practitioner looks for first on each kind of machine [common practice].
OWN = {
    "dumper-articulated": "locking-bar-fitted locking-bar-stowed articulation-joint body-prop body-chassis"
    " suspension-struts retarder",
    "dumper-rigid": "body-prop body-chassis suspension-struts tyres-duals retarder steps-rails",
    "dumper-compact": "locking-bar-fitted body-chassis rops-frame-locked covers-held seat-belt",
    "loader-wheel": "locking-bar-fitted articulation-joint loader-arms bucket-teeth-edge coupler-locked",
    "excavator-crawler": "tracks slew-ring boom-stick coupler-locked emergency-stop-lock lifting-hook",
    "excavator-compact": "tracks slew-ring boom-stick coupler-locked emergency-stop-lock blade-push-arms",
    "dozer-crawler": "blade-push-arms ripper tracks rollers-idlers-sprockets",
    "grader": "circle-mouldboard tandem-drives front-axle-lean articulation-joint",
    "roller": "drums-scrapers vibration-drive water-spray articulation-joint",
    "handler-telescopic": "stabilisers load-charts telescopic-boom carriage-forks",
}


@pytest.mark.common_practice
@pytest.mark.parametrize("category", OWN)
def test_a_checklist_has_what_is_peculiar_to_its_machine(category):
    wanted = set(OWN[category].split())
    assert wanted - set(listed(category)) == set()


# What stops, steers or lifts on some machines only, and no numbered fact names.
GRAVE = {
    "air-brake-pressure",
    "front-axle-lean",
    "lifting-hook",
    "load-charts",
    "retarder",
    "stabilisers",
    "vibration-drive",
}


@pytest.mark.common_practice
def test_what_no_numbered_fact_names_is_graded_here():
    unnamed = {code for code, point in POINTS.items() if not point.get("facts")}
    assert {code for code in unnamed if POINTS[code]["critical"]} == GRAVE
    for code in ("brake-fluid", "drums-scrapers", "ground-and-edges"):
        assert POINTS[code]["stop_use_when"], code


def test_the_mass_bounds_meet_without_a_gap():
    """Compact dumper at most 4,500 kg, compact excavator at most 6,000 kg (ISO 6165, from memory)."""
    assert CATEGORIES["dumper-compact"]["max_mass_kg"] == 4500
    assert CATEGORIES["excavator-compact"]["max_mass_kg"] == 6000
    assert CATEGORIES["excavator-crawler"]["min_mass_kg"] == 6001


def test_a_family_is_a_term_of_iso_6165_or_says_that_it_is_not():
    families = {"dozer", "loader", "excavator", "dumper", "grader", "roller"}
    for code, category in CATEGORIES.items():
        words = category["family"]
        assert words in families or (code == "handler-telescopic" and words.startswith("none of")), code


def test_features_are_fitted_or_attachments_and_every_gate_is_known():
    assert {feature["kind"] for feature in FEATURES.values()} == {"fitted", "attachment"}
    assert {point["feature"] for point in POINT_LINES if "feature" in point} <= set(FEATURES)


@pytest.mark.parametrize(("category", "version"), VERSIONS)
def test_a_standard_asks_for_what_makes_a_person_competent(category, version):
    kinds = [line["kind"] for line in version["requirement"]]
    assert len(set(kinds)) == len(kinds)
    assert {"practical", "paper", "training_hours", "medical", "induction", "familiarisation"} <= set(kinds)
    assert set(kinds) <= KINDS
    assert version["months"] == 36  # 29 CFR 1910.178(l)(4)(iii), as a model
    assert "1910.178(l)(4)(iii)" in STANDARDS[category][0]["note"]
    assert version["period_end"] in {"anniversary", "day_before", "month_end"}
    assert Decimal("0.5") < Decimal(version["pass_mark"]) <= 1
    assert all(len(line["title"]) <= 120 and line["source"] for line in version["requirement"])
    by_kind = {line["kind"]: line for line in version["requirement"]}
    assert by_kind["medical"]["months"] in (24, 36)
    assert by_kind["induction"]["months"] in (12, 24)
    assert Decimal(by_kind["training_hours"]["hours"]) > 0


REFRESHED = ["dumper-articulated", "dumper-rigid", "loader-wheel", "excavator-crawler"]


@pytest.mark.parametrize("category", REFRESHED)
def test_the_refresher_is_eight_hours_in_twelve_months(category):
    """30 CFR 46.8."""
    for version in STANDARDS[category]:
        (refresher,) = [line for line in version["requirement"] if line["kind"] == "refresher"]
        assert (Decimal(refresher["hours"]), refresher["months"]) == (8, 12)
        assert "30 CFR 46.8" in refresher["source"]


@pytest.mark.parametrize("category", ["dumper-articulated", "excavator-crawler"])
def test_the_second_version_tightens_the_first(category):
    first, second = STANDARDS[category]
    assert (second["number"], second["in_force_from"]) == (2, date(2026, 3, 1))
    assert Decimal(second["pass_mark"]) >= Decimal(first["pass_mark"])
    kinds = [{line["kind"] for line in version["requirement"]} for version in (first, second)]
    assert kinds[0] < kinds[1], "the later version asks for all that the earlier did, and more"


def test_cover_between_categories_is_explicit_and_not_chained():
    accepts = {
        category: {code for version in versions for code in version["accepts"]}
        for category, versions in STANDARDS.items()
    }
    assert accepts["excavator-compact"] == {"excavator-crawler"}
    for category, others in accepts.items():
        assert others <= set(CATEGORIES) - {category}
        assert not any(accepts[other] for other in others), "A covers B covers C would read as a chain"


def test_at_least_two_standards_want_another_person_to_issue():
    assert sum(versions[-1]["issue_by_another"] for versions in STANDARDS.values()) >= 2
