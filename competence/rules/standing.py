"""Standing: what a ticket amounts to at one moment, as known at one moment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, datetime
from enum import StrEnum

from .conditions import Conditions


class Level(StrEnum):
    FULL = "full"
    TRAINEE = "trainee"


class EventKind(StrEnum):
    ISSUED = "issued"
    RENEWED = "renewed"
    VARIED = "varied"
    SUSPENDED = "suspended"
    REINSTATED = "reinstated"
    WITHDRAWN = "withdrawn"
    CORRECTED = "corrected"


class State(StrEnum):
    """A ticket's state on one day of a site's calendar."""

    NOT_ISSUED = "not_issued"
    NOT_STARTED = "not_started"
    IN_FORCE = "in_force"
    ENDED = "ended"
    SUSPENDED = "suspended"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class Event:
    """One entry of a ticket's chain. ``None`` means that the event leaves that part as it was.

    A ``CORRECTED`` event names the sequence it ``corrects`` and states, whole, what that event should have
    said; with ``strikes_out`` it says that the event should not be there at all.
    """

    sequence: int
    kind: EventKind
    effective_at: datetime
    recorded_at: datetime
    level: Level | None = None
    first_day: date | None = None
    last_day: date | None = None
    conditions: Conditions | None = None
    corrects: int | None = None
    strikes_out: bool = False


@dataclass(frozen=True, slots=True)
class Standing:
    """The fold of a chain. ``since`` is the effective moment of the event that last changed it."""

    level: Level
    first_day: date
    last_day: date
    conditions: Conditions
    since: datetime
    is_suspended: bool = False
    is_withdrawn: bool = False

    def state_on(self, day: date) -> State:
        """The state on a day of the site's calendar: first and last day both count."""
        if self.is_withdrawn:
            return State.WITHDRAWN
        if self.is_suspended:
            return State.SUSPENDED
        if day < self.first_day:
            return State.NOT_STARTED
        return State.ENDED if day > self.last_day else State.IN_FORCE


def standing(events: Iterable[Event], *, at: datetime, known_at: datetime) -> Standing | None:
    """Fold the events effective by ``at`` and recorded by ``known_at``; ``None`` when there was no ticket.

    Corrections known by then are applied first, the last recorded one winning, so the same chain answers
    both "was she authorised then" and "what did the register say then".
    """
    folded: Standing | None = None
    for event in effective_events(events, at=at, known_at=known_at):
        folded = _apply(folded, event)
    return folded


def effective_events(events: Iterable[Event], *, at: datetime, known_at: datetime) -> list[Event]:
    """The chain as corrected by ``known_at`` and cut off at ``at``, in order of effect."""
    known = sorted(
        (e for e in events if e.recorded_at <= known_at), key=lambda e: (e.recorded_at, e.sequence)
    )
    chain: dict[int, Event] = {}
    root: dict[int, int] = {}
    for event in known:
        if event.corrects is None:
            chain[event.sequence] = event
            continue
        target = root[event.sequence] = root.get(event.corrects, event.corrects)
        if target not in chain:
            raise ValueError(
                f"event {event.sequence} corrects event {event.corrects}, which is not before it"
            )
        chain[target] = replace(event, kind=chain[target].kind, sequence=target)
    return sorted(
        (e for e in chain.values() if not e.strikes_out and e.effective_at <= at),
        key=lambda e: (e.effective_at, e.sequence),
    )


def _apply(held: Standing | None, event: Event) -> Standing | None:
    if event.kind is EventKind.ISSUED:
        return _issued(event)
    if held is None or held.is_withdrawn:
        # Without an issue (it may have been struck out), or after withdrawal, nothing else gives authority.
        return held
    if event.kind is EventKind.SUSPENDED:
        return replace(held, is_suspended=True, since=event.effective_at)
    if event.kind is EventKind.REINSTATED:
        return replace(held, is_suspended=False, since=event.effective_at)
    if event.kind is EventKind.WITHDRAWN:
        return replace(held, is_withdrawn=True, since=event.effective_at)
    return replace(
        held,
        level=event.level or held.level,
        first_day=event.first_day or held.first_day,
        last_day=event.last_day or held.last_day,
        conditions=held.conditions if event.conditions is None else event.conditions,
        since=event.effective_at,
    )


def _issued(event: Event) -> Standing:
    if event.level is None or event.first_day is None or event.last_day is None:
        raise ValueError(f"event {event.sequence} issues a ticket without level, first day or last day")
    return Standing(
        level=event.level,
        first_day=event.first_day,
        last_day=event.last_day,
        conditions=event.conditions or Conditions(),
        since=event.effective_at,
    )
