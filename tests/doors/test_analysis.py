"""Question analysis from what was sat: what counts, what is said of few, and which questions come first."""

import uuid

import numpy as np
import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from assessments.actions.drawing import shown_for
from assessments.models import Answer, DrawnQuestion, Sitting
from assessments.queries.analysis import category_analysis, category_rows
from assessments.queries.sittings import content_of
from assessments.rules.analysis_reliability import Method
from assessments.rules.analysis_words import Reason, looks
from tests.doors.check_yard import signed_in
from tests.factories import AccountFactory, OperatorFactory
from tests.factories.questions import (
    AnswerFactory,
    DrawnQuestionFactory,
    PaperVersionFactory,
    QuestionVersionFactory,
    SittingFactory,
)

pytestmark = pytest.mark.django_db


@pytest.fixture
def paper():
    return PaperVersionFactory(cut=3)


@pytest.fixture
def versions():
    return [QuestionVersionFactory(ask=f"What of number {n}?") for n in range(5)]


def sit(paper, versions, given, operators=None, seconds=20):
    """One finished sitting a row; a row says for each question which choice was picked (the first is right),
    -1 for one left open, ``None`` for one not drawn."""
    operators = operators or [OperatorFactory() for _ in given]
    now = timezone.now()
    sittings = Sitting.objects.bulk_create(
        Sitting(
            operator=operator,
            kind="paper",
            paper=paper,
            category=paper.category,
            seed=1,
            status="finished",
            started_at=now,
            ends_at=now,
            finished_at=now,
            outcome={"right": 0, "asked": 0, "cut": 1, "topics": []},
            is_passed=True,
        )
        for operator in operators
    )
    drawn, answers = [], []
    for sitting, row in zip(sittings, given, strict=True):
        for position, (version, choice) in enumerate(zip(versions, row, strict=True), start=1):
            if choice is None:
                continue
            one = DrawnQuestion(
                sitting=sitting, position=position, version=version, shown={"order": [2, 0, 1]}
            )
            drawn.append(one)
            if choice >= 0:
                answers.append((one, choice))
    DrawnQuestion.objects.bulk_create(drawn)
    Answer.objects.bulk_create(
        Answer(
            drawn=one,
            given={"choice": choice},
            is_right=choice == 0,
            seconds=seconds,
            sent_as=uuid.uuid4(),
            answered_at=now,
        )
        for one, choice in answers
    )
    return sittings


def graded(people=60, questions=5):
    """The strong get right all that the weak do, and more; wrong ones pick the second choice."""
    return [
        [0 if n * (questions + 1) > people * place else 1 for place in range(questions)]
        for n in range(people)
    ]


def page_of(name, *args, account=None, **query):
    account = account or AccountFactory(roles=["trainer"])
    return signed_in(account).get(reverse(name, args=args), query)


def text(response):
    assert response.status_code == 200
    return response.content.decode()


def test_what_was_not_answered_is_wrong_and_what_was_not_drawn_is_not_counted(paper, versions):
    sit(paper, versions[:3], [[0, -1, None], [0, 0, 1], [1, 0, 0]])
    found = category_analysis(paper.category)
    told = [(one.figures.answers, one.figures.right, one.figures.unanswered) for one in found.questions]
    assert told == [(3, 2, 0), (3, 2, 1), (2, 1, 0)]
    assert found.reliability.method in (None, Method.DRAWN)


def test_the_last_answer_in_time_counts(paper, versions):
    (sitting,) = sit(paper, versions[:1], [[1]])
    drawn = sitting.drawn.get()
    AnswerFactory(drawn=drawn, given={"choice": 0}, is_right=True)
    AnswerFactory(drawn=drawn, given={"choice": 2}, is_right=False, is_late=True)
    (one,) = category_analysis(paper.category).questions
    assert one.figures.right == 1
    assert [choice.count for choice in one.figures.choices] == [1, 0, 0]


