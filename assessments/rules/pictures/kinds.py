"""What every kind of drawn picture can do: vary within what an author fixed, draw, and say what is true."""

from __future__ import annotations

import random
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Generic, TypeVar, get_type_hints

# A choice that what is fixed leaves possible is met long before this many proposals; see ``vary``.
PROPOSALS = 400


class UnfitParameters(ValueError):
    """These parameters draw no picture, or one that could be read two ways; the text says why."""


@dataclass(frozen=True, slots=True)
class Choice:
    key: str
    words: str


@dataclass(frozen=True)
class Parameters(ABC):
    """What one picture is drawn from. A kind's own class adds the fields: whole numbers, claims, words or
    rows of whole numbers, so that they are the same after a trip through JSON."""

    @abstractmethod
    def faults(self) -> list[str]:
        """Why this cannot be drawn, or would be ambiguous, in sentences; none where it is fit."""

    @abstractmethod
    def truth(self) -> str:
        """The key of the right choice."""

    @abstractmethod
    def says(self) -> str:
        """What is to be seen and what it amounts to: a sentence for whoever has answered."""

    @abstractmethod
    def described(self) -> str:
        """The evidence in measured words, for whoever cannot see the drawing; never the answer itself."""

    @abstractmethod
    def drawn(self) -> str:
        """The drawing, as an svg element with ``described`` as its text alternative."""


P = TypeVar("P", bound=Parameters)


@dataclass(frozen=True, slots=True)
class PictureKind(Generic[P]):
    """A kind of picture. ``propose`` makes parameters that are likely, not certain, to show the choice of
    the key that it is given. ``ask`` is the question where an author writes none."""

    code: str
    name: str
    ask: str
    choices: tuple[Choice, ...]
    parameters: type[P]
    propose: Callable[[random.Random, str], P]

    def vary(self, rng: random.Random, fixed: Mapping[str, Any]) -> P:
        """A variant that keeps what is fixed; each choice that this leaves possible comes up equally often.

        Raises ``UnfitParameters`` where nothing that is fixed so can be drawn without ambiguity.
        """
        held = self._read(fixed)
        keys = [choice.key for choice in self.choices]
        rng.shuffle(keys)
        faults: list[str] = []
        for key in keys:
            for _ in range(PROPOSALS):
                parameters = replace(self.propose(rng, key), **held)
                found = parameters.faults()
                if not found and parameters.truth() == key:
                    return parameters
                faults = found or faults
        raise UnfitParameters(" ".join(faults) or f"Nothing fixed so can be drawn as {self.name}.")

    def draw(self, parameters: P) -> str:
        return parameters.drawn()

    def truth(self, parameters: P) -> str:
        return parameters.truth()

    def says(self, parameters: P) -> str:
        return parameters.says()

    def as_plain(self, parameters: P) -> dict[str, Any]:
        """The parameters as they are kept in JSON."""
        return {
            name: list(value) if isinstance(value, tuple) else value
            for name, value in asdict(parameters).items()
        }

    def from_plain(self, plain: Mapping[str, Any]) -> P:
        """The parameters that are kept as ``plain``; raises ``UnfitParameters`` if they are not all there.

        What was drawn once can be drawn again though limits are narrower since: a record stays readable.
        Whether an author's parameters are fit to be drawn, all of them held or some, is for ``vary``.
        """
        read = self._read(plain)
        if missing := [each.name for each in fields(self.parameters) if each.name not in read]:
            raise UnfitParameters(f"{self.name}: say also {', '.join(missing)}.")
        return self.parameters(**read)

    def _read(self, plain: Mapping[str, Any]) -> dict[str, Any]:
        wanted = get_type_hints(self.parameters)
        if unknown := sorted(set(plain) - set(wanted)):
            raise UnfitParameters(f"{self.name} has no {', '.join(unknown)}; it has {', '.join(wanted)}.")
        return {name: _value(name, value, wanted[name]) for name, value in plain.items()}


def _value(name: str, value: Any, wanted: Any) -> Any:
    """``value`` where it is of the type that is wanted; a claim is no number, nor a number a claim."""
    if wanted in (int, bool, str):
        if type(value) is wanted:
            return value
        words = {int: "a whole number", bool: "true or false", str: "a word"}[wanted]
        raise UnfitParameters(f"{name} is {words}, not {value!r}.")
    if isinstance(value, list | tuple) and all(type(one) is int for one in value):
        return tuple(value)
    raise UnfitParameters(f"{name} is a list of whole numbers, not {value!r}.")


def outside(name: str, value: int, least: int, most: int) -> list[str]:
    """The fault, if any, of a number that has to lie from ``least`` to ``most``."""
    return [] if least <= value <= most else [f"{name} is from {least} to {most}, not {value}."]


def not_among(name: str, value: str | int, known: tuple[str, ...] | tuple[int, ...]) -> list[str]:
    """The fault, if any, of a value that has to be one of a few."""
    listed = ", ".join(str(one) for one in known)
    return [] if value in known else [f"{name} is one of {listed}, not {value}."]
