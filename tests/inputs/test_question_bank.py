"""Loading the bank of questions and the first papers with the rest of the reference content."""

from datetime import date
from pathlib import Path
from typing import Any

import pytest

from assessments.actions.questions import WORDING, revise_question
from assessments.inputs.question_bank import load_question_bank
from assessments.models import PaperVersion, Question, QuestionReview, QuestionVersion, Topic
from competence.actions.errors import ActionRefused
from competence.inputs.content_files import ContentFolder, UnreadableContent
from competence.inputs.reference import CONTENT_PROVIDERS, Loaded, load_reference
from competence.models import Category, JournalEntry
from tests.factories import AccountFactory, CategoryFactory

pytestmark = pytest.mark.django_db

TOPIC = '[[topic]]\ncode = "raising"\nname = "Raising"\nabout = "Bodies, arms and props."\n'
ONE = """
[[question]]
code = "raising-prop"
kind = "one"
categories = []
critical = true
scenario = "The body is up, and somebody wants to grease under it."
ask = "{ask}"
choices = [
  {{ text = "Set the prop", right = true, why = "It holds." }},
  {{ text = "Be quick", right = false }},
]
explanation = "A hose can burst at any moment."
source = "common practice"
"""
NUMBER = """
[[question]]
code = "raising-count"
kind = "number"
categories = ["dozer"]
critical = false
scenario = "The crew is five, and two are off."
ask = "How many are left?"
number = { answer = "3", tolerance = "0", unit = "" }
explanation = "Five less two."
source = "common practice"
"""
PICTURE = """
[[question]]
code = "raising-gauge"
kind = "picture"
categories = []
critical = false
scenario = "The machine stands level."
ask = "Where does the fluid stand?"
picture = "sight-gauge"
with = { glass = "tube" }
explanation = "Between the marks is right."
source = "common practice"
"""
PAPER = """
[[paper]]
category = "dozer"
in_force_from = 2024-01-01
minutes = 40
cut = 2
cut_why = "Common practice."
attempts = 3
wait_days = 1
line = [{{ topic = "raising", questions = {questions}, must_be_right = 1 }}]
"""


@pytest.fixture
def keeper() -> Any:
    return AccountFactory(roles=["trainer", "site_admin"])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    CategoryFactory(code="dozer", name="Dozer")
    (tmp_path / "topics.toml").write_text(TOPIC)
    (tmp_path / "questions").mkdir()
    write(tmp_path)
    (tmp_path / "papers.toml").write_text(PAPER.format(questions=3))
    return tmp_path


def write(folder: Path, ask: str = "What first?", more: str = NUMBER + PICTURE) -> None:
    (folder / "questions" / "raising.toml").write_text(ONE.format(ask=ask) + more)


def load(keeper: Any, folder: Path, no_later_than: date | None = None) -> Loaded:
    loaded = Loaded()
    load_question_bank(by=keeper, files=ContentFolder(folder), loaded=loaded, no_later_than=no_later_than)
    return loaded


def test_loading_the_reference_content_loads_the_bank() -> None:
    assert load_question_bank in CONTENT_PROVIDERS


def test_questions_are_loaded_by_their_kind_and_may_be_asked(keeper: Any, folder: Path) -> None:
    loaded = load(keeper, folder)
    assert dict(loaded.new) == {"topics": 1, "questions": 3, "papers": 1}
    kept = {version.question.code: version for version in QuestionVersion.objects.select_related("question")}
    assert kept["raising-prop"].content["choices"][1] == {"text": "Be quick", "right": False, "why": ""}
    assert kept["raising-count"].content == {"answer": "3", "tolerance": "0", "unit": ""}
    assert kept["raising-count"].categories == ["dozer"]
    assert kept["raising-gauge"].picture_fixed == {"glass": "tube"}
    assert [review.reviewed_by for review in QuestionReview.objects.all()] == [keeper] * 3
    assert list(JournalEntry.objects.order_by("pk").values_list("action", flat=True)) == [
        "bank.loaded",
        "paper.published",
    ]


