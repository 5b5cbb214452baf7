"""Reads a drawn picture back from where its ink lies: what is true of it, and by how many pixels.

Nothing here knows the parameters, the rule that says what is true of them, or the text alternative: only the
coordinates of the parts that the drawing names. Pixels are those of a picture 320 pixels wide.
"""

import math
import re
from dataclasses import dataclass
from xml.etree import ElementTree

SVG = "{http://www.w3.org/2000/svg}"
PHONE_PIXELS = 320
# Units; for a margin of something that is not there at all.
PLENTY = 200.0
# Pixels: a tyre is told by eye from a sound one about here, midway between what is drawn of either.
PRESSED_FLAT, STANDS_OUT = 10.5, 5.0


@dataclass(frozen=True)
class Reading:
    """``margin``: pixels by which the truth holds."""

    truth: str
    margin: float


class Drawing:
    def __init__(self, svg):
        self.root = ElementTree.fromstring(svg)  # noqa: S314
        _, _, width, self.height = (float(one) for one in self.root.get("viewBox").split())
        self.pixel = width / PHONE_PIXELS

    def all(self, part):
        return [each for each in self.root.iter() if each.get("data-part") == part]

    def one(self, part):
        (found,) = self.all(part)
        return found

    @property
    def title(self):
        return self.root.find(f"{SVG}title").text

    @property
    def words(self):
        return [each.text for each in self.root.iter(f"{SVG}text")]


def at(element, *names):
    return tuple(float(element.get(name)) for name in names)


def ends(element):
    return at(element, "x1", "y1"), at(element, "x2", "y2")


def corners(element):
    return [tuple(float(one) for one in pair.split(",")) for pair in element.get("points").split()]


def numbers_of(element):
    return [float(one) for one in re.findall(r"-?\d+(?:\.\d+)?", element.get("d"))]


def middle(points):
    return tuple(sum(axis) / len(points) for axis in zip(*points, strict=True))


def bearing(start, end):
    """Degrees clockwise from upwards."""
    return math.degrees(math.atan2(end[0] - start[0], start[1] - end[1])) % 360


def apart(one, other):
    """Degrees between two bearings, the shorter way."""
    return abs((one - other + 180) % 360 - 180)


def read_sight_gauge(drawing):
    fluid = drawing.one("fluid")
    # A tube's fluid is a box from its surface down; a round glass's begins at an end of its surface.
    surface = float(fluid.get("y")) if fluid.get("y") else numbers_of(fluid)[1]
    (lower, _), (upper, _) = (
        (y for _, y in ends(drawing.one(f"{name}-mark"))) for name in ("lower", "upper")
    )
    truth = "below" if surface > lower else "above" if surface < upper else "between"
    return Reading(truth, min(abs(surface - lower), abs(surface - upper)) / drawing.pixel)


def read_dial(drawing):
    pivot = at(drawing.one("pivot"), "cx", "cy")
    tips = sorted(corners(drawing.one("needle")), key=lambda point: math.dist(point, pivot))[-2:]
    needle, length = bearing(pivot, middle(tips)), math.dist(pivot, middle(tips))
    within = {}
    for name in ("low", "normal", "high"):
        found = numbers_of(drawing.one(f"band-{name}"))
        # M x y A r r 0 large sweep x y: from the beginning of the band to its end along its outer edge.
        start, end = bearing(pivot, found[:2]), bearing(pivot, found[7:9])
        from_start, width = (needle - start) % 360, (end - start) % 360
        if from_start < width:
            within[name] = min(from_start, width - from_start)
    ((truth, degrees),) = within.items()
    return Reading(truth, 2 * length * math.sin(math.radians(degrees / 2)) / drawing.pixel)


def read_nut_marker(drawing):
    studs = [at(each, "cx", "cy") for each in drawing.all("stud")]
    wheel = middle(studs)
    pointers = [corners(each) for each in drawing.all("pointer")]
    nuts = [middle(corners(each)) for each in drawing.all("nut")]
    if len(nuts) < len(studs):
        bare = [stud for stud in studs if min(math.dist(stud, nut) for nut in nuts) > drawing.pixel]
        assert len(bare) == len(studs) - len(pointers) == 1
        return Reading("missing", min(math.dist(bare[0], nut) for nut in nuts) / drawing.pixel)
    away = []
    for nut, pointer in zip(nuts, pointers, strict=True):
        tip = max(pointer, key=lambda point: math.dist(point, nut))
        neighbours = sorted(studs, key=lambda stud: math.dist(stud, nut))[1:3]
        off = min(apart(bearing(nut, tip), bearing(nut, stud)) for stud in neighbours)
        away.append(2 * math.dist(nut, tip) * math.sin(math.radians(off / 2)) / drawing.pixel)
        assert 120 < math.dist(nut, wheel) < 180
    # A pointer in line is off by a pixel or so.
    turned = [pixels for pixels in away if pixels > 3]
    steady = [pixels for pixels in away if pixels <= 3]
    gap = min(turned, default=PLENTY) - max(steady)
    return Reading(("line", "one", "two")[len(turned)], gap)


