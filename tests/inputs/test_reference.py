"""Loading the reference content: what comes with the register, and content made up for one behaviour."""

import tomllib
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.utils import timezone

from competence.actions.checklists import keep_point
from competence.actions.errors import ActionRefused
from competence.actions.standards import publish_standard
from competence.inputs.reference import REFERENCE, UnreadableContent, load_reference
from competence.models import (
    Category,
    ChecklistVersion,
    Feature,
    JournalEntry,
    ListedPoint,
    Point,
    Precedence,
    StandardVersion,
)
from tests.factories import AccountFactory, MachineFactory

POINT = """
[[point]]
code = "{code}"
title = "{title}"
method = "Look at it."
good = "As the manual says."
critical = false
weight = 1
topic = "walk-around"
"""
STANDARD = """
[[standard]]
category = "dozer"
[[standard.version]]
number = 1
in_force_from = 2020-01-01
months = 24
period_end = "day_before"
renewal_window_days = 60
lapse_limit_days = 90
pass_mark = 0.8
issue_by_another = true
accepts = []
note = ""
[[standard.version.requirement]]
kind = "practical"
title = "Practical assessment"
[[standard.version]]
number = 2
in_force_from = 2024-01-01
months = 36
period_end = "day_before"
renewal_window_days = 60
lapse_limit_days = 90
pass_mark = 0.85
issue_by_another = true
accepts = []
note = "Longer"
[[standard.version.requirement]]
kind = "training_hours"
title = "Training"
hours = 7.5
"""


@pytest.fixture
def keeper(db: None) -> Any:
    return AccountFactory(username="keeper", roles=["site_admin", "trainer"])


@pytest.fixture
def content(tmp_path: Path) -> Path:
    """One category with two points in order, and a standard of two versions, both in the past."""
    (tmp_path / "points").mkdir()
    (tmp_path / "checklists").mkdir()
    (tmp_path / "categories.toml").write_text(
        '[[category]]\ncode = "dozer"\nname = "Dozer"\nfamily = "dozer"\ndescription = "Pushes."\n'
        'trade_names = ["bulldozer", "crawler"]\n'
    )
    (tmp_path / "features.toml").write_text(
        '[[feature]]\ncode = "ripper"\nname = "Ripper"\nkind = "attachment"\ndescription = "Breaks ground."\n'
    )
    write_points(tmp_path)
    (tmp_path / "precedence.toml").write_text(
        '[[pair]]\nearlier = "ground"\nlater = "tracks"\nsafety = true\nwhy = "Not under a machine."\n'
        '[[pair]]\nearlier = "ground"\nlater = "elsewhere"\nsafety = false\nwhy = "Not on this list."\n'
    )
    (tmp_path / "checklists" / "dozer.toml").write_text(
        'category = "dozer"\nversion = 1\nin_force_from = 2023-05-01\nsources = ["common practice"]\n'
        '[[zone]]\ncode = "round"\nname = "Round the machine"\npoints = ["ground", "tracks"]\n'
    )
    (tmp_path / "standards.toml").write_text(STANDARD)
    return tmp_path


def write_points(folder: Path, tracks: str = "Tracks") -> None:
    text = POINT.format(code="ground", title="Ground") + POINT.format(code="tracks", title=tracks)
    (folder / "points" / "all.toml").write_text(text)


def test_a_new_register_takes_the_versions_that_are_past(keeper: Any, content: Path) -> None:
    load_reference(by=keeper, folder=content)

    versions = StandardVersion.objects.order_by("number")
    assert [(one.number, one.in_force_from, one.months) for one in versions] == [
        (1, date(2020, 1, 1), 24),
        (2, date(2024, 1, 1), 36),
    ]
    assert str(versions[1].requirements.get().hours) == "7.50"
    assert Category.objects.get().trade_names == "bulldozer, crawler"
    assert Precedence.objects.get().later.point.code == "tracks"


