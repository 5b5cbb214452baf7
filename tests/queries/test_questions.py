"""What the bank gives for a category, and what its sheets cost to read."""

import pytest
from django.utils import timezone

from assessments.queries.papers import panel_sheet, paper_rows, paper_sheet
from assessments.queries.questions import bank_for, question_sheet
from tests.factories import AccountFactory, CategoryFactory
from tests.factories.questions import (
    PanelQuestionFactory,
    PanelRatingFactory,
    PaperVersionFactory,
    QuestionFactory,
    QuestionVersionFactory,
)

pytestmark = pytest.mark.django_db


def drawable(category):
    return [(version.question.code, version.number) for version in bank_for(category)]


def test_the_newest_reviewed_version_is_drawn_and_a_newer_unreviewed_one_waits():
    question = QuestionFactory(code="parking-slope")
    for number in (1, 2):
        QuestionVersionFactory(question=question, number=number)
    QuestionVersionFactory(question=question, number=3, review=None)
    assert drawable(CategoryFactory()) == [("parking-slope", 2)]


def test_what_nobody_reviewed_and_what_is_retired_is_not_drawn():
    QuestionVersionFactory(review=None)
    gone = QuestionFactory(retired_at=timezone.now(), retired_why="The machine was sold.")
    QuestionVersionFactory(question=gone)
    assert drawable(CategoryFactory()) == []


def test_a_question_of_some_categories_is_asked_of_no_other():
    dumper, roller = CategoryFactory(), CategoryFactory()
    QuestionVersionFactory(question__code="a-every")
    QuestionVersionFactory(question__code="b-dumper", categories=[dumper.code])
    assert drawable(dumper) == [("a-every", 1), ("b-dumper", 1)]
    assert drawable(roller) == drawable(None) == [("a-every", 1)]


def test_the_bank_is_read_in_one_statement_however_large(django_assert_num_queries):
    QuestionVersionFactory.create_batch(12)
    with django_assert_num_queries(1):
        assert len([version.question.topic.code for version in bank_for(CategoryFactory.build())]) == 12


def test_the_sheets_take_the_statements_that_they_state(django_assert_num_queries):
    category, today = CategoryFactory(), timezone.now().date()
    version = QuestionVersionFactory(categories=[category.code])
    panel, judge = PanelQuestionFactory(version=version, panel__category=category).panel, AccountFactory()
    PaperVersionFactory(category=category, lines={version.question.topic: (1, 1)}, panel=panel)
    for _ in range(3):
        PanelRatingFactory(question=panel.questions.get())
    with django_assert_num_queries(5):
        question_sheet(version.question, today)
    with django_assert_num_queries(5):
        panel_sheet(panel, judge, today)
    with django_assert_num_queries(6):
        paper_rows(today)
    panel.closed_at = timezone.now()
    panel.save()
    with django_assert_num_queries(7):
        paper_sheet(category, today)
