"""The roster: the gate's verdict on everybody, for every machine, at one moment."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import datetime
from typing import Any

from .gate import Frame, Known, MachineFacts, PersonFacts, StandardFacts, Verdict, decide_in

# A machine with the known versions of its category's standard.
Asked = tuple[MachineFacts, tuple[StandardFacts, ...]]


def decide_roster(
    people: Iterable[PersonFacts], machines: Sequence[Asked], at: datetime
) -> Iterator[tuple[PersonFacts, tuple[Verdict, ...]]]:
    """Each person with their verdicts, in the order of ``machines``; nobody is taken to be supervised.

    The same rule as ``decide`` and the same answers. It is quick because machines that the gate cannot tell
    apart share a verdict, and what holds for a person is looked up once.
    """
    plainly, closely = _frames(machines, at, _seen_plainly), _frames(machines, at, _seen_closely)
    for person in people:
        is_limited = any(ticket.standing and ticket.standing.conditions for ticket in person.tickets)
        frames, places = closely if is_limited else plainly
        known = Known(person)
        verdicts = [decide_in(frame, person, None, known) for frame in frames]
        yield person, tuple([verdicts[place] for place in places])


def _frames(
    machines: Sequence[Asked], at: datetime, sees: Callable[[MachineFacts], tuple[Any, ...]]
) -> tuple[list[Frame], list[int]]:
    """A frame for each kind of machine told apart, and for each machine the place of its frame."""
    frames: list[Frame] = []
    place_of: dict[Any, int] = {}
    places: list[int] = []
    for machine, standards in machines:
        key = (*sees(machine), id(standards))
        if key not in place_of:
            place_of[key] = len(frames)
            frames.append(Frame.of(machine, standards, at))
        places.append(place_of[key])
    return frames, places


def _seen_plainly(machine: MachineFacts) -> tuple[Any, ...]:
    """Everything about a machine that a verdict can rest on or name, where no ticket carries conditions."""
    return (
        machine.category,
        machine.site,
        machine.machine_model,
        machine.is_in_service,
        None if machine.is_in_service else machine.number,
    )


def _seen_closely(machine: MachineFacts) -> tuple[Any, ...]:
    """The same where one does: mass and attachments too, and the number that an unknown mass is told with."""
    return (
        *_seen_plainly(machine),
        machine.operating_mass_kg,
        machine.attachments,
        machine.number if machine.operating_mass_kg is None else None,
    )