def test_a_standard_may_ask_for_refresher_questions(keeper: Any, content: Path) -> None:
    asked = 'kind = "recall"\ntitle = "Refresher questions"\nrecall_level = 0.85\n'
    (content / "standards.toml").write_text(f"{STANDARD}[[standard.version.requirement]]\n{asked}")

    load_reference(by=keeper, folder=content)

    line = StandardVersion.objects.get(number=2).requirements.get(kind="recall")
    assert str(line.recall_level) == "0.850"
    again = load_reference(by=keeper, folder=content)
    assert (again.new, again.left_alone) == ({}, [])


def test_on_a_register_in_use_a_version_of_the_past_starts_today(keeper: Any, content: Path) -> None:
    standards = content / "standards.toml"
    standards.write_text(STANDARD[: STANDARD.rindex("[[standard.version]]")])
    load_reference(by=keeper, folder=content)
    MachineFactory(category=Category.objects.get())

    standards.write_text(STANDARD)
    load_reference(by=keeper, folder=content)

    assert StandardVersion.objects.get(number=2).in_force_from == timezone.now().date()
    assert not load_reference(by=keeper, folder=content).new


def test_nobody_publishes_into_the_past_of_a_register_in_use(keeper: Any, content: Path) -> None:
    load_reference(by=keeper, folder=content)
    category = Category.objects.get()
    MachineFactory(category=category)
    held = StandardVersion.objects.get(number=2)

    with pytest.raises(ActionRefused, match="starts today or later"):
        publish_standard(
            by=keeper,
            category=category,
            in_force_from=timezone.now().date() - timedelta(days=1),
            requirements=[{"kind": "practical", "title": "Practical assessment"}],
            months=held.months,
            period_end=held.period_end,
            renewal_window_days=held.renewal_window_days,
            lapse_limit_days=held.lapse_limit_days,
            pass_mark=held.pass_mark,
        )


def test_a_standard_that_reads_otherwise_is_left_alone_and_named(keeper: Any, content: Path) -> None:
    load_reference(by=keeper, folder=content)
    standards = content / "standards.toml"
    standards.write_text(STANDARD.replace("hours = 7.5", "hours = 8"))

    loaded = load_reference(by=keeper, folder=content)

    assert loaded.left_alone == ["The standard for Dozer: version 2 reads otherwise than the content's."]
    assert not loaded.new


def test_loading_twice_changes_nothing(keeper: Any, content: Path) -> None:
    first = load_reference(by=keeper, folder=content)
    entries = JournalEntry.objects.count()
    second = load_reference(by=keeper, folder=content)

    assert first.new["points"] == 2
    assert not second.new
    assert not second.left_alone
    assert JournalEntry.objects.count() == entries


def test_a_changed_point_becomes_a_new_revision_listed_from_today(keeper: Any, content: Path) -> None:
    load_reference(by=keeper, folder=content)
    write_points(content, tracks="Tracks and rollers")

    loaded = load_reference(by=keeper, folder=content)

    assert dict(loaded.new) == {"points": 1, "checklist versions": 1}
    assert Point.objects.filter(code="tracks").count() == 2
    newest = ChecklistVersion.objects.latest("number")
    assert newest.in_force_from == timezone.now().date()
    assert [listed.point.title for listed in newest.listed.order_by("position").select_related("point")] == [
        "Ground",
        "Tracks and rollers",
    ]


def test_a_point_that_the_firm_reworded_is_left_alone(keeper: Any, content: Path) -> None:
    load_reference(by=keeper, folder=content)
    own = Point.objects.get(code="tracks")
    wording = {
        name: getattr(own, name)
        for name in ("method", "good", "caution", "is_critical", "stop_use_when", "weight", "topic")
    }
    keep_point(by=keeper, code="tracks", title="Tracks, our way", **wording)

    load_reference(by=keeper, folder=content)

    assert Point.objects.filter(code="tracks").latest("revision").title == "Tracks, our way"
    assert Point.objects.filter(code="tracks").count() == 2


