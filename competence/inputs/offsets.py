"""Dates of an invented history, written as distances from the day it is loaded: "-400d", "-400d 06:10"."""

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_OFFSET = re.compile(r"([+-]\d{1,4}|0)d(?: ([01]\d|2[0-3]):([0-5]\d))?")


class BadOffset(ValueError):
    """The text is not an offset such as "-400d" or "-400d 06:10"."""


@dataclass(frozen=True)
class Almanac:
    """Turns offsets into days and moments of a site's calendar, from the moment of loading."""

    opened_at: datetime

    def day(self, offset: str, zone: str) -> date:
        """The day so many days from today at the place; a time of day in the offset is passed over."""
        days, _ = _read(offset)
        return self.opened_at.astimezone(ZoneInfo(zone)).date() + timedelta(days=days)

    def moment(self, offset: str, zone: str, usual: str = "12:00") -> datetime:
        """The moment, at the offset's time of day or else the ``usual`` one, by the clocks of the place."""
        _, at = _read(offset)
        clock = at or time.fromisoformat(usual)
        return datetime.combine(self.day(offset, zone), clock, tzinfo=ZoneInfo(zone)).astimezone(UTC)


def _read(offset: str) -> tuple[int, time | None]:
    match = _OFFSET.fullmatch(offset)
    if match is None:
        raise BadOffset(f'"{offset}" is not an offset such as "-400d" or "-400d 06:10".')
    days, hours, minutes = match.groups()
    return int(days), time(int(hours), int(minutes)) if hours else None
