"""A dumper with its body raised, a power line over it, and a scale of heights.

How far to keep away is for the line's owner and the site to say; the drawing states a distance and asks for
the sum. The line is drawn level, so that the nearest point of the body is its highest.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from dataclasses import dataclass

from assessments.rules.pictures.drawing import (
    BOLD,
    FAINT,
    FINE,
    INK,
    LINE,
    MACHINE,
    MACHINE_DARK,
    PAPER,
    RUBBER,
    RUBBER_DARK,
    SAND,
    STEEL,
    STEEL_DARK,
    WIDTH,
    Point,
    box,
    circle,
    letters,
    line,
    panel,
    polygon,
)
from assessments.rules.pictures.kinds import Choice, Parameters, PictureKind, outside

# Centimetres that decide: seven pixels at 320 pixels.
MARGIN_CM = 50
# Stated distances, in whole metres above the 10 feet (3.05 m) of 30 CFR 56.12071 (from memory): an example
# never states less than a rule that somebody works under.
KEEP_M = (4, 6)
# Of the line: no lower than lines are hung over open ground (common practice), and as high as the scale goes.
LOWEST_CM, HIGHEST_CM = 520, 1330

HEIGHT = 500
GROUND = 452.0
METRE = 28.0
SCALE_AT, SCALE_METRES = 74.0, 14

# Metres from the hinge of the body, which is this far above ground; the machine faces left. Proportions of a
# dumper of the 30-tonne class (common practice).
HINGE_UP = 1.75
BODY = ((1.0, 0.95), (0.25, 0.0), (-3.9, -0.2), (-4.9, 0.45), (-5.2, 1.75), (-4.5, 1.75), (0.7, 1.45))
WHEELS = (-7.0, -1.9, -0.15)
WHEEL_RADIUS = 0.88
HINGE_AT = WIDTH - 128.0


@dataclass(frozen=True)
class RaisedBody(Parameters):
    """``size``: hundredths of a dumper of the 30-tonne class; ``angle``: degrees that the body is raised;
    ``line_cm``: height of the line above ground; ``keep_m``: metres to keep from it, as stated."""

    size: int
    angle: int
    line_cm: int
    keep_m: int

    def faults(self) -> list[str]:
        faults = outside("size", self.size, 80, 105) + outside("angle", self.angle, 15, 72)
        faults += outside("line_cm", self.line_cm, LOWEST_CM, HIGHEST_CM) + outside(
            "keep_m", self.keep_m, *KEEP_M
        )
        gap = self.line_cm - self.top_cm()
        if min(abs(gap), abs(gap - 100 * self.keep_m)) < MARGIN_CM:
            faults.append(f"The line keeps {MARGIN_CM} cm from what decides, or it could be read two ways.")
        return faults

    def top_cm(self) -> float:
        """How high the body's highest point stands above ground."""
        return 100 * max(y for _, y in self._body())

    def truth(self) -> str:
        gap = self.line_cm - self.top_cm()
        if gap < 0:
            return "reaches"
        return "near" if gap < 100 * self.keep_m else "clear"

    def says(self) -> str:
        top, height, keep = f"{self.top_cm() / 100:.1f} m", f"{self.line_cm / 100:.1f} m", f"{self.keep_m} m"
        needed = f"{self.top_cm() / 100 + self.keep_m:.1f} m"
        return {
            "clear": f"The body reaches {top}. With {keep} to keep that makes {needed}; the line is higher, "
            f"at {height}.",
            "near": f"The body reaches {top}. With {keep} to keep that makes {needed}; the line is lower, "
            f"at {height}: too near.",
            "reaches": f"The body reaches {top} and the line is at {height}: the body would touch it.",
        }[self.truth()]

    def described(self) -> str:
        return (
            f"A dumper, its body raised by {self.angle} degrees, and a power line, on a scale of metres "
            f"above the ground. The highest point of the body stands at {self.top_cm() / 100:.1f}. The line "
            f"runs at {self.line_cm / 100:.1f}. A notice says: keep {self.keep_m} metres."
        )

    def drawn(self) -> str:
        return panel(
            self.described(),
            HEIGHT,
            _ground(),
            _scale(),
            self._line(),
            self._machine(),
            self._guides(),
            self._notice(),
        )

    def _body(self) -> list[Point]:
        """The outline of the raised body: metres right of the hinge, metres above ground."""
        return [self._raised(point) for point in BODY]

    def _raised(self, point: Point) -> Point:
        """A point of the body, turned about its hinge."""
        turned, size = math.radians(self.angle), self.size / 100
        x, y = point
        return (
            size * (x * math.cos(turned) + y * math.sin(turned)),
            size * (HINGE_UP - x * math.sin(turned) + y * math.cos(turned)),
        )

    def _on_paper(self, points: Iterable[Point]) -> list[Point]:
        return [(HINGE_AT + METRE * x, GROUND - METRE * y) for x, y in points]

    def _sized(self, *points: Point) -> list[Point]:
        """Points of the frame, in metres of a machine of size 100."""
        return self._on_paper((x * self.size / 100, y * self.size / 100) for x, y in points)

    def _machine(self) -> str:
        ram_foot, ram_head = self._sized((-4.1, 1.35))[0], self._on_paper([self._raised((-2.3, -0.12))])[0]
        ribs = [
            line(*self._on_paper([self._raised((x, -0.08)), self._raised((x, 1.55))]), stroke=MACHINE_DARK)
            for x in (-3.3, -2.1, -0.9)
        ]
        wheels = [self._wheel(x) for x in WHEELS]
        return "".join(
            [
                line(ram_foot, ram_head, stroke_width=15, stroke_linecap="round"),
                line(ram_foot, ram_head, stroke=STEEL, stroke_width=8, stroke_linecap="round"),
                polygon(
                    self._sized((-5.3, 1.0), (-5.3, 1.5), (0.3, 1.85), (0.6, 1.2), (0.4, 0.95)),
                    fill=STEEL_DARK,
                ),
                polygon(self._on_paper(self._body()), part="body", fill=MACHINE),
                *ribs,
                *self._front(),
                *wheels,
                circle(self._sized((0, HINGE_UP))[0], 6, fill=STEEL),
            ]
        )

    def _front(self) -> list[str]:
        """Bonnet, cab and the joint that the machine bends at."""
        return [
            polygon(
                self._sized((-8.9, 0.9), (-9.0, 1.9), (-7.9, 2.25), (-5.8, 2.25), (-5.3, 1.5), (-5.2, 0.9)),
                fill=MACHINE,
            ),
            polygon(
                self._sized((-7.5, 2.2), (-7.1, 3.45), (-5.75, 3.45), (-5.75, 1.9), (-7.3, 1.9)), fill=MACHINE
            ),
            polygon(
                self._sized((-7.15, 2.3), (-6.85, 3.2), (-6.0, 3.2), (-6.0, 2.3)),
                fill="#dbe7ea",
                stroke_width=FINE,
            ),
            line(*self._sized((-8.8, 1.3), (-8.1, 1.3)), stroke_width=FINE),
            line(*self._sized((-8.8, 1.6), (-8.1, 1.6)), stroke_width=FINE),
        ]

    def _wheel(self, x: float) -> str:
        middle, r = self._sized((x, WHEEL_RADIUS))[0], WHEEL_RADIUS * METRE * self.size / 100
        return circle(middle, r, fill=RUBBER, stroke=RUBBER_DARK, stroke_width=BOLD) + circle(
            middle, r * 0.5, fill=MACHINE, stroke_width=FINE
        )

    def _line(self) -> str:
        """The line from pole to pole, on insulators."""
        y = GROUND - METRE * self.line_cm / 100
        drawn = []
        for x in (140.0, WIDTH - 32.0):
            drawn += [
                box(x - 6, y + 12, 12, GROUND - y - 12, fill="#c8a878", stroke_width=FINE),
                box(x - 22, y + 12, 44, 9, fill="#c8a878", stroke_width=FINE),
                box(x - 6, y - 2, 12, 14, rx=3, fill=PAPER, stroke_width=FINE),
            ]
        drawn.append(line((104, y), (WIDTH - 8, y), part="line", stroke_width=BOLD))
        return "".join(drawn)

    def _guides(self) -> str:
        """From what is to be read across to the scale."""
        top = min(self._on_paper(self._body()), key=lambda point: point[1])
        height = GROUND - METRE * self.line_cm / 100
        return "".join(
            [
                line((SCALE_AT, top[1]), (top[0] - 4, top[1]), stroke_dasharray="9 7"),
                line((SCALE_AT, height), (104, height), stroke_dasharray="9 7"),
                circle(top, 7, part="top", fill=PAPER),
                polygon(
                    [(SCALE_AT + 2, top[1]), (SCALE_AT + 20, top[1] - 9), (SCALE_AT + 20, top[1] + 9)],
                    fill=INK,
                ),
                polygon(
                    [(SCALE_AT + 2, height), (SCALE_AT + 20, height - 9), (SCALE_AT + 20, height + 9)],
                    fill=INK,
                ),
            ]
        )

    def _notice(self) -> str:
        words = f"Keep {self.keep_m} m from the line"
        return box(166, 14, 360, 44, rx=4, fill="#f5d000") + letters((346, 36), words)


