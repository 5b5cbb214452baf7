"""A tyre from the side and facing its tread: whole, cut to the cord, lumped at the wall, or short of air.

Every tyre has a mark on its outer wall, as real ones have: what matters is whether the threads show. One
thing at most is wrong with it, so that one choice is right.
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
    MACHINE,
    MACHINE_DARK,
    RUBBER,
    RUBBER_DARK,
    SAND,
    STEEL_DARK,
    WIDTH,
    Point,
    box,
    circle,
    hexagon,
    letters,
    line,
    number,
    panel,
    path,
    polar,
    polygon,
    ring,
)
from assessments.rules.pictures.kinds import Choice, Parameters, PictureKind, outside

# Parts of a hundred of the wall's height, from tread to rim, that the tyre is pressed in where it stands:
# a sound one yields a little. Between the two nobody could tell. Ten pixels lie between them at 320 pixels.
STANDS, SAGS = 12, 38
# The wall stands out beyond the tread's edge by as much as the first when whole, by the other when lumped.
FLUSH, LUMPED = 4, 24

HEIGHT = 440
GROUND = 384.0
SIDE_X, TREAD_X = 208.0, 500.0
RADIUS, RIM = 168.0, 82.0
WALL = RADIUS - RIM
HALF_TREAD = 66.0
MIDDLE_OF_WALL = (RADIUS + RIM) / 2 - 8
LUGS = 26


@dataclass(frozen=True)
class Tyre(Parameters):
    """``pressed_in``: hundredths of the wall's height, at the ground; ``lump``: how far the outer wall stands
    out at one place, in units of the drawing; ``cut_mm`` and ``rubber_mm``: how deep the mark on the outer
    wall goes, and how thick the rubber over the threads is there; ``mark_at`` and ``lump_at``: where on the
    wall, in degrees clockwise from upwards."""

    pressed_in: int
    lump: int
    cut_mm: int
    rubber_mm: int
    mark_at: int
    lump_at: int

    def faults(self) -> list[str]:
        faults = outside("pressed_in", self.pressed_in, 5, 60) + outside("lump", self.lump, 0, 34)
        faults += outside("cut_mm", self.cut_mm, 2, 25) + outside("rubber_mm", self.rubber_mm, 8, 16)
        faults += outside("mark_at", self.mark_at, -120, 120) + outside("lump_at", self.lump_at, 50, 110)
        if STANDS < self.pressed_in < SAGS:
            faults.append(f"pressed_in is at most {STANDS} or at least {SAGS}, or it could be read two ways.")
        if FLUSH < self.lump < LUMPED:
            faults.append(f"lump is at most {FLUSH} or at least {LUMPED}, or it could be read two ways.")
        if abs(self.cut_mm - self.rubber_mm) < 3:
            faults.append("The mark ends at least 3 mm short of the threads or goes 3 mm into them.")
        if abs(self.mark_at - self.lump_at) < 55:
            faults.append("Mark and lump are at least 55 degrees apart.")
        if sum(self._wrong().values()) > 1:
            faults.append("One thing at most is wrong with the tyre: only one choice may be right.")
        return faults

    def _wrong(self) -> dict[str, bool]:
        return {
            "low": self.pressed_in >= SAGS,
            "lump": self.lump >= LUMPED,
            "cord": self.cut_mm > self.rubber_mm,
        }

    def truth(self) -> str:
        return next((key for key, wrong in self._wrong().items() if wrong), "whole")

    def says(self) -> str:
        return {
            "whole": "No thread shows, the wall is even and the tyre stands up: the mark is a scuff.",
            "cord": "Threads show in the mark on the wall: it goes through the rubber to the cord.",
            "lump": "The wall stands out in a lump: the threads under it are broken.",
            "low": "The tyre is pressed flat at the ground and both walls belly out: it has too little air.",
        }[self.truth()]

    def described(self) -> str:
        at_top, at_ground = round(WALL * 5), round(self._wall_at_ground() * 5)
        return (
            f"A tyre on its wheel, from the side and facing its tread. From rim to tread it measures "
            f"{at_top} mm at the top and {at_ground} mm at the ground; filled by the manual it keeps "
            f"{round(WALL * 5 * 0.85)} there. Away from the ground the outer wall stands out "
            f"{5 * self.lump} mm at most beyond the tread, the inner one {5 * FLUSH}. A mark on the outer "
            f"wall is {self.cut_mm} mm deep, in rubber {self.rubber_mm} mm thick."
        )

    def drawn(self) -> str:
        return panel(
            self.described(),
            HEIGHT,
            box(3, GROUND, WIDTH - 6, HEIGHT - GROUND - 4, fill=SAND, stroke="none"),
            self._from_the_side(),
            self._facing_the_tread(),
            line((3, GROUND), (WIDTH - 3, GROUND), part="ground", stroke_width=BOLD),
            letters((SIDE_X, GROUND + 27), "From the side"),
            letters((TREAD_X, GROUND + 27), "Facing the tread"),
        )

    def _wall_at_ground(self) -> float:
        return WALL * (1 - self.pressed_in / 100)

    def _hub(self) -> Point:
        return SIDE_X, GROUND - RIM - self._wall_at_ground()

    # From the side ------------------------------------------------------------------------------
    def _from_the_side(self) -> str:
        hub = self._hub()
        return "".join(
            [
                self._lugs(hub),
                path(
                    self._outline(hub, RADIUS),
                    part="tyre",
                    fill=RUBBER,
                    stroke=RUBBER_DARK,
                    stroke_width=BOLD,
                ),
                circle(hub, RIM + 12, stroke=RUBBER_DARK, stroke_width=LINE),
                path(_wall_line(hub), stroke=RUBBER_DARK, stroke_width=FINE),
                *_rim(hub),
                self._lump_from_the_side(hub) if self.lump >= LUMPED else "",
                self._mark(polar(hub, MIDDLE_OF_WALL, self.mark_at)),
            ]
        )

    def _outline(self, hub: Point, r: float) -> str:
        """A round that is pressed flat on the ground, and bellies out beside where it is pressed."""
        below = GROUND - hub[1]
        foot = math.degrees(math.acos(below / r))
        belly = 8 + 0.5 * self.pressed_in
        start, end = polar(hub, r, 180 - foot - belly), polar(hub, r, 180 + foot + belly)
        half = r * math.sin(math.radians(foot)) * 0.94
        out = 6 + 0.28 * self.pressed_in
        right, left = hub[0] + half, hub[0] - half
        return " ".join(
            [
                f"M{number(left)} {number(GROUND)}",
                f"Q{number(left - half * 0.2 - out)} {number(GROUND - 2)} {number(end[0])} {number(end[1])}",
                f"A{number(r)} {number(r)} 0 1 1 {number(start[0])} {number(start[1])}",
                f"Q{number(right + half * 0.2 + out)} {number(GROUND - 2)} {number(right)} {number(GROUND)}",
                "Z",
            ]
        )

    def _lugs(self, hub: Point) -> str:
        """Tread blocks round the edge, but for those that are under the tyre."""
        drawn = []
        for n in range(LUGS):
            at = 360 / LUGS * n
            if polar(hub, RADIUS + 10, at + 4)[1] > GROUND - 8:
                continue
            drawn.append(
                path(ring(hub, RADIUS - 3, RADIUS + 10, at, at + 8), fill=RUBBER_DARK, stroke="none")
            )
        return "".join(drawn)

    def _lump_from_the_side(self, hub: Point) -> str:
        at = polar(hub, MIDDLE_OF_WALL + 4, self.lump_at)
        return "".join(
            [
                circle((at[0] + 3, at[1] + 4), 33, fill=RUBBER_DARK, stroke="none"),
                circle(at, 31, part="lump", fill="#666d6c", stroke=RUBBER_DARK, stroke_width=FINE),
                path(ring(at, 19, 24, -80, 20), fill="#99a09e", stroke="none"),
            ]
        )

    def _mark(self, at: Point) -> str:
        """The mark: a lens along the wall, open where it is deep, the threads across it where they show."""
        deep = self.cut_mm > self.rubber_mm
        half_long, half_wide = (44.0, 17.0) if deep else (34.0, 6.0)
        along = math.radians(self.mark_at + 12)

        def turned(x: float, y: float) -> Point:
            return at[0] + x * math.cos(along) - y * math.sin(along), at[1] + x * math.sin(
                along
            ) + y * math.cos(along)

        steps = [n / 8 for n in range(-8, 9)]
        rim = [turned(half_long * t, half_wide * (1 - t * t)) for t in steps]
        rim += [turned(half_long * t, -half_wide * (1 - t * t)) for t in reversed(steps)]
        drawn = [
            polygon(
                rim, part="mark", fill="#17100c" if deep else RUBBER_DARK, stroke="#101414", stroke_width=LINE
            )
        ]
        if deep:
            for t in (-0.72, -0.48, -0.24, 0.0, 0.24, 0.48, 0.72):
                reach = half_wide * (1 - t * t) - 1.5
                ends = turned(half_long * t - 2, reach), turned(half_long * t + 2, -reach)
                drawn.append(line(*ends, part="thread", stroke="#f3e6c4", stroke_width=5))
        return "".join(drawn)

    # Facing the tread ---------------------------------------------------------------------------
    def _facing_the_tread(self) -> str:
        top, foot = self._hub()[1] - RADIUS, GROUND
        right = self._edge(top, foot, self.lump)
        left = [(2 * TREAD_X - x, y) for x, y in self._edge(top, foot, FLUSH)]
        return "".join(
            [
                polygon(right + left[::-1], part="front", fill=RUBBER, stroke=RUBBER_DARK, stroke_width=BOLD),
                *self._bars(top, foot),
            ]
        )

    def _edge(self, top: float, foot: float, lump: int) -> list[Point]:
        """The right-hand wall, top to foot: shoulder, wall, the lump, and the belly over the ground."""
        hub = self._hub()[1]
        lump_y = polar((0, hub), MIDDLE_OF_WALL + 4, self.lump_at)[1]
        edge = []
        steps = 60
        for n in range(steps + 1):
            y = top + (foot - top) * n / steps
            from_end = min(y - top, foot - y)
            shoulder = -26 * max(0.0, 1 - from_end / 26) ** 2
            over = (foot - y) / (foot - hub)
            belly = 0.62 * self.pressed_in * math.exp(-(((over - 0.34) / 0.26) ** 2))
            lumped = lump * math.exp(-(((y - lump_y) / 26) ** 2)) if lump > FLUSH else lump
            edge.append((TREAD_X + HALF_TREAD + shoulder + belly + lumped, y))
        return edge

    def _bars(self, top: float, foot: float) -> list[str]:
        """The bars of the tread, in a herringbone; pressed together near the ground."""
        drawn = []
        count = 9
        for n in range(count):
            y = top + 26 + (foot - top - 44) * n / count
            for way in (-1, 1):
                inner, outer = TREAD_X + way * 6, TREAD_X + way * (HALF_TREAD - 12)
                corners = [(inner, y + 18), (outer, y), (outer, y + 13), (inner, y + 31)]
                drawn.append(polygon(corners, fill=RUBBER_DARK, stroke="none"))
        return drawn


def _wall_line(hub: Point) -> str:
    """A moulded line round the upper wall, inside the tread."""
    (ax, ay), (bx, by), r = polar(hub, RADIUS - 16, -125), polar(hub, RADIUS - 16, 125), number(RADIUS - 16)
    return f"M{number(ax)} {number(ay)} A{r} {r} 0 1 1 {number(bx)} {number(by)}"


def _rim(hub: Point) -> list[str]:
    nuts = [hexagon(polar(hub, 38, 45 * n), 6, 45 * n, fill=STEEL_DARK, stroke_width=FINE) for n in range(8)]
    return [
        circle(hub, RIM, part="rim", fill=MACHINE, stroke_width=LINE),
        circle(hub, RIM - 16, stroke=MACHINE_DARK, stroke_width=FINE),
        *nuts,
        circle(hub, 20, fill=MACHINE_DARK, stroke=INK, stroke_width=FINE),
    ]


def propose(rng: random.Random, key: str) -> Tyre:
    rubber = rng.randint(8, 16)
    lump_at = rng.randint(50, 110)
    return Tyre(
        pressed_in=rng.randint(SAGS, 56) if key == "low" else rng.randint(5, STANDS),
        lump=rng.randint(LUMPED, 34) if key == "lump" else rng.randint(0, FLUSH),
        cut_mm=rubber + rng.randint(3, 8) if key == "cord" else rng.randint(2, rubber - 3),
        rubber_mm=rubber,
        mark_at=rng.randint(-120, lump_at - 55),
        lump_at=lump_at,
    )


KIND = PictureKind(
    code="tyre",
    name="Tyre",
    ask="What is to be seen on this tyre?",
    choices=(
        Choice("whole", "Wall whole, enough air"),
        Choice("cord", "Wall cut to the cord"),
        Choice("lump", "Wall with a lump"),
        Choice("low", "Wall whole, too little air"),
    ),
    parameters=Tyre,
    propose=propose,
)
