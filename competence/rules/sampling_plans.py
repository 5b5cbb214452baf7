"""Single sampling plans of ISO 2859-1, normal inspection, general level II: as much of them as is carried.

Figures from secondary tables (those of MIL-STD-105E); the text of ISO 2859-1:1999 itself was not read. Where
the table sends the reader on to another row by an arrow, or the figures were not at hand, no plan is carried,
and none is made up.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from .sampling import CannotSample

LEVELS = tuple(Decimal(level) for level in ("1.0", "1.5", "2.5", "4.0", "6.5"))
# Lot from, lot to, code letter, sample size.
LETTERS = (
    (51, 90, "E", 13),
    (91, 150, "F", 20),
    (151, 280, "G", 32),
    (281, 500, "H", 50),
    (501, 1200, "J", 80),
    (1201, 3200, "K", 125),
    (3201, 10000, "L", 200),
)
# The number of faults at which the lot is rejected, by letter, at each of LEVELS.
REJECT_AT = {"H": (2, 3, 4, 6, 8), "J": (3, 4, 6, 8, 11)}


@dataclass(frozen=True, slots=True)
class Plan:
    """Look at ``size`` records: up to ``accept`` faults the lot is accepted, one more and it is not."""

    letter: str
    size: int
    accept: int

    @property
    def reject(self) -> int:
        return self.accept + 1


def letter_for(lot: int) -> tuple[str, int]:
    """The code letter and its sample size for a lot. Raises ``CannotSample`` where it is not carried."""
    for first, last, letter, size in LETTERS:
        if first <= lot <= last:
            return letter, size
    raise CannotSample(
        f"The ISO 2859-1 table carried here is for {LETTERS[0][0]} to {LETTERS[-1][1]} records, and these "
        f"are {lot}. Choose a sample by a tolerable rate instead."
    )


def plan_for(lot: int, level: Decimal) -> Plan:
    """The plan for a lot at an acceptable quality limit (``level``, in percent). Raises ``CannotSample``."""
    if level not in LEVELS:
        raise CannotSample("The acceptable quality limits carried here are 1.0, 1.5, 2.5, 4.0 and 6.5 %.")
    letter, size = letter_for(lot)
    if letter not in REJECT_AT:
        raise CannotSample(
            f"{lot} records have the code letter {letter} ({size} to look at), for which this register "
            "carries no accept and reject numbers, and makes none up: its plans are for 281 to 1200 records. "
            "Choose a sample by a tolerable rate instead."
        )
    return Plan(letter, size, REJECT_AT[letter][LEVELS.index(level)] - 1)