def _ground() -> str:
    sand = box(SCALE_AT, GROUND, WIDTH - SCALE_AT - 3, HEIGHT - GROUND - 4, fill=SAND, stroke="none")
    return sand + line((SCALE_AT, GROUND), (WIDTH - 3, GROUND), part="ground", stroke_width=BOLD)


def _scale() -> str:
    drawn = [line((SCALE_AT, GROUND), (SCALE_AT, GROUND - METRE * SCALE_METRES))]
    for metre in range(SCALE_METRES + 1):
        y, even = GROUND - METRE * metre, metre % 2 == 0
        drawn.append(
            line((SCALE_AT - (14 if even else 8), y), (SCALE_AT, y), part="scale", stroke_width=LINE)
        )
        if even:
            drawn.append(line((SCALE_AT, y), (WIDTH - 3, y), stroke=FAINT, stroke_width=FINE))
            drawn.append(letters((SCALE_AT - 20, y), f"{metre}", anchor="end"))
    return "".join(drawn) + letters((SCALE_AT - 20, 28), "m", anchor="end")


def propose(rng: random.Random, key: str) -> RaisedBody:
    size, angle, keep = rng.randint(80, 105), rng.randint(25, 70), rng.randint(*KEEP_M)
    top = RaisedBody(size, angle, 1000, keep).top_cm()
    least, most = {
        "reaches": (LOWEST_CM, top - MARGIN_CM),
        "near": (top + MARGIN_CM, top + 100 * keep - MARGIN_CM),
        "clear": (top + 100 * keep + MARGIN_CM, HIGHEST_CM),
    }[key]
    return RaisedBody(size, angle, round(rng.uniform(least, max(least, most))), keep)


KIND = PictureKind(
    code="raised-body",
    name="Raised body under a line",
    ask="With the body raised like this, is there room under the line?",
    choices=(
        Choice("clear", "Room: more than the stated distance is left"),
        Choice("near", "No room: under the line, but nearer than stated"),
        Choice("reaches", "No room: it would touch the line"),
    ),
    parameters=RaisedBody,
    propose=propose,
)
