"""Drawn pictures: each kind draws endless variants whose truth is known because the program drew them."""

from __future__ import annotations

from typing import Any

from assessments.rules.pictures import beacon, dial, nut_marker, raised_body, sight_gauge, tyre
from assessments.rules.pictures.kinds import Choice, PictureKind, UnfitParameters

# By code, in the order in which an author is shown them.
KINDS: dict[str, PictureKind[Any]] = {
    kind.code: kind
    for kind in (sight_gauge.KIND, tyre.KIND, nut_marker.KIND, beacon.KIND, raised_body.KIND, dial.KIND)
}

__all__ = ["KINDS", "Choice", "PictureKind", "UnfitParameters"]
