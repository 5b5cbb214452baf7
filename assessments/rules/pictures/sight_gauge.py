"""A sight gauge: a glass beside or in a tank, two marks, and where the fluid stands.

It is drawn upright and its fluid flat: on a lean or in a slosh a gauge cannot be read, which is a reason to
put the machine on the level and wait, and no question with one answer.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from assessments.rules.pictures.drawing import (
    BOLD,
    FINE,
    LINE,
    PAPER,
    RULE,
    STEEL,
    STEEL_DARK,
    WIDTH,
    Point,
    box,
    circle,
    hexagon,
    letters,
    line,
    panel,
    path,
    polar,
)
from assessments.rules.pictures.kinds import Choice, Parameters, PictureKind, not_among, outside

GLASSES = ("tube", "round")
# What the glass shows, and its tint; the fluid is told from the air by its lines, not by its tint.
FLUIDS = {
    "hydraulic oil": "#e3b04b",
    "coolant": "#7fc4b2",
    "transmission oil": "#d98a7a",
    "fuel": "#c9cf74",
}
# Of a hundred parts of the glass: at 320 pixels this is eight pixels of a tube, seven of a round glass.
MARGIN = 6

HEIGHT = 480
MIDDLE = 300.0
TUBE_TOP, TUBE_FOOT, TUBE_WIDTH = 105.0, 375.0, 84.0
ROUND_RADIUS = 122.0
ROUND_CENTRE: Point = (MIDDLE, 240)


@dataclass(frozen=True)
class SightGauge(Parameters):
    """``level``, ``lower`` and ``upper`` are heights in hundredths of the glass."""

    glass: str
    fluid: str
    level: int
    lower: int
    upper: int

    def faults(self) -> list[str]:
        faults = not_among("glass", self.glass, GLASSES) + not_among("fluid", self.fluid, tuple(FLUIDS))
        faults += outside("level", self.level, 4, 96)
        faults += outside("lower", self.lower, 15, 60) + outside("upper", self.upper, 40, 85)
        if self.upper - self.lower < 3 * MARGIN:
            faults.append(f"The marks are at least {3 * MARGIN} apart.")
        if min(abs(self.level - self.lower), abs(self.level - self.upper)) < MARGIN:
            faults.append(f"The level keeps {MARGIN} from both marks, or it could be read two ways.")
        return faults

    def truth(self) -> str:
        if self.level < self.lower:
            return "below"
        return "above" if self.level > self.upper else "between"

    def says(self) -> str:
        meaning = {
            "below": "below the lower mark: there is too little in it",
            "between": "between the two marks, where it belongs",
            "above": "above the upper mark: there is too much in it",
        }
        return f"The {self.fluid} stands {meaning[self.truth()]}."

    def described(self) -> str:
        shape = "An upright gauge glass" if self.glass == "tube" else "A round gauge glass"
        return (
            f"{shape} on a tank of {self.fluid}. On a scale of 0 at the foot of the glass to "
            f"100 at its top, MIN is at {self.lower}, MAX at {self.upper}, and the surface of the fluid at "
            f"{self.level}."
        )

    def drawn(self) -> str:
        glass = self._tube() if self.glass == "tube" else self._round()
        marks = self._mark(self.lower, "MIN", "lower-mark"), self._mark(self.upper, "MAX", "upper-mark")
        name = letters((MIDDLE, 437), self.fluid[0].upper() + self.fluid[1:])
        return panel(self.described(), HEIGHT, _tank(), glass, *marks, name)

    def _height(self, part: int) -> float:
        """Where a height in the glass is on paper."""
        if self.glass == "tube":
            return TUBE_FOOT - (TUBE_FOOT - TUBE_TOP) * part / 100
        return ROUND_CENTRE[1] + ROUND_RADIUS * (1 - 2 * part / 100)

    def _half(self, y: float) -> float:
        """Half the width of the glass at a height on paper."""
        if self.glass == "tube":
            return TUBE_WIDTH / 2
        return math.sqrt(max(ROUND_RADIUS**2 - (y - ROUND_CENTRE[1]) ** 2, 0))

    def _tube(self) -> str:
        surface, left = self._height(self.level), MIDDLE - TUBE_WIDTH / 2
        ends = "".join(
            box(MIDDLE - 62, y, 124, 36, rx=5, fill=STEEL_DARK)
            + hexagon((MIDDLE, y + 18), 13, 90, fill=STEEL)
            for y in (TUBE_TOP - 36, TUBE_FOOT)
        )
        return "".join(
            [
                box(left, TUBE_TOP, TUBE_WIDTH, TUBE_FOOT - TUBE_TOP, part="glass", fill=PAPER),
                box(
                    left,
                    surface,
                    TUBE_WIDTH,
                    TUBE_FOOT - surface,
                    part="fluid",
                    fill=FLUIDS[self.fluid],
                    stroke="none",
                ),
                self._fluid_lines(surface, TUBE_FOOT),
                box(left, TUBE_TOP, TUBE_WIDTH, TUBE_FOOT - TUBE_TOP, stroke_width=BOLD),
                line((left + 12, TUBE_TOP + 14), (left + 12, TUBE_TOP + 66), stroke=RULE, stroke_width=LINE),
                ends,
            ]
        )

    def _round(self) -> str:
        surface, (x, y) = self._height(self.level), ROUND_CENTRE
        half, large = self._half(surface), int(self.level > 50)
        segment = (
            f"M{x - half:.2f} {surface:.2f} "
            f"A{ROUND_RADIUS:g} {ROUND_RADIUS:g} 0 {large} 0 {x + half:.2f} {surface:.2f} Z"
        )
        bolts = "".join(
            hexagon(polar(ROUND_CENTRE, ROUND_RADIUS + 26, bearing), 12, 30, fill=STEEL)
            for bearing in (0, 40, 140, 180, 220, 320)
        )
        return "".join(
            [
                circle(ROUND_CENTRE, ROUND_RADIUS + 50, fill=STEEL_DARK, stroke_width=BOLD),
                bolts,
                circle(ROUND_CENTRE, ROUND_RADIUS, part="glass", fill=PAPER, stroke="none"),
                path(segment, part="fluid", fill=FLUIDS[self.fluid], stroke="none"),
                self._fluid_lines(surface, y + ROUND_RADIUS),
                circle(ROUND_CENTRE, ROUND_RADIUS, stroke_width=BOLD),
                path(f"M{x - 84:g} {y - 58:g} A102 102 0 0 1 {x - 36:g} {y - 96:g}", stroke=RULE),
            ]
        )

    def _fluid_lines(self, surface: float, foot: float) -> str:
        """The surface as a bold line, and dashes under it."""
        half = self._half(surface)
        drawn = [line((MIDDLE - half, surface), (MIDDLE + half, surface), stroke_width=BOLD)]
        y, row = surface + 16, 0
        while y < foot - 6:
            half = self._half(y) - 10
            starts = range(-141 + 22 * (row % 2), 140, 44)
            drawn += [
                line((MIDDLE + x, y), (MIDDLE + x + 18, y), stroke_width=FINE)
                for x in starts
                if -half < x and x + 18 < half
            ]
            y, row = y + 15, row + 1
        return "".join(drawn)

    def _mark(self, at: int, word: str, part: str) -> str:
        """A line across the glass, and its word on a plate beside it."""
        y, half = self._height(at), self._half(self._height(at))
        plate = MIDDLE + (TUBE_WIDTH / 2 + 78 if self.glass == "tube" else ROUND_RADIUS + 74)
        inside = half - BOLD / 2
        return "".join(
            [
                line((MIDDLE - inside, y), (MIDDLE + inside, y), stroke=PAPER, stroke_width=BOLD + 4),
                line((MIDDLE - half - 24, y), (plate, y), part=part, stroke_width=LINE + 1),
                box(plate, y - 20, 78, 40, rx=4, fill=PAPER),
                letters((plate + 39, y), word),
            ]
        )


def _tank() -> str:
    corners = [(60, 50), (WIDTH - 60, 50), (60, HEIGHT - 50), (WIDTH - 60, HEIGHT - 50)]
    bolts = "".join(circle(at, 8, fill=STEEL_DARK, stroke_width=FINE) for at in corners)
    return box(30, 22, WIDTH - 60, HEIGHT - 44, rx=18, fill=STEEL) + bolts


def propose(rng: random.Random, key: str) -> SightGauge:
    lower = rng.randint(15, 60)
    upper = rng.randint(max(40, lower + 3 * MARGIN), 85)
    ends = {
        "below": (4, lower - MARGIN),
        "between": (lower + MARGIN, upper - MARGIN),
        "above": (upper + MARGIN, 96),
    }
    level = rng.randint(*ends[key])
    return SightGauge(rng.choice(GLASSES), rng.choice(tuple(FLUIDS)), level, lower, upper)


KIND = PictureKind(
    code="sight-gauge",
    name="Sight gauge",
    ask="Where does the fluid stand?",
    choices=(
        Choice("below", "Below the lower mark"),
        Choice("between", "Between the two marks"),
        Choice("above", "Above the upper mark"),
    ),
    parameters=SightGauge,
    propose=propose,
)
