"""What is right: a question's content, an answer to it, and whether the one fits the other."""

from __future__ import annotations

import random
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from enum import StrEnum
from typing import Any

# What a screen of a phone holds, and what a person can weigh against each other (common practice).
CHOICES = range(2, 7)
STEPS = range(3, 8)
# No number in an answer is longer than this: it is an answer, not a file.
NUMBER_LENGTH = 40


class Kind(StrEnum):
    """How a question is answered."""

    ONE = "one"
    SEVERAL = "several"
    ORDER = "order"
    NUMBER = "number"
    PICTURE = "picture"


@dataclass(frozen=True, slots=True)
class Choice:
    text: str
    is_right: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Content:
    """What a question holds beside its words, by its kind. ``truth``: the right key of a drawn picture's
    choices, ``keys``: all of them; both are known once it is drawn."""

    kind: Kind
    choices: tuple[Choice, ...] = ()
    steps: tuple[str, ...] = ()
    answer: Decimal = Decimal(0)
    tolerance: Decimal = Decimal(0)
    unit: str = ""
    keys: tuple[str, ...] = ()
    truth: str = ""


class UnreadableAnswer(ValueError):
    """What was given is no answer to this kind of question; the text says what to give instead."""


def content_from(kind: Kind, plain: Mapping[str, Any]) -> Content:
    """The content that is stored as ``plain`` (see ``QuestionVersion.content``).

    Raises ``KeyError``, ``TypeError`` or ``InvalidOperation`` where it is not of that shape.
    """
    if kind in (Kind.ONE, Kind.SEVERAL):
        choices = (Choice(one["text"], bool(one["right"]), one.get("why", "")) for one in plain["choices"])
        return Content(kind, choices=tuple(choices))
    if kind is Kind.ORDER:
        return Content(kind, steps=tuple(plain["steps"]))
    if kind is Kind.NUMBER:
        answer, tolerance = Decimal(plain["answer"]), Decimal(plain.get("tolerance", "0"))
        return Content(kind, answer=answer, tolerance=tolerance, unit=plain.get("unit", ""))
    return Content(kind)


def faults_of(content: Content) -> list[str]:
    """What keeps a question from being asked, in sentences for its author; none where it is whole."""
    if content.kind in (Kind.ONE, Kind.SEVERAL):
        return _faults_of_choices(content)
    if content.kind is Kind.ORDER:
        faults = []
        if len(content.steps) not in STEPS:
            faults.append(f"Give {STEPS.start} to {STEPS.stop - 1} steps.")
        if len({_folded(step) for step in content.steps}) < len(content.steps):
            faults.append("Two steps read the same; their order could not be judged.")
        return faults
    if content.kind is Kind.NUMBER:
        if not content.answer.is_finite() or not content.tolerance.is_finite():
            return ["Give the answer and its tolerance as numbers."]
        if content.tolerance < 0:
            return ["The tolerance is nought or more."]
    return []


def _faults_of_choices(content: Content) -> list[str]:
    faults = []
    if len(content.choices) not in CHOICES:
        faults.append(f"Give {CHOICES.start} to {CHOICES.stop - 1} choices.")
    if len({_folded(choice.text) for choice in content.choices}) < len(content.choices):
        faults.append("Two choices read the same.")
    right = sum(choice.is_right for choice in content.choices)
    if content.kind is Kind.ONE and right != 1:
        faults.append(f"Exactly one choice is right; here {right} are.")
    elif content.kind is Kind.SEVERAL and not 0 < right < len(content.choices):
        faults.append("At least one choice is right, and at least one is wrong.")
    return faults


def shown_order(content: Content, rng: random.Random) -> list[int]:
    """The places of the choices or steps in the order in which they are shown. Steps are never shown in the
    right order: it would be no question."""
    count = len(content.steps) if content.kind is Kind.ORDER else len(content.choices)
    places = list(range(count))
    rng.shuffle(places)
    if content.kind is Kind.ORDER and places == sorted(places) and count > 1:
        places = [*places[1:], places[0]]
    return places


