"""Two lamps on a cab's roof: the beacon that warns others, and the belt beacon that shows a latched belt.

The belt beacon stands beside the other and lights while the belt is latched (common practice on sites). They
are told apart by shape and by name, and a lit lamp by its strokes of light, not by colours.
"""

from __future__ import annotations

import random
from dataclasses import dataclass

from assessments.rules.pictures.drawing import (
    BOLD,
    FINE,
    INK,
    LINE,
    MACHINE,
    MACHINE_DARK,
    PAPER,
    RUBBER_DARK,
    RULE,
    STEEL,
    STEEL_DARK,
    WIDTH,
    Point,
    box,
    circle,
    letters,
    line,
    panel,
    path,
    polygon,
    rays,
)
from assessments.rules.pictures.kinds import Choice, Parameters, PictureKind, outside

# Of a lamp's full light: up to the one it is dark, from the other on it shines; between, nobody could tell.
DARK, SHINES = 5, 60
# Of a ray of full light, in units; the shortest ray that is drawn is eleven pixels long at 320 pixels.
RAY = 36.0

HEIGHT = 440
ROOF = 212.0
PLACES = (190.0, 450.0)
LENS = {"roof": "#f5a623", "belt": "#35a853"}
UNLIT = {"roof": "#b98f4e", "belt": "#7f9c86"}
NAMES = {"roof": "Roof beacon", "belt": "Belt beacon"}


@dataclass(frozen=True)
class Beacon(Parameters):
    """``roof_light``, ``belt_light`` and ``work_light`` are hundredths of each lamp's full light;
    ``belt_on_left``: the belt beacon stands on the left of the picture."""

    roof_light: int
    belt_light: int
    work_light: int
    belt_on_left: bool

    def faults(self) -> list[str]:
        faults = []
        for name in ("roof_light", "belt_light", "work_light"):
            value = getattr(self, name)
            faults += outside(name, value, 0, 100)
            if DARK < value < SHINES:
                faults.append(f"{name} is at most {DARK} or at least {SHINES}, or it could be read two ways.")
        return faults

    def truth(self) -> str:
        roof, belt = self.roof_light >= SHINES, self.belt_light >= SHINES
        if roof and belt:
            return "both"
        if roof:
            return "roof"
        return "belt" if belt else "neither"

    def says(self) -> str:
        meaning = {
            "both": "The roof beacon and the belt beacon are both lit.",
            "roof": "The roof beacon is lit; the belt beacon is dark, as with a belt that is not latched.",
            "belt": "The belt beacon is lit; the roof beacon, which warns others of the machine, is dark.",
            "neither": "Neither the roof beacon nor the belt beacon is lit.",
        }
        lamps = "also shine; they are no beacons" if self.work_light >= SHINES else "are off"
        return f"{meaning[self.truth()]} The work lamps {lamps}."

    def described(self) -> str:
        lamps = [f"roof beacon, a dome, {self.roof_light}", f"belt beacon, a flat drum, {self.belt_light}"]
        left, right = reversed(lamps) if self.belt_on_left else lamps
        return (
            f"The roof of a cab with its lamps. Light of each in hundredths of its full light: on the left "
            f"the {left}; on the right the {right}; work lamps under the roof, {self.work_light}."
        )

    def drawn(self) -> str:
        roof_at, belt_at = reversed(PLACES) if self.belt_on_left else PLACES
        lamps = self._lamp("roof", roof_at, self.roof_light), self._lamp("belt", belt_at, self.belt_light)
        return panel(self.described(), HEIGHT, _cab(), _work_lamps(self.work_light), *lamps)

    def _lamp(self, which: str, x: float, light: int) -> str:
        lit = light >= SHINES
        base, middle = ROOF - 34, (x, ROOF - 76)
        drawn = [circle(middle, 64, fill="#fff1b8", stroke="none")] if lit else []
        drawn += [
            box(x - 13, base, 26, 34, fill=STEEL_DARK),
            box(x - 46, base - 8, 92, 16, rx=4, fill=RUBBER_DARK),
        ]
        glass = LENS[which] if lit else UNLIT[which]
        if which == "roof":
            foot, shoulder = base - 8, base - 46
            dome = f"M{x - 38:g} {foot:g} V{shoulder:g} A38 42 0 0 1 {x + 38:g} {shoulder:g} V{foot:g} Z"
            drawn.append(path(dome, part="roof-lens", fill=glass))
        else:
            drawn.append(box(x - 38, base - 72, 76, 64, part="belt-lens", fill=glass))
            drawn.append(box(x - 44, base - 86, 88, 16, rx=3, fill=RUBBER_DARK))
        drawn.append(_inside(middle, lit))
        # A lamp that is dark has no rays at all; a brighter one has longer rays.
        length = RAY * light / 100
        if lit:
            bearings = (-100, -72, -44, -16, 16, 44, 72, 100)
            drawn.append(rays(middle, 72, 72 + length, bearings, part=f"{which}-ray"))
        drawn += [
            box(x - 98, ROOF + 11, 196, 40, rx=4, fill=PAPER, stroke_width=FINE),
            letters((x, ROOF + 31), NAMES[which]),
        ]
        return "".join(drawn)


