"""Whether a question is whole: its content by its kind, and the picture that is drawn for it."""

from __future__ import annotations

import random
from collections.abc import Mapping
from decimal import InvalidOperation
from typing import Any

from assessments.rules.pictures import KINDS, UnfitParameters
from assessments.rules.questions import Kind, content_from, faults_of

# By the kind of question, the field in which its content is typed.
FIELD_OF_CONTENT = {
    Kind.ONE: "choices",
    Kind.SEVERAL: "choices",
    Kind.ORDER: "steps",
    Kind.NUMBER: "answer",
    Kind.PICTURE: "picture",
}


def faults_of_question(
    kind: str, content: Mapping[str, Any], picture: str, fixed: Mapping[str, Any]
) -> list[tuple[str, str]]:
    """What keeps a question from being asked: the field at fault, and a sentence for its author."""
    if kind not in set(Kind):
        return [("kind", "Choose how the question is answered.")]
    known = Kind(kind)
    field = FIELD_OF_CONTENT[known]
    try:
        found = [(field, fault) for fault in faults_of(content_from(known, content))]
    except (KeyError, TypeError, AttributeError, InvalidOperation):
        found = [(field, "What is to be answered is missing, or is not of the kind that was chosen.")]
    return found + [(name, fault) for name, fault in faults_of_picture(known, picture, fixed)]


def faults_of_picture(kind: Kind, picture: str, fixed: Mapping[str, Any]) -> list[tuple[str, str]]:
    """A picture that is asked about varies within what is held fixed; an illustration is held whole, so that
    it shows what the question's words say."""
    if not picture:
        if kind is Kind.PICTURE:
            return [("picture", "Say which picture is to be drawn.")]
        return [("picture_fixed", "Nothing can be held fixed without a picture.")] if fixed else []
    if picture not in KINDS:
        return [("picture", f"There is no picture “{picture}”.")]
    try:
        KINDS[picture].vary(random.Random(0), fixed)  # noqa: S311 -- any variant will do
        if kind is not Kind.PICTURE:
            KINDS[picture].from_plain(fixed)
    except UnfitParameters as unfit:
        return [("picture_fixed", str(unfit))]
    return []