def test_a_history_older_than_the_content_gets_the_first_versions_from_its_own_beginning(
    keeper: Any, content: Path
) -> None:
    beginning = date(2019, 2, 1)
    load_reference(by=keeper, folder=content, no_later_than=beginning)

    assert StandardVersion.objects.get(number=1).in_force_from == beginning
    assert StandardVersion.objects.get(number=2).in_force_from == date(2024, 1, 1)
    assert ChecklistVersion.objects.get().in_force_from == beginning


@pytest.mark.parametrize(
    ("file", "text", "told"),
    [
        ("features.toml", "[[feature]\n", "features.toml cannot be read"),
        (
            "features.toml",
            '[[feature]]\ncode = "A B"\nname = "A"\nkind = "fitted"\n',
            "features.toml: code: Use small",
        ),
        ("features.toml", '[[thing]]\ncode = "a"\n', "features.toml: feature is missing"),
        ("standards.toml", STANDARD.replace('"dozer"', '"loader"'), "standards.toml: Category matching"),
        ("categories.toml", '[[category]]\ncode = "a"\ncolour = "red"\n', "categories.toml: .*colour"),
    ],
)
def test_what_is_wrong_is_told_with_its_file_and_nothing_is_loaded(
    keeper: Any, content: Path, file: str, text: str, told: str
) -> None:
    (content / file).write_text(text)

    with pytest.raises(UnreadableContent, match=told):
        load_reference(by=keeper, folder=content)

    assert not Category.objects.exists()


def test_every_file_that_comes_with_the_register_loads(keeper: Any) -> None:
    load_reference(by=keeper)

    files = {
        path.relative_to(REFERENCE).as_posix(): tomllib.loads(path.read_text())
        for path in REFERENCE.rglob("*.toml")
    }
    points = [
        point for name, tables in files.items() if name.startswith("points/") for point in tables["point"]
    ]
    checklists = [tables for name, tables in files.items() if name.startswith("checklists/")]
    versions = [version for line in files["standards.toml"]["standard"] for version in line["version"]]
    assert Category.objects.count() == len(files["categories.toml"]["category"])
    assert Feature.objects.count() == len(files["features.toml"]["feature"])
    assert Point.objects.count() == len(points)
    assert ChecklistVersion.objects.count() == len(checklists)
    assert ListedPoint.objects.count() == sum(
        len(zone["points"]) for checklist in checklists for zone in checklist["zone"]
    )
    assert StandardVersion.objects.count() == len(versions)


def test_what_comes_with_the_register_loads_twice_without_a_change(keeper: Any) -> None:
    load_reference(by=keeper)
    again = load_reference(by=keeper)
    assert not again.new
    assert not again.left_alone


def test_every_category_that_comes_with_the_register_can_be_judged_and_checked_today(keeper: Any) -> None:
    load_reference(by=keeper)
    today = timezone.now().date() + timedelta(days=1)
    for category in Category.objects.all():
        assert category.standard_versions.filter(in_force_from__lte=today).exists(), category
        assert category.checklist_versions.filter(in_force_from__lte=today).exists(), category


@pytest.mark.django_db
def test_the_command_says_what_it_did_and_then_that_nothing_is_new(capsys: Any) -> None:
    AccountFactory(username="keeper", roles=["site_admin", "trainer"])
    call_command("load_reference", by="keeper")
    assert "New on the register:" in capsys.readouterr().out
    call_command("load_reference", by="keeper")
    assert "Nothing is new" in capsys.readouterr().out


@pytest.mark.django_db
def test_the_command_refuses_in_one_line_who_may_not() -> None:
    AccountFactory(username="trainer-only", roles=["trainer"])
    with pytest.raises(CommandError, match="every site"):
        call_command("load_reference", by="trainer-only")
    with pytest.raises(CommandError, match="Nobody signs in as nobody"):
        call_command("load_reference", by="nobody")
