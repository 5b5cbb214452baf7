"""A question as a phone shows it: to be answered, and afterwards with what is right and why."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from django.utils.safestring import mark_safe

from assessments.models import Answer, QuestionVersion
from assessments.queries.sittings import SheetQuestion, SittingSheet
from assessments.rules.pictures import KINDS
from assessments.rules.questions import Kind


@dataclass(frozen=True)
class Option:
    """One choice, or one step to be put in its place (from 1)."""

    value: str
    text: str
    is_picked: bool = False
    is_right: bool = False
    why: str = ""
    place: int = 0


@dataclass(frozen=True)
class QuestionCard:
    """One question: ``options`` in the order in which they are shown."""

    question: SheetQuestion
    options: list[Option] = field(default_factory=list)
    picture: str = ""
    error: str = ""
    # What was typed and could not be read is shown again rather than lost.
    typed: str = ""

    @property
    def position(self) -> int:
        return self.question.position

    @property
    def version(self) -> QuestionVersion:
        return self.question.version

    @property
    def kind(self) -> str:
        return self.question.version.kind

    @property
    def unit(self) -> str:
        return self.question.content.unit

    @property
    def number(self) -> str:
        counted = self.question.counted
        return self.typed or (counted.given.get("number", "") if counted else "")

    @property
    def sent_as(self) -> str:
        return str(self.question.counted.sent_as) if self.question.counted else ""

    @property
    def places(self) -> range:
        return range(1, len(self.options) + 1)


def card_of(question: SheetQuestion, *, error: str = "", typed: str = "") -> QuestionCard:
    """A question to be answered; nothing of what is right is in it."""
    return QuestionCard(question, _options(question, question.counted), picture_of(question), error, typed)


def cards_of(sheet: SittingSheet) -> list[QuestionCard]:
    return [card_of(question) for question in sheet.questions]


def picture_of(question: SheetQuestion) -> str:
    """The drawing, by our own code from kept numbers: nothing in it was typed by anybody."""
    if not question.version.picture or "parameters" not in question.drawn.shown:
        return ""
    picture = KINDS[question.version.picture]
    return mark_safe(picture.draw(picture.from_plain(question.drawn.shown["parameters"])))  # noqa: S308


def _options(question: SheetQuestion, answer: Answer | None) -> list[Option]:
    content, given = question.content, answer.given if answer else {}
    if content.kind is Kind.PICTURE:
        return [
            Option(choice.key, choice.words, given.get("choice") == choice.key, choice.key == content.truth)
            for choice in KINDS[question.version.picture].choices
        ]
    order = question.drawn.shown.get("order", [])
    if content.kind is Kind.ORDER:
        order = given.get("order", order)
        return [Option(str(n), content.steps[n], place=place) for place, n in enumerate(order, start=1)]
    picked = given.get("choices", [given.get("choice")])
    return [
        Option(
            str(n),
            content.choices[n].text,
            n in picked,
            content.choices[n].is_right,
            content.choices[n].why,
        )
        for n in order
    ]


@dataclass(frozen=True)
class ReviewCard:
    """One question after the end: what was answered, what is right, why, and where that comes from."""

    question: SheetQuestion
    options: list[Option]
    picture: str
    says: str = ""
    answered_order: list[str] = field(default_factory=list)
    right_order: list[str] = field(default_factory=list)

    @property
    def position(self) -> int:
        return self.question.position

    @property
    def version(self) -> QuestionVersion:
        return self.question.version

    @property
    def word(self) -> str:
        if self.question.counted is None:
            return "Not answered"
        return "Right" if self.question.is_right else "Not right"

    @property
    def tone(self) -> str:
        return "good" if self.question.is_right else "stop"

    @property
    def number(self) -> str:
        counted = self.question.counted
        return counted.given.get("number", "") if counted else ""

    @property
    def right_number(self) -> str:
        content = self.question.content
        tolerance = f", within {content.tolerance:f}" if content.tolerance else ""
        return f"{content.answer:f}{f' {content.unit}' if content.unit else ''}{tolerance}"


def review_of(question: SheetQuestion) -> ReviewCard:
    content, counted = question.content, question.counted
    says, answered_order, right_order = "", list[str](), list[str]()
    if question.version.picture and "parameters" in question.drawn.shown and content.kind is Kind.PICTURE:
        picture = KINDS[question.version.picture]
        says = picture.says(picture.from_plain(question.drawn.shown["parameters"]))
    if content.kind is Kind.ORDER:
        right_order = list(content.steps)
        answered_order = [content.steps[n] for n in counted.given["order"]] if counted else []
    return ReviewCard(
        question,
        [] if content.kind is Kind.ORDER else _options(question, counted),
        picture_of(question),
        says,
        answered_order,
        right_order,
    )


def reviews_of(sheet: SittingSheet) -> list[ReviewCard]:
    return [review_of(question) for question in sheet.questions]


def topic_rows(sheet: SittingSheet, plain: Iterable[dict[str, Any]]) -> list[dict[str, Any]]:
    """The result by topic, with names: those not met first."""
    names = {question.topic.code: question.topic.name for question in sheet.questions}
    rows = [
        {**row, "name": names.get(row["topic"], row["topic"]), "is_met": row["right"] >= row["must_be_right"]}
        for row in plain
    ]
    return sorted(rows, key=lambda row: (row["is_met"], row["must_be_right"] == 0, row["name"]))
