"""A calendar as a file that calendar programs subscribe to: iCalendar, RFC 5545."""

import unicodedata
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from uuid import UUID

from icalendar import Calendar, Event
from icalendar.prop import vText

from assessments.rules.calendars import Entry

NAME = "Competence register"
# How often a program need look again: what stands here changes by the day.
LOOK_AGAIN = timedelta(hours=6)


class Text(vText):
    """Text escaped by RFC 5545 section 3.3.11 to the letter. The library's own takes a backslash before an N
    for a line break, and leaves the properties that it does not know as they are."""

    def to_ical(self) -> bytes:
        escaped = _clean(self).replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")
        return escaped.replace("\n", "\\n").encode()


def _clean(text: str) -> str:
    """Line ends as one kind, and no control characters: section 3.1 allows but the tab in a line."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    return "".join(one for one in text if one in "\n\t" or unicodedata.category(one) != "Cc")


def calendar_file(entries: Iterable[Entry], *, feed: UUID, made_at: datetime) -> bytes:
    """Moments stand in UTC, which needs no table of a zone's rules and means one instant everywhere
    (section 3.3.5, form 2); whole days as dates, each ending before the day that DTEND names."""
    calendar = Calendar()
    calendar.add("prodid", Text("-//Competence register//Calendar 1//EN"))
    calendar.add("version", Text("2.0"))
    calendar.add("method", Text("PUBLISH"))
    calendar.add("name", Text(NAME))
    calendar.add("x-wr-calname", Text(NAME))
    calendar.add("refresh-interval", LOOK_AGAIN, parameters={"VALUE": "DURATION"})
    for entry in entries:
        calendar.add_component(_event(entry, feed, made_at))
    return calendar.to_ical()


def _event(entry: Entry, feed: UUID, made_at: datetime) -> Event:
    event = Event()
    event.add("uid", Text(entry.uid(feed)))
    event.add("dtstamp", made_at.astimezone(UTC).replace(microsecond=0))
    event.add("dtstart", _in_utc(entry.starts))
    event.add("dtend", _in_utc(entry.ends))
    event.add("summary", Text(entry.title))
    if entry.words:
        event.add("description", Text(entry.words))
    if entry.where:
        event.add("location", Text(entry.where))
    event.add("sequence", entry.revision)
    event.add("status", Text("CANCELLED" if entry.is_called_off else "CONFIRMED"))
    event.add("transp", Text("OPAQUE" if entry.takes_time else "TRANSPARENT"))
    if entry.revised_at is not None:
        event.add("last-modified", entry.revised_at.astimezone(UTC).replace(microsecond=0))
    return event


def _in_utc(value: object) -> object:
    return value.astimezone(UTC) if isinstance(value, datetime) else value