def read_answer(content: Content, given: Mapping[str, Any]) -> dict[str, Any]:
    """An answer as it is kept, read from what a page sent. Raises ``UnreadableAnswer``."""
    if content.kind is Kind.ONE:
        return {"choice": _place(given.get("choice"), len(content.choices))}
    if content.kind is Kind.SEVERAL:
        places = sorted({_place(one, len(content.choices)) for one in _listed(given.get("choices"))})
        if not places:
            raise UnreadableAnswer("Pick at least one.")
        return {"choices": places}
    if content.kind is Kind.ORDER:
        order = [_place(one, len(content.steps)) for one in _listed(given.get("order"))]
        if sorted(order) != list(range(len(content.steps))):
            raise UnreadableAnswer("Put every step in its place, each once.")
        return {"order": order}
    if content.kind is Kind.NUMBER:
        typed = str(given.get("number", "")).strip()
        number_typed(typed, content.unit)
        return {"number": typed}
    if given.get("choice") not in content.keys:
        raise UnreadableAnswer("Pick one of the answers.")
    return {"choice": given["choice"]}


def is_right(content: Content, answer: Mapping[str, Any]) -> bool:
    """Whether an answer as kept is right: several choices and an order are all or nothing."""
    if content.kind is Kind.ONE:
        return bool(content.choices[answer["choice"]].is_right)
    if content.kind is Kind.SEVERAL:
        return set(answer["choices"]) == {n for n, choice in enumerate(content.choices) if choice.is_right}
    if content.kind is Kind.ORDER:
        return list(answer["order"]) == list(range(len(content.steps)))
    if content.kind is Kind.NUMBER:
        away = abs(number_typed(answer["number"], content.unit) - content.answer)
        return away <= content.tolerance
    return bool(answer["choice"] == content.truth)


_NUMBER = re.compile(r"([+-]?[0-9][0-9., '\u00a0\u202f]*)(.*)", re.DOTALL)


def number_typed(typed: str, unit: str) -> Decimal:
    """The number that a person typed, with a point or a comma before its decimals and perhaps its unit.

    "0,5 bar" is a half. "1,000" is one or a thousand, and which cannot be known: it is asked back rather than
    guessed. Raises ``UnreadableAnswer`` with what to type instead.
    """
    if len(typed) > NUMBER_LENGTH or not (match := _NUMBER.fullmatch(typed.strip().replace("\u2212", "-"))):
        raise UnreadableAnswer(f"Type a number{f' of {unit}' if unit else ''}, such as 2 or 0.5.")
    digits, rest = match[1].strip(" \u00a0\u202f.,'"), match[2].strip()
    if rest and _folded(rest) not in _names_of(unit):
        asked = f"in {unit}" if unit else "without a unit"
        raise UnreadableAnswer(f"“{typed}” is not understood: give the number {asked}.")
    return _decimal_of(digits, typed)


def _decimal_of(digits: str, typed: str) -> Decimal:
    digits = re.sub(r"[ '\u00a0\u202f](?=[0-9]{3}(\D|$))", "", digits)
    if re.fullmatch(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}", digits) and "," in digits:
        plain, small = digits.replace(",", ""), digits.split(",")[0]
        raise UnreadableAnswer(f"“{typed}” could be {plain} or {small}: type one of these.")
    if digits.count(",") == 1 and "." not in digits:
        digits = digits.replace(",", ".")
    try:
        return Decimal(digits)
    except InvalidOperation:
        raise UnreadableAnswer(f"“{typed}” is not understood: type digits, and a point.") from None


# Other ways in which people write the units that questions use.
_OTHER_NAMES = {
    "m": {"metre", "metres", "meter", "meters"},
    "km/h": {"kmh", "kph"},
    "h": {"hour", "hours", "hrs"},
    "hours": {"h", "hour", "hrs"},
    "minutes": {"min", "mins", "minute"},
    "seconds": {"s", "sec", "secs", "second"},
    "days": {"d", "day"},
    "months": {"month"},
    "%": {"percent", "per cent"},
    "°c": {"c", "°"},
    "kg": {"kilos", "kilograms", "kilo"},
    "t": {"tonne", "tonnes"},
}


def _names_of(unit: str) -> set[str]:
    unit = _folded(unit)
    singular = {unit.removesuffix("s")} if len(unit) > 2 else set()
    return {unit, *singular, *_OTHER_NAMES.get(unit, ())} - {""}


def _folded(text: str) -> str:
    return " ".join(text.casefold().split()).rstrip(".")


def _listed(value: Any) -> Sequence[Any]:
    return value if isinstance(value, list | tuple) else []


def _place(value: Any, count: int) -> int:
    try:
        place = int(value)
    except (TypeError, ValueError):
        raise UnreadableAnswer("Pick one of the answers.") from None
    if not 0 <= place < count:
        raise UnreadableAnswer("Pick one of the answers.")
    return place
