"""What the bank gives for a category."""

import pytest
from django.utils import timezone

from assessments.queries.questions import bank_for
from tests.factories import CategoryFactory
from tests.factories.questions import QuestionFactory, QuestionVersionFactory

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