def test_only_finished_papers_of_the_category_count(paper, versions):
    sit(paper, versions[:1], [[0]])
    sit(PaperVersionFactory(), versions[:1], [[1]])
    DrawnQuestionFactory(sitting=SittingFactory(paper=paper, is_paper=True), version=versions[0])
    DrawnQuestionFactory(sitting=SittingFactory(finished=True), version=versions[0])
    found = category_analysis(paper.category)
    assert found.sittings == 1
    assert found.questions[0].figures.answers == 1
    assert {row.category: row.sittings for row in category_rows()}[paper.category] == 1


def test_another_version_of_a_question_is_another_question(paper):
    first = QuestionVersionFactory()
    second = QuestionVersionFactory(question=first.question, number=2)
    sit(paper, [first], [[0], [0]])
    sit(paper, [second], [[1]])
    found = category_analysis(paper.category)
    assert [(one.version.number, one.figures.right) for one in found.questions] == [(1, 2), (2, 0)]
    code = first.question.code
    assert page_of("analysis-question", paper.category.code, code).context["row"].question.version == second
    older = page_of("analysis-question", paper.category.code, code, version="1")
    assert older.context["row"].question.version == first


def test_the_paper_is_the_newest_version_that_was_sat_and_the_questions_are_over_all(paper, versions):
    sit(paper, versions, graded(10))
    newer = PaperVersionFactory(category=paper.category, number=2, cut=4, in_force_from=timezone.localdate())
    PaperVersionFactory(
        category=paper.category, number=3, in_force_from=timezone.localdate().replace(year=2099)
    )
    sit(newer, versions, graded(12))
    found = category_analysis(paper.category)
    assert (found.paper, found.paper_sittings, found.sittings) == (newer, 12, 22)
    assert (found.consistency.cut, found.consistency.people) == (4, 12)
    assert {one.figures.answers for one in found.questions} == {22}


def test_a_question_with_a_wrong_key_comes_first_and_says_why(paper, versions):
    rows = graded()
    for n, row in enumerate(rows):
        row[4] = 1 if n >= 30 else 0
    for row in rows[:58]:
        row[0] = 0
    sit(paper, versions, rows)
    response = page_of("analysis", paper.category.code)
    page = text(response)
    first = response.context["look_first"][0]
    assert first.question.version == versions[4]
    assert [look.reason for look in first.looks][:2] == [Reason.NEGATIVE, Reason.STRONG_MISLED]
    assert "Look at the key first" in page
    assert page.index("Strong people get it wrong") < page.index("All questions that were asked")


def test_a_choice_nobody_takes_is_named(paper, versions):
    sit(paper, versions, graded())
    found = looks(category_analysis(paper.category).questions[2].figures)
    assert [look.reason for look in found] == [Reason.UNTAKEN]
    assert "Start the engine" in found[0].sentence


def test_enough_sittings_say_how_far_a_result_can_be_trusted(paper, versions):
    sit(paper, versions, graded())
    page = text(page_of("analysis", paper.category.code))
    assert "60 finished sittings by 60 people" in page
    assert "would get the same answer, pass or not, at a cut of 3" in page
    assert "reliability" in page
    assert "Too few to go by" not in page


def test_few_sittings_are_said_to_say_little_and_no_figure_is_read_from_them(paper, versions):
    sit(paper, versions, graded(8))
    page = text(page_of("analysis", paper.category.code))
    assert "Few sittings say little: 8 so far" in page
    assert "Few answers" in page
    for words in ("would get the same answer", "share-at", "Subkoviak", "Look first"):
        assert words not in page
    question = text(page_of("analysis-question", paper.category.code, versions[0].question.code))
    assert "Few answers say little: 8 so far" in question
    assert "choice-plot" not in question


def test_who_sat_more_than_once_is_spoken_of(paper, versions):
    operator = OperatorFactory()
    sit(paper, versions, graded(2), operators=[operator, operator])
    page = text(page_of("analysis", paper.category.code))
    assert "2 finished sittings by 1 person" in page
    assert "Some people sat more than once" in page


