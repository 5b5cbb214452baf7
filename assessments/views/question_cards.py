"""A question of the bank as people meet it: to be answered, and afterwards with what is right."""

from assessments.actions.drawing import shown_for
from assessments.models import DrawnQuestion, QuestionVersion
from assessments.queries.sittings import SheetQuestion
from assessments.views.sitting_cards import QuestionCard, ReviewCard, card_of, review_of


def drawn_as(version: QuestionVersion, variant: int) -> SheetQuestion:
    """The question as it would be drawn; another ``variant`` is another order and another picture."""
    return SheetQuestion(DrawnQuestion(version=version, position=1, shown=shown_for(version, variant)), ())


def asked_card(version: QuestionVersion, variant: int) -> QuestionCard:
    return card_of(drawn_as(version, variant))


def told_card(version: QuestionVersion, variant: int) -> ReviewCard:
    return review_of(drawn_as(version, variant))
