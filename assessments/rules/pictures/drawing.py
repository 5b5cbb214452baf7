"""Ink on paper: the few shapes, colours and letters of which every drawn picture is made.

Only presentation attributes, no style and no script, so that the page's content policy need not bend; no
ids, so that any number of pictures can stand on one page; a paper of its own, so that the theme does not
matter. Every drawing is ``WIDTH`` wide: two units are one pixel on a narrow phone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

WIDTH = 640

INK, PAPER, RULE, FAINT = "#13211e", "#fffdf7", "#8a938c", "#d9dcd4"
STEEL, STEEL_DARK, RUBBER, RUBBER_DARK = "#e6e8e3", "#a9b0ab", "#565d5c", "#2c3231"
SAND, MACHINE, MACHINE_DARK = "#e9dfc8", "#f2c230", "#b98b00"

# Units: the width of the lines, and the height of letters (12 pixels on a narrow phone).
FINE, LINE, BOLD = 2, 3.5, 6
LETTERS = 25
FACE = "system-ui, 'Segoe UI', Roboto, 'Noto Sans', 'Liberation Sans', Arial, sans-serif"

Point = tuple[float, float]


def number(value: float) -> str:
    """Short, and the same everywhere: two decimals at most, no negative nought."""
    short = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if short == "-0" else short


def element(name: str, *inside: str, part: str = "", **attributes: str | float) -> str:
    """An svg element; ``part`` says what of the thing drawn its geometry is."""
    named: dict[str, str | float] = {"data_part": part, **attributes} if part else attributes
    written = "".join(
        f' {key.replace("_", "-")}="{escape(value if isinstance(value, str) else number(value))}"'
        for key, value in named.items()
    )
    return f"<{name}{written}>{''.join(inside)}</{name}>" if inside else f"<{name}{written}/>"


def panel(described: str, height: float, *inside: str) -> str:
    """The whole drawing on its paper, with its text alternative."""
    paper = element(
        "rect",
        x=1.5,
        y=1.5,
        width=WIDTH - 3,
        height=height - 3,
        rx=8,
        fill=PAPER,
        stroke=RULE,
        stroke_width=3,
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {number(height)}" role="img">'
        f"<title>{escape(described)}</title>{paper}{''.join(inside)}</svg>"
    )


def circle(at: Point, r: float, *, part: str = "", **attributes: str | float) -> str:
    return element("circle", part=part, cx=at[0], cy=at[1], r=r, **_inked(attributes))


def box(x: float, y: float, width: float, height: float, *, part: str = "", **attributes: str | float) -> str:
    return element("rect", part=part, x=x, y=y, width=width, height=height, **_inked(attributes))


def line(start: Point, end: Point, *, part: str = "", **attributes: str | float) -> str:
    drawn: dict[str, str | float] = {"x1": start[0], "y1": start[1], "x2": end[0], "y2": end[1]}
    drawn |= {"stroke": INK, "stroke_width": LINE}
    return element("line", part=part, **drawn | attributes)


def polygon(points: Iterable[Point], *, part: str = "", **attributes: str | float) -> str:
    return element("polygon", part=part, points=listed(points), **_inked(attributes))


def path(d: str, *, part: str = "", **attributes: str | float) -> str:
    return element("path", part=part, d=d, **_inked(attributes))


def letters(
    at: Point, words: str, *, size: float = LETTERS, anchor: str = "middle", **attributes: str | float
) -> str:
    """Words with the middle of their height at ``at``."""
    face: dict[str, str | float] = {"font_family": FACE, "font_size": size, "font_weight": 600, "fill": INK}
    face |= {"x": at[0], "y": at[1] + size * 0.35, "text_anchor": anchor}
    return element("text", escape(words), part="", **face | attributes)


def hexagon(at: Point, r: float, turn: float = 0, *, part: str = "", **attributes: str | float) -> str:
    return polygon([polar(at, r, turn + 60 * side) for side in range(6)], part=part, **attributes)


def polar(centre: Point, r: float, bearing: float) -> Point:
    """The point at a distance and a bearing: degrees clockwise from upwards, as on a clock."""
    turned = math.radians(bearing)
    return centre[0] + r * math.sin(turned), centre[1] - r * math.cos(turned)


def listed(points: Iterable[Point]) -> str:
    return " ".join(f"{number(x)},{number(y)}" for x, y in points)


def ring(centre: Point, inner: float, outer: float, start: float, end: float) -> str:
    """The path of a piece of a ring between two bearings, ``start`` before ``end``."""
    large = int(end - start > 180)
    (ax, ay), (bx, by) = polar(centre, outer, start), polar(centre, outer, end)
    (cx, cy), (dx, dy) = polar(centre, inner, end), polar(centre, inner, start)
    there = (
        f"M{number(ax)} {number(ay)} A{number(outer)} {number(outer)} 0 {large} 1 {number(bx)} {number(by)}"
    )
    back = (
        f"L{number(cx)} {number(cy)} A{number(inner)} {number(inner)} 0 {large} 0 {number(dx)} {number(dy)}"
    )
    return f"{there} {back} Z"


def rays(centre: Point, inner: float, outer: float, bearings: Sequence[float], *, part: str) -> str:
    """Light, in strokes that need no colour to be seen."""
    return "".join(
        line(
            polar(centre, inner, bearing),
            polar(centre, outer, bearing),
            part=part,
            stroke_width=BOLD,
            stroke_linecap="round",
        )
        for bearing in bearings
    )


def _inked(attributes: dict[str, str | float]) -> dict[str, str | float]:
    ink: dict[str, str | float] = {"fill": "none", "stroke": INK, "stroke_width": LINE}
    return ink | {"stroke_linejoin": "round"} | attributes
