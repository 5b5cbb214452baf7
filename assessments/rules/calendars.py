"""One thing in somebody's calendar."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from uuid import UUID, uuid5


@dataclass(frozen=True)
class Entry:
    """``starts``: a day, for the whole of it, or a moment with its offset. ``lasts``: for a moment only.

    ``thing`` names it for good within one calendar. ``revision`` counts from nought. ``takes_time``: whether
    the person is busy then, as in an assessment and unlike the last day of a ticket.
    """

    thing: str
    starts: date | datetime
    title: str
    words: str = ""
    where: str = ""
    lasts: timedelta = timedelta(hours=1)
    revision: int = 0
    revised_at: datetime | None = None
    is_called_off: bool = False
    takes_time: bool = False

    @property
    def ends(self) -> date | datetime:
        """The first day or moment after it: RFC 5545 section 3.6.1 has DTEND "non-inclusive"."""
        if isinstance(self.starts, datetime):
            # In UTC, since a sum on a local clock skips or repeats the hour in which the clocks change.
            return self.starts.astimezone(UTC) + self.lasts
        return self.starts + timedelta(days=1)

    def uid(self, feed: UUID) -> str:
        """The same for the same thing in the same calendar, and for nothing else anywhere (RFC 7986 section
        5.3 asks for a UUID)."""
        return str(uuid5(feed, self.thing))