def test_a_question_tells_who_picked_what_and_how_long_it_took(paper, versions):
    sit(paper, versions, graded(), seconds=34)
    response = page_of("analysis-question", paper.category.code, versions[2].question.code)
    page = text(response)
    rows = [(one.choice.label, one.choice.is_right, one.choice.count) for one in response.context["choices"]]
    right = sum(row[2] == 0 for row in graded())
    assert rows == [
        ("Look under it", True, right),
        ("Sound the horn", False, 60 - right),
        ("Start the engine", False, 0),
    ]
    assert "34 seconds in the middle" in page
    weak, _, strong = response.context["choices"][0].bars
    assert weak.picked / weak.of < 0.5
    assert strong.picked == strong.of


@pytest.mark.parametrize(
    ("kind", "content", "given", "told"),
    [
        (
            "several",
            None,
            {"choices": [0, 2]},
            [("Look under it", 1), ("Sound the horn", 0), ("Start the engine", 1)],
        ),
        ("number", {"answer": "8", "tolerance": "0", "unit": "h"}, {"number": "9"}, [("8 h", 0), ("9", 1)]),
        (
            "order",
            {"steps": ["On", "Up", "Off"]},
            {"order": [1, 0, 2]},
            [("On → Up → Off", 0), ("Up → On → Off", 1)],
        ),
    ],
)
def test_every_kind_of_question_tells_what_was_answered(paper, kind, content, given, told):
    version = QuestionVersionFactory(kind=kind, **({"content": content} if content else {}))
    (sitting,) = sit(paper, [version], [[-1]])
    AnswerFactory(drawn=sitting.drawn.get(), given=given, is_right=False)
    response = page_of("analysis-question", paper.category.code, version.question.code)
    assert [(one.choice.label, one.choice.count) for one in response.context["choices"]] == told


def test_a_picture_that_differs_from_sitting_to_sitting_has_no_table_of_choices(paper):
    version = QuestionVersionFactory(kind="picture", picture="sight-gauge", content={})
    sittings = sit(paper, [version], [[None]] * 8)
    truths = set()
    for seed, sitting in enumerate(sittings):
        drawn = DrawnQuestionFactory(
            sitting=sitting, position=1, version=version, shown=shown_for(version, seed)
        )
        content = content_of(version, drawn.shown)
        truths.add(content.truth)
        AnswerFactory(
            drawn=drawn, given={"choice": content.keys[0]}, is_right=content.keys[0] == content.truth
        )
    assert len(truths) > 1
    page = text(page_of("analysis-question", paper.category.code, version.question.code))
    assert "Each sitting drew its own picture" in page


def test_where_nothing_was_sat_the_pages_say_so(paper):
    assert "Nobody has finished this paper yet" in text(page_of("analysis", paper.category.code))
    page = text(page_of("analysis-list"))
    assert "not yet" in page
    assert reverse("analysis", args=[paper.category.code]) not in page


def test_without_papers_the_list_is_empty():
    assert "No papers yet" in text(page_of("analysis-list"))


@pytest.mark.parametrize("query", [{"version": "99"}, {"version": "x"}, {}])
def test_a_question_that_nobody_was_asked_is_not_found(paper, versions, query):
    sit(paper, versions[:1], [[0]])
    code = versions[0].question.code if query else versions[1].question.code
    assert page_of("analysis-question", paper.category.code, code, **query).status_code == 404


def test_the_number_of_statements_does_not_grow(paper, versions):
    def counted(read):
        with CaptureQueriesContext(connection) as statements:
            read()
        return len(statements)

    sit(paper, versions[:2], [[0, 1]])
    few = counted(lambda: category_analysis(paper.category)), counted(category_rows)
    sit(paper, versions, graded(40))
    sit(PaperVersionFactory(), versions, graded(3))
    assert (counted(lambda: category_analysis(paper.category)), counted(category_rows)) == few == (4, 2)


def test_holes_that_are_drawn_at_random_leave_the_figures_about_where_they_were(paper, versions):
    rng = np.random.default_rng(4)
    rows = [[None if rng.random() < 0.4 else mark for mark in row] for row in graded(200)]
    sit(paper, versions, rows)
    for one, place in zip(category_analysis(paper.category).questions, range(5), strict=True):
        full = np.mean([row[place] == 0 for row in graded(200)])
        low, high = one.figures.facility_interval
        assert low <= full <= high