def _inside(middle: Point, lit: bool) -> str:
    """A bright core in a lit lens; in a dark one the ribs of the glass."""
    x, y = middle
    if lit:
        return circle(middle, 20, fill="#fffbe6", stroke="none") + circle(
            (x, y), 9, fill="#fff", stroke="none"
        )
    return "".join(
        line((x + d, y - 20), (x + d, y + 30), stroke=INK, stroke_width=FINE) for d in (-24, -12, 0, 12, 24)
    )


def _cab() -> str:
    left, right, foot = 96.0, WIDTH - 96.0, HEIGHT - 14.0
    return "".join(
        [
            polygon(
                [(left, ROOF + 60), (right, ROOF + 60), (right + 18, foot), (left - 18, foot)], fill=MACHINE
            ),
            polygon(
                [(left + 34, ROOF + 74), (right - 34, ROOF + 74), (right - 22, foot), (left + 22, foot)],
                fill="#dbe7ea",
            ),
            line((WIDTH / 2, ROOF + 138), (WIDTH / 2, foot), stroke=RULE, stroke_width=FINE),
            box(46, ROOF, WIDTH - 92, 62, rx=14, fill=MACHINE, stroke_width=BOLD),
            line((60, ROOF + 56), (WIDTH - 60, ROOF + 56), stroke=MACHINE_DARK, stroke_width=LINE),
        ]
    )


def _work_lamps(light: int) -> str:
    drawn = [letters((WIDTH / 2, ROOF + 104), "Work lamps")]
    for x in (WIDTH / 2 - 130, WIDTH / 2 + 130):
        drawn.append(line((x, ROOF + 62), (x, ROOF + 84), stroke_width=BOLD))
        drawn.append(box(x - 30, ROOF + 80, 60, 46, rx=6, fill=RUBBER_DARK))
        drawn.append(
            circle((x, ROOF + 103), 17, part="work-lens", fill="#fffbe6" if light >= SHINES else STEEL)
        )
        if light >= SHINES:
            down = (130, 155, 180, 205, 230)
            drawn.append(rays((x, ROOF + 103), 40, 40 + RAY * light / 100, down, part="work-ray"))
        else:
            drawn += [
                line((x + d, ROOF + 92), (x + d, ROOF + 114), stroke=INK, stroke_width=FINE)
                for d in (-7, 0, 7)
            ]
    return "".join(drawn)


def propose(rng: random.Random, key: str) -> Beacon:
    def light(shines: bool) -> int:
        return rng.randint(SHINES, 100) if shines else rng.randint(0, DARK)

    return Beacon(
        light(key in ("roof", "both")),
        light(key in ("belt", "both")),
        light(rng.random() < 0.5),
        rng.random() < 0.5,
    )


KIND = PictureKind(
    code="beacon",
    name="Beacons on a cab",
    ask="Which of the two beacons is lit?",
    choices=(
        Choice("roof", "Only the roof beacon"),
        Choice("belt", "Only the belt beacon"),
        Choice("both", "Both beacons"),
        Choice("neither", "Neither beacon"),
    ),
    parameters=Beacon,
    propose=propose,
)
