"""A wheel whose nuts carry pointers: in line, or a nut has turned, or one is gone.

Two ways of fitting them are drawn: pointers in pairs, tip to tip, and every pointer to the next nut
clockwise (both common practice).
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from assessments.rules.pictures.drawing import (
    BOLD,
    FINE,
    INK,
    LINE,
    PAPER,
    RUBBER,
    RUBBER_DARK,
    RULE,
    STEEL,
    STEEL_DARK,
    WIDTH,
    Point,
    circle,
    hexagon,
    letters,
    line,
    panel,
    path,
    polar,
    polygon,
    ring,
)
from assessments.rules.pictures.kinds import Choice, Parameters, PictureKind, not_among, outside

NUTS = (8, 10, 12)
PATTERNS = ("pairs", "round")
# Degrees: a nut in line is off by no more than the first; one that has turned by the others, which neither
# looks like a pointer in line nor like one set to its other neighbour. Fifteen pixels at a pointer's tip.
SETTLED, LEAST_TURN, MOST_TURN = 2, 50, 95

HEIGHT = 500
CENTRE: Point = (WIDTH / 2, HEIGHT / 2)
STUDS = 152.0
# The pointer's tip from the middle of its nut, as a part of the way to the next nut, and at most.
REACH = {"pairs": (0.46, 52.0), "round": (0.56, 58.0)}


@dataclass(frozen=True)
class NutMarker(Parameters):
    """Nuts count clockwise from the valve, from 1. ``turned`` lists the nuts that have turned, by ``turn``
    degrees (clockwise, or below nought the other way); ``missing`` is the nut that is gone, or 0;
    ``valve_at`` is where the wheel stopped, in degrees clockwise from upwards."""

    nuts: int
    pattern: str
    turned: tuple[int, ...]
    turn: int
    missing: int
    valve_at: int

    def faults(self) -> list[str]:
        faults = not_among("nuts", self.nuts, NUTS) + not_among("pattern", self.pattern, PATTERNS)
        faults += outside("valve_at", self.valve_at, 0, 359) + outside("missing", self.missing, 0, self.nuts)
        for each in self.turned:
            faults += outside("turned", each, 1, self.nuts)
        if len(self.turned) != len(set(self.turned)) or len(self.turned) > 2:
            faults.append("turned lists at most two nuts, each once.")
        if self.turned and self.missing:
            faults.append("Nuts have turned or one is missing, not both: only one choice may be right.")
        if not LEAST_TURN <= abs(self.turn) <= MOST_TURN:
            faults.append(f"turn is from {LEAST_TURN} to {MOST_TURN} degrees, one way or the other.")
        return faults

    def truth(self) -> str:
        if self.missing:
            return "missing"
        return ("line", "one", "two")[len(self.turned)]

    def says(self) -> str:
        if self.missing:
            return f"Nut {self.missing} clockwise from the valve is missing: its stud is bare."
        if not self.turned:
            return "All pointers are in line: no nut has turned since they were set."
        nuts = " and ".join(str(each) for each in sorted(self.turned))
        return (
            f"Pointer {nuts} clockwise from the valve is out of line: that nut has turned."
            if len(self.turned) == 1
            else f"Pointers {nuts} clockwise from the valve are out of line: those nuts have turned."
        )

    def described(self) -> str:
        fitted = "tip to tip with its partner" if self.pattern == "pairs" else "to its neighbour clockwise"
        away = ", ".join(str(self._off(nut)) for nut in range(1, self.nuts + 1) if nut != self.missing)
        return (
            f"A wheel with {self.nuts} studs. Each pointer was set {fitted}. Clockwise from the valve, "
            f"pointers now stand off their setting by these degrees: {away}. Bare studs: "
            f"{int(bool(self.missing))}."
        )

    def drawn(self) -> str:
        nuts = "".join(
            _bare_stud(self._stud(nut)) if nut == self.missing else self._nut(nut)
            for nut in range(1, self.nuts + 1)
        )
        return panel(self.described(), HEIGHT, _wheel(), _valve(self.valve_at), nuts)

    def _stud(self, nut: int) -> Point:
        """Where a stud is; the valve stands midway between the last and the first."""
        return polar(CENTRE, STUDS, self.valve_at + 360 / self.nuts * (nut - 0.5))

    def _off(self, nut: int) -> int:
        """Degrees between a pointer and where it was set: a real one is never quite true."""
        return self.turn if nut in self.turned else (nut * 7 + self.nuts) % (2 * SETTLED + 1) - SETTLED

    def _nut(self, nut: int) -> str:
        at = self._stud(nut)
        clockwise = self.pattern == "round" or nut % 2 == 1
        # Along the chord to a neighbour: at right angles to the spoke, and half the nuts' spacing inwards.
        spoke, inwards = self.valve_at + 360 / self.nuts * (nut - 0.5), 180 / self.nuts
        bearing = (spoke + 90 + inwards if clockwise else spoke - 90 - inwards) + self._off(nut)
        reach, longest = REACH[self.pattern]
        away = min(reach * 2 * STUDS * math.sin(math.pi / self.nuts), longest)
        pointer = [polar(at, away, bearing), polar(at, 21, bearing + 62), polar(at, 21, bearing - 62)]
        return "".join(
            [
                polygon(pointer, part="pointer", fill="#f5d000"),
                circle(at, 24, fill="#f5d000"),
                polygon(
                    [pointer[0], polar(at, 22, bearing + 52), polar(at, 22, bearing - 52)],
                    fill="#f5d000",
                    stroke="none",
                ),
                hexagon(at, 17, bearing, part="nut", fill=STEEL),
                circle(at, 7, part="stud", fill=STEEL_DARK, stroke_width=FINE),
            ]
        )


def _bare_stud(at: Point) -> str:
    """The worn seat where a nut was, and the end of the stud with its thread."""
    threads = "".join(
        line((at[0] - 6, at[1] + d), (at[0] + 6, at[1] + d), stroke_width=FINE) for d in (-4, 0, 4)
    )
    return (
        circle(at, 25, fill=RULE, stroke_width=LINE)
        + hexagon(at, 20, 12, fill=PAPER, stroke_width=FINE)
        + circle(at, 10, part="stud", fill=STEEL_DARK)
        + threads
    )


def _wheel() -> str:
    lugs = "".join(
        path(ring(CENTRE, 226, 243, 15 * n, 15 * n + 9), fill=RUBBER_DARK, stroke="none") for n in range(24)
    )
    return "".join(
        [
            lugs,
            circle(CENTRE, 232, fill=RUBBER, stroke=RUBBER_DARK, stroke_width=BOLD),
            circle(CENTRE, 207, fill=STEEL_DARK, stroke_width=LINE),
            circle(CENTRE, 194, fill=STEEL, stroke_width=FINE),
            circle(CENTRE, 88, fill=STEEL_DARK, stroke_width=LINE),
            circle(CENTRE, 68, fill=STEEL, stroke_width=FINE),
            hexagon(CENTRE, 20, fill=STEEL_DARK, stroke_width=FINE),
        ]
    )


def _valve(bearing: float) -> str:
    foot, tip = polar(CENTRE, 208, bearing), polar(CENTRE, 183, bearing)
    key = (32.0, HEIGHT - 30.0), (57.0, HEIGHT - 30.0)
    word = letters((78, HEIGHT - 30), "valve", anchor="start")
    return _stem(foot, tip, part="valve") + _stem(*key, part="") + word


def _stem(foot: Point, tip: Point, *, part: str) -> str:
    return line(foot, tip, stroke=INK, stroke_width=17, stroke_linecap="round") + line(
        foot, tip, part=part, stroke="#d6b25e", stroke_width=9, stroke_linecap="round"
    )


def propose(rng: random.Random, key: str) -> NutMarker:
    nuts = rng.choice(NUTS)
    turned = rng.sample(range(1, nuts + 1), {"one": 1, "two": 2}.get(key, 0))
    return NutMarker(
        nuts,
        rng.choice(PATTERNS),
        tuple(sorted(turned)),
        rng.randint(LEAST_TURN, MOST_TURN) * rng.choice((-1, 1)),
        rng.randint(1, nuts) if key == "missing" else 0,
        rng.randrange(360),
    )


KIND = PictureKind(
    code="nut-marker",
    name="Wheel nuts with pointers",
    ask="What do the pointers show?",
    choices=(
        Choice("line", "All nuts there and in line"),
        Choice("one", "One nut has turned"),
        Choice("two", "Two nuts have turned"),
        Choice("missing", "One nut is missing"),
    ),
    parameters=NutMarker,
    propose=propose,
)