def read_beacon(drawing):
    lengths = {}
    for name in ("roof", "belt"):
        lens = drawing.one(f"{name}-lens")
        x = float(lens.get("x")) + float(lens.get("width")) / 2 if lens.get("x") else None
        if x is None:
            path = numbers_of(lens)
            x = (path[0] + path[8]) / 2
        near = [
            math.dist(*ends(ray))
            for ray in drawing.all("roof-ray") + drawing.all("belt-ray")
            if abs(ends(ray)[0][0] - x) < 90
        ]
        lengths[name] = min(near, default=0) / drawing.pixel
    lit = {name: length > 5 for name, length in lengths.items()}
    truth = {(1, 1): "both", (1, 0): "roof", (0, 1): "belt", (0, 0): "neither"}[lit["roof"], lit["belt"]]
    return Reading(truth, min(length if lit[name] else PLENTY for name, length in lengths.items()))


def read_raised_body(drawing):
    ticks = sorted((ends(each)[1][1] for each in drawing.all("scale")), reverse=True)
    metre = (ticks[0] - ticks[-1]) / (len(ticks) - 1)
    (notice,) = (
        found for words in drawing.words if (found := re.fullmatch(r"Keep (\d+) m from the line", words))
    )
    keep = int(notice[1]) * metre
    top = min(y for _, y in corners(drawing.one("body")))
    (_, height), (_, other) = ends(drawing.one("line"))
    assert height == other
    assert ends(drawing.one("ground"))[0][1] == ticks[0]
    gap = top - height
    truth = "reaches" if gap < 0 else "near" if gap < keep else "clear"
    return Reading(truth, min(abs(gap), abs(gap - keep)) / drawing.pixel)


def read_tyre(drawing):
    (_, ground), _ = ends(drawing.one("ground"))
    _, rim_y, rim = at(drawing.one("rim"), "cx", "cy", "r")
    outline = numbers_of(drawing.one("tyre"))
    # M x y Q x y x y A r …: the radius of the round comes after three points.
    wall, at_ground = outline[6] - rim, ground - rim_y - rim
    flattened = (wall - at_ground) / drawing.pixel
    front = corners(drawing.one("front"))
    top, hub = min(y for _, y in front), rim_y
    centre = (min(x for x, y in front if y == top) + max(x for x, y in front if y == top)) / 2
    upper = [(x, y) for x, y in front if top + 30 < y < hub + 35]
    right = max(x for x, _ in upper) - centre
    left = centre - min(x for x, _ in upper)
    lump = (right - left) / drawing.pixel
    mark = corners(drawing.one("mark"))
    reach = max(math.dist(middle(mark), point) for point in mark)
    threads = [ends(each) for each in drawing.all("thread")]
    assert all(math.dist(middle(mark), middle(thread)) < reach for thread in threads)
    thread = min((math.dist(*each) for each in threads), default=PLENTY) / drawing.pixel
    found = {"low": flattened > PRESSED_FLAT, "lump": lump > STANDS_OUT, "cord": bool(threads)}
    assert sum(found.values()) <= 1
    truth = next((key for key, is_so in found.items() if is_so), "whole")
    return Reading(truth, min(abs(flattened - PRESSED_FLAT), abs(lump - STANDS_OUT), thread))


READERS = {
    "sight-gauge": read_sight_gauge,
    "tyre": read_tyre,
    "nut-marker": read_nut_marker,
    "beacon": read_beacon,
    "raised-body": read_raised_body,
    "dial": read_dial,
}


def numbers_in(words):
    return [float(one) for one in re.findall(r"-?\d+(?:\.\d+)?", words)]


def hear_sight_gauge(words):
    *_, lower, upper, level = numbers_in(words)
    return "below" if level < lower else "above" if level > upper else "between"


def hear_tyre(words):
    _, at_ground, least, outer, inner, deep, thick = numbers_in(words)
    found = {"low": at_ground < least, "lump": outer > 2 * inner, "cord": deep > thick}
    return next((key for key, is_so in found.items() if is_so), "whole")


def hear_nut_marker(words):
    _, *off, bare = numbers_in(words)
    turned = sum(abs(degrees) > 10 for degrees in off)
    return "missing" if bare else ("line", "one", "two")[turned]


def hear_beacon(words):
    lit = [int(re.search(rf"{name} beacon, [a-z ]+, (\d+)", words)[1]) > 50 for name in ("roof", "belt")]
    return {(1, 1): "both", (1, 0): "roof", (0, 1): "belt", (0, 0): "neither"}[tuple(lit)]


def hear_raised_body(words):
    _, top, height, keep = numbers_in(words)
    return "reaches" if height < top else "near" if height < top + keep else "clear"


def hear_dial(words):
    *_, low_end, high_start, needle = numbers_in(words)
    return "low" if needle < low_end else "high" if needle > high_start else "normal"


HEARERS = {
    "sight-gauge": hear_sight_gauge,
    "tyre": hear_tyre,
    "nut-marker": hear_nut_marker,
    "beacon": hear_beacon,
    "raised-body": hear_raised_body,
    "dial": hear_dial,
}
