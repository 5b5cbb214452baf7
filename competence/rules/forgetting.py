"""What is put in the place of what was erased. Nothing here reads a clock or a database."""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any


@dataclass(frozen=True, slots=True)
class Forgotten:
    """Somebody who is erased on a day: ``key`` is the number of their row, ``names`` and ``numbers`` are what
    they were called by."""

    on: date
    key: int
    names: tuple[str, ...] = ()
    numbers: tuple[str, ...] = ()

    @property
    def mark(self) -> str:
        return f"(erased {self.on.isoformat()})"

    @property
    def name(self) -> str:
        """What stands for the name: "erased 2027-02-14"."""
        return f"erased {self.on.isoformat()}"

    @property
    def number(self) -> str:
        return f"ERASED-{self.key}"


def without(value: Any, person: Forgotten) -> Any:
    """``value`` (text, or what JSON holds) with the person's names and numbers replaced wherever they stand
    by themselves: T-1 is not found in T-101, and is in T-1-2, a number made from it."""
    if isinstance(value, str):
        return _text(value, person)
    if isinstance(value, Mapping):
        return {_text(str(name), person): without(one, person) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [without(one, person) for one in value]
    return value


def _text(text: str, person: Forgotten) -> str:
    for word, instead in _words(person):
        text = re.sub(rf"(?<![\w-]){re.escape(word)}(?!\w)", instead, text, flags=re.IGNORECASE)
    return text


def _words(person: Forgotten) -> Iterable[tuple[str, str]]:
    # The longest first: a ticket's number begins with its operator's.
    for name in sorted(filter(None, person.names), key=len, reverse=True):
        yield name, person.name
    for number in sorted(filter(None, person.numbers), key=len, reverse=True):
        yield number, person.number


def verdict_without(verdict: Mapping[str, Any], person: Forgotten) -> dict[str, Any]:
    """A stored verdict without the person: their facts go, whether they asked or supervised; names and
    numbers are replaced in the sentences. What it rested on of the machine and of the standard stays, and so
    does why it was no."""
    kept = dict(verdict)
    facts = dict(kept.get("facts") or {})
    ours = {number.casefold() for number in person.numbers}
    if _number_of(facts.get("person")) in ours:
        facts["person"] = None
    supervision = facts.get("supervision")
    if isinstance(supervision, Mapping) and _number_of(supervision.get("person")) in ours:
        facts["supervision"] = {**supervision, "person": None}
    if "facts" in kept:
        kept["facts"] = facts
    left: dict[str, Any] = without(kept, person)
    return left | {"erased": person.mark}


def _number_of(facts: Any) -> str:
    return str(facts.get("number", "")).casefold() if isinstance(facts, Mapping) else ""
