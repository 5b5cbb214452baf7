"""Questions put in their places in a sitting, each as it will be shown there."""

import random
import secrets
from collections.abc import Iterable
from typing import Any

from assessments.models import DrawnQuestion, QuestionVersion, Sitting
from assessments.rules.pictures import KINDS
from assessments.rules.questions import Kind, content_from, shown_order

# The largest whole numbers that JSON, and so the journal, keeps exactly.
SEED_BITS = 53


def new_seed() -> int:
    return secrets.randbits(SEED_BITS)


def shown_for(version: QuestionVersion, seed: int) -> dict[str, Any]:
    """How a question looks in the sitting of this seed: the order of its choices, its picture.

    Each question has its own stream of the seed, so that one added later changes none before it.
    """
    rng = random.Random(f"{seed}/{version.question.code}")  # noqa: S311 -- to be repeated, not to be secret
    shown: dict[str, Any] = {}
    if version.kind in (Kind.ONE, Kind.SEVERAL, Kind.ORDER):
        shown["order"] = shown_order(content_from(Kind(version.kind), version.content), rng)
    if version.picture:
        picture = KINDS[version.picture]
        shown["parameters"] = picture.as_plain(picture.vary(rng, version.picture_fixed))
    return shown


def place(sitting: Sitting, versions: Iterable[QuestionVersion], *, first: int = 1) -> list[DrawnQuestion]:
    """Keep the questions of a sitting in their order, from the position ``first`` on."""
    return DrawnQuestion.objects.bulk_create(
        DrawnQuestion(
            sitting=sitting,
            position=position,
            version=version,
            shown=shown_for(version, sitting.seed),
        )
        for position, version in enumerate(versions, start=first)
    )