def test_the_first_paper_starts_on_its_own_day_or_with_the_register(keeper: Any, folder: Path) -> None:
    load(keeper, folder)
    paper = PaperVersion.objects.get()
    assert (paper.in_force_from, paper.lines.get().must_be_right) == (date(2024, 1, 1), 1)


def test_an_invented_register_has_its_papers_from_its_beginning(keeper: Any, folder: Path) -> None:
    load(keeper, folder, no_later_than=date(2022, 5, 1))
    assert PaperVersion.objects.get().in_force_from == date(2022, 5, 1)


def test_loading_again_changes_nothing(keeper: Any, folder: Path) -> None:
    load(keeper, folder)
    entries = JournalEntry.objects.count()
    loaded = load(keeper, folder)
    assert (dict(loaded.new), loaded.left_alone) == ({}, [])
    assert JournalEntry.objects.count() == entries


def test_new_wording_is_the_next_version(keeper: Any, folder: Path) -> None:
    load(keeper, folder)
    write(folder, ask="What comes first?")
    assert load(keeper, folder).new["new versions of questions"] == 1
    assert Question.objects.get(code="raising-prop").versions.count() == 2


def test_a_question_that_the_firm_revised_stands(keeper: Any, folder: Path) -> None:
    load(keeper, folder)
    question = Question.objects.get(code="raising-prop")
    wording = {name: getattr(question.versions.get(), name) for name in WORDING}
    revise_question(by=keeper, question=question, **wording | {"ask": "In our words?"})
    write(folder, ask="What comes first?")
    assert load(keeper, folder).left_alone == ["The question raising-prop: it was revised here."]
    assert question.versions.count() == 2


def test_a_paper_that_the_bank_cannot_meet_is_left_out_and_said(keeper: Any, folder: Path) -> None:
    (folder / "papers.toml").write_text(PAPER.format(questions=4))
    loaded = load(keeper, folder)
    assert loaded.left_alone == ["The paper for Dozer: too few questions are in use of Raising (3 of 4)."]
    assert loaded.new["questions"] == 3
    assert not PaperVersion.objects.exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (ONE.format(ask="?").replace("explanation", "explains"), r"raising-prop does not say explanation"),
        (ONE.format(ask="?") + 'level = "hard"\n', r"raising-prop says level, which no question has"),
        ("[[question]\n", r"questions/raising.toml cannot be read"),
    ],
)
def test_a_file_that_cannot_be_read_is_named(keeper: Any, folder: Path, text: str, said: str) -> None:
    (folder / "questions" / "raising.toml").write_text(text)
    with pytest.raises(UnreadableContent, match=said):
        load(keeper, folder)
    assert not Topic.objects.exists()


def test_a_question_that_could_not_be_asked_is_named_and_nothing_is_loaded(keeper: Any, folder: Path) -> None:
    write(folder, more=PICTURE.replace("sight-gauge", "portrait"))
    with pytest.raises(ActionRefused, match="raising-gauge: There is no picture “portrait”"):
        load(keeper, folder)
    assert not Topic.objects.exists()


def test_a_folder_without_topics_has_no_bank(keeper: Any, tmp_path: Path) -> None:
    load(keeper, tmp_path)
    assert not Topic.objects.exists()


def test_what_comes_with_the_register_has_a_paper_for_every_category_that_its_bank_can_meet(
    keeper: Any,
) -> None:
    loaded = load_reference(by=keeper)
    assert not loaded.left_alone
    papers = PaperVersion.objects.prefetch_related("lines__topic").select_related("category")
    assert {paper.category_id for paper in papers} == set(Category.objects.values_list("pk", flat=True))
    for paper in papers:
        asked = sum(line.questions for line in paper.lines.all())
        critical = {line.topic.code for line in paper.lines.all() if line.is_critical}
        assert 20 <= asked <= 24
        assert paper.cut == -(-asked * 4 // 5)
        assert critical >= {"isolation", "people-exclusion", "steering-brakes"}
