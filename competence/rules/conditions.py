"""Conditions that a ticket carries: where, how heavy, with what fitted, and by what light."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from astral import Observer
from astral.sun import elevation

# The sun's upper limb touches the horizon when its centre stands 50 arc minutes below it
# (16' semi-diameter and 34' refraction: the almanac definition of sunrise and sunset).
SUNRISE_ELEVATION_DEGREES = -0.833


@dataclass(frozen=True, slots=True)
class Conditions:
    """What a ticket is limited to. An empty value limits nothing.

    ``sites`` and ``attachments`` are codes; ``None`` means any, an empty set means none at all.
    ``max_operating_mass_kg`` is inclusive (ISO 6016 operating mass).
    """

    sites: frozenset[str] | None = None
    max_operating_mass_kg: int | None = None
    attachments: frozenset[str] | None = None
    daylight_only: bool = False

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any] | None) -> Conditions:
        """Read the stored form. Raises ``ValueError`` on an unknown key: a condition that the register
        cannot read must not be passed over."""
        plain = plain or {}
        unknown = set(plain) - {"sites", "max_operating_mass_kg", "attachments", "daylight_only"}
        if unknown:
            raise ValueError(f"unknown ticket conditions: {', '.join(sorted(unknown))}")
        return cls(
            sites=frozenset(plain["sites"]) if "sites" in plain else None,
            max_operating_mass_kg=plain.get("max_operating_mass_kg"),
            attachments=frozenset(plain["attachments"]) if "attachments" in plain else None,
            daylight_only=bool(plain.get("daylight_only", False)),
        )

    def as_plain(self) -> dict[str, Any]:
        """The stored form: only what limits something."""
        plain: dict[str, Any] = {}
        if self.sites is not None:
            plain["sites"] = sorted(self.sites)
        if self.max_operating_mass_kg is not None:
            plain["max_operating_mass_kg"] = self.max_operating_mass_kg
        if self.attachments is not None:
            plain["attachments"] = sorted(self.attachments)
        if self.daylight_only:
            plain["daylight_only"] = True
        return plain

    def __bool__(self) -> bool:
        return bool(self.as_plain())


def is_daylight(latitude: float, longitude: float, moment: datetime) -> bool:
    """Whether the sun is up at a place (degrees, north and east positive) at an aware moment.

    Holds above the polar circles too, where a day may have no sunrise.
    Source: almanac definition of sunrise; the sun's place by astral (NOAA algorithm).
    """
    observer = Observer(latitude, longitude)
    height: float = elevation(observer, moment.astimezone(UTC), with_refraction=False)
    return height >= SUNRISE_ELEVATION_DEGREES
