"""A dial with three bands, told apart by letter and pattern, and a needle in one of them."""

from __future__ import annotations

import random
from dataclasses import dataclass

from assessments.rules.pictures.drawing import (
    BOLD,
    FINE,
    INK,
    LINE,
    PAPER,
    STEEL_DARK,
    WIDTH,
    Point,
    circle,
    letters,
    line,
    panel,
    path,
    polar,
    polygon,
    ring,
)
from assessments.rules.pictures.kinds import Choice, Parameters, PictureKind, not_among, outside


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a dial measures: ``least`` to ``most`` in ``step`` of ``unit``; ``tens`` shows tenths as units."""

    unit: str
    least: int
    most: int
    step: int
    tens: int = 1

    def shown(self, value: float) -> str:
        return f"{value / self.tens:g}"


# Ranges as such dials commonly have (common practice); a real machine's own manual says where its bands lie.
QUANTITIES = {
    "coolant temperature": Quantity("°C", 40, 120, 20),
    "hydraulic oil temperature": Quantity("°C", 20, 120, 20),
    "brake air pressure": Quantity("bar", 0, 120, 20, tens=10),
    "engine oil pressure": Quantity("bar", 0, 80, 20, tens=10),
}
# Degrees of the dial between needle and the end of a band: seven pixels at the needle's tip at 320 pixels.
MARGIN = 5
SWEEP = 240
# Each band is at least this wide, so that its letter has room.
NARROWEST = 36

HEIGHT = 490
CENTRE: Point = (WIDTH / 2, HEIGHT / 2)
BAND_INNER, BAND_OUTER, NEEDLE, FIGURES = 144.0, 197.0, 163.0, 103.0
LETTER_AT = 180.0
TINTS = {"L": "#a9c8e8", "N": "#b9dfb4", "H": "#f0a59a"}
PARTS = {"L": "band-low", "N": "band-normal", "H": "band-high"}


@dataclass(frozen=True)
class Dial(Parameters):
    """``needle``, ``low_end`` and ``high_start`` are degrees clockwise from the beginning of the dial,
    of 240 in all: band L ends at ``low_end``, band H begins at ``high_start``, N lies between."""

    quantity: str
    needle: int
    low_end: int
    high_start: int

    def faults(self) -> list[str]:
        faults = not_among("quantity", self.quantity, tuple(QUANTITIES))
        faults += outside("needle", self.needle, MARGIN, SWEEP - MARGIN)
        faults += outside("low_end", self.low_end, NARROWEST, SWEEP - 2 * NARROWEST)
        faults += outside("high_start", self.high_start, self.low_end + NARROWEST, SWEEP - NARROWEST)
        if min(abs(self.needle - self.low_end), abs(self.needle - self.high_start)) < MARGIN:
            faults.append(f"The needle keeps {MARGIN} degrees from the end of a band.")
        return faults

    def truth(self) -> str:
        if self.needle < self.low_end:
            return "low"
        return "high" if self.needle > self.high_start else "normal"

    def says(self) -> str:
        bands = {"low": "L: it is too low", "normal": "N: it is normal", "high": "H: it is too high"}
        return f"The needle for {self.quantity} stands in band {bands[self.truth()]}."

    def described(self) -> str:
        of = QUANTITIES[self.quantity]
        needle, low_end, high_start = (
            f"{(of.least + (of.most - of.least) * at / SWEEP) / of.tens:.1f}"
            for at in (self.needle, self.low_end, self.high_start)
        )
        return (
            f"A dial for {self.quantity} in {of.unit}, from {of.shown(of.least)} to {of.shown(of.most)}. "
            f"Band L ends at {low_end}, where band N begins; band N ends at {high_start}, where band H "
            f"begins. The needle points at {needle}."
        )

    def drawn(self) -> str:
        ends = {"L": (0, self.low_end), "N": (self.low_end, self.high_start), "H": (self.high_start, SWEEP)}
        bands = "".join(_band(letter, *ends[letter]) for letter in ends)
        return panel(self.described(), HEIGHT, _case(), bands, self._scale(), self._needle())

    def _scale(self) -> str:
        of = QUANTITIES[self.quantity]
        drawn = []
        for value in range(of.least, of.most + 1, of.step // 4):
            bearing = _bearing((value - of.least) * SWEEP / (of.most - of.least))
            whole = (value - of.least) % of.step == 0
            inner = BAND_INNER - (14 if whole else 8)
            width = LINE + 0.5 if whole else FINE
            drawn.append(
                line(polar(CENTRE, inner, bearing), polar(CENTRE, BAND_INNER, bearing), stroke_width=width)
            )
            if whole:
                drawn.append(letters(polar(CENTRE, FIGURES, bearing), of.shown(value)))
        *first, last = self.quantity.split(" ")
        for below, words in ((68, of.unit), (122, " ".join(first).capitalize()), (154, last)):
            drawn.append(letters((CENTRE[0], CENTRE[1] + below), words))
        return "".join(drawn)

    def _needle(self) -> str:
        bearing = _bearing(self.needle)
        blade = [
            polar(CENTRE, NEEDLE, bearing - 1),
            polar(CENTRE, NEEDLE, bearing + 1),
            polar(CENTRE, 13, bearing + 90),
            polar(CENTRE, 34, bearing + 180),
            polar(CENTRE, 13, bearing - 90),
        ]
        return (
            polygon(blade, part="needle", fill=INK, stroke=PAPER, stroke_width=FINE)
            + circle(CENTRE, 21, part="pivot", fill=STEEL_DARK)
            + circle(CENTRE, 7, fill=INK, stroke="none")
        )


def _bearing(degrees: float) -> float:
    return degrees - SWEEP / 2


def _case() -> str:
    return circle(CENTRE, 232, fill=STEEL_DARK, stroke_width=BOLD) + circle(
        CENTRE, 210, fill=PAPER, stroke_width=LINE
    )


def _band(letter: str, start: int, end: int) -> str:
    """A band: L with sparse strokes across it, N plain, H with a close lattice; its letter on a disc."""
    first, last = _bearing(start), _bearing(end)
    middle = (first + last) / 2
    drawn = [path(ring(CENTRE, BAND_INNER, BAND_OUTER, first, last), part=PARTS[letter], fill=TINTS[letter])]
    if letter != "N":
        lean, apart = (0.0, 9.0) if letter == "L" else (7.0, 5.0)
        count = int((last - first - lean) / apart)
        for n in range(1, count):
            at = first + n * (last - first - lean) / count
            drawn.append(_stroke(at, at + lean))
            if lean:
                drawn.append(_stroke(at + lean, at))
    disc = polar(CENTRE, LETTER_AT, middle)
    drawn += [circle(disc, 17, fill=PAPER, stroke_width=FINE), letters(disc, letter, font_weight=800)]
    return "".join(drawn)


def _stroke(inner: float, outer: float) -> str:
    return line(
        polar(CENTRE, BAND_INNER, inner), polar(CENTRE, BAND_OUTER, outer), stroke=INK, stroke_width=FINE
    )


def propose(rng: random.Random, key: str) -> Dial:
    low_end = rng.randint(NARROWEST, 80)
    high_start = rng.randint(max(150, low_end + NARROWEST), SWEEP - NARROWEST)
    ends = {
        "low": (MARGIN, low_end - MARGIN),
        "normal": (low_end + MARGIN, high_start - MARGIN),
        "high": (high_start + MARGIN, SWEEP - MARGIN),
    }
    return Dial(rng.choice(tuple(QUANTITIES)), rng.randint(*ends[key]), low_end, high_start)


KIND = PictureKind(
    code="dial",
    name="Dial with bands",
    ask="What does the dial show?",
    choices=(
        Choice("low", "Too low: the needle is in band L"),
        Choice("normal", "Normal: the needle is in band N"),
        Choice("high", "Too high: the needle is in band H"),
    ),
    parameters=Dial,
    propose=propose,
)
