"""The roster: the gate's verdict on everybody, for every machine, at one moment."""

from collections.abc import Iterable, Iterator, Sequence
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
    frames: list[Frame] = []
    index_of: dict[Any, int] = {}
    places: list[int] = []
    for machine, standards in machines:
        key = _gate_sees(machine, standards)
        if key not in index_of:
            index_of[key] = len(frames)
            frames.append(Frame.of(machine, standards, at))
        places.append(index_of[key])
    for person in people:
        known: Known = {}
        verdicts = [decide_in(frame, person, None, known) for frame in frames]
        yield person, tuple([verdicts[place] for place in places])


def _gate_sees(machine: MachineFacts, standards: tuple[StandardFacts, ...]) -> Any:
    """Everything about a machine that a verdict can rest on or name; equal keys have equal verdicts."""
    is_named = not machine.is_in_service or machine.operating_mass_kg is None
    return (
        machine.category,
        machine.site,
        machine.machine_model,
        machine.operating_mass_kg,
        machine.attachments,
        machine.is_in_service,
        machine.number if is_named else None,
        id(standards),
    )
