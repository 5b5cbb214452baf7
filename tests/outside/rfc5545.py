"""A strict reader of iCalendar, written from RFC 5545 and sharing nothing with what writes it.

It reads bytes and raises on whatever the grammar does not allow: section 3.1 (content lines, folding), 3.2
(parameters), 3.3.4 and 3.3.5 (dates and moments), 3.3.11 (text), 3.6 and 3.6.1 (what a calendar and an event
must hold). What it does not know it refuses, so that it cannot pass by what it did not look at.
"""

import re
from dataclasses import dataclass, field
from datetime import UTC, date, datetime

# Section 3.1: name *(";" param) ":" value; no quoted parameter values are written here.
LINE = re.compile(r"([A-Za-z0-9-]+)((?:;[A-Za-z0-9-]+=[^\x00-\x08\x0a-\x1f\x7f\";:,]*)*):(.*)", re.DOTALL)
TEXT = {"PRODID", "VERSION", "METHOD", "NAME", "X-WR-CALNAME", "UID", "SUMMARY", "DESCRIPTION", "LOCATION"}
WORDS = {"STATUS": {"TENTATIVE", "CONFIRMED", "CANCELLED"}, "TRANSP": {"OPAQUE", "TRANSPARENT"}}
TIMES = {"DTSTAMP", "DTSTART", "DTEND", "LAST-MODIFIED"}
ONCE = {*TEXT, *WORDS, *TIMES, "SEQUENCE", "REFRESH-INTERVAL"}


class NotICalendar(ValueError):
    pass


@dataclass
class Component:
    name: str
    properties: dict[str, object] = field(default_factory=dict)
    parts: list["Component"] = field(default_factory=list)


def read(raw: bytes) -> Component:
    calendar, rest = _component(_unfolded(raw))
    if rest or calendar.name != "VCALENDAR":
        raise NotICalendar("not one VCALENDAR")
    for event in calendar.parts:
        _check_event(event)
    if calendar.properties.get("VERSION") != "2.0" or "PRODID" not in calendar.properties:
        raise NotICalendar("section 3.6: PRODID and VERSION are required")
    uids = [(event.properties["UID"]) for event in calendar.parts]
    if len(set(uids)) != len(uids):
        raise NotICalendar("section 3.8.4.7: a UID is unique")
    return calendar


def _unfolded(raw: bytes) -> list[str]:
    """Section 3.1: lines end with CRLF, hold at most 75 octets without it, and go on after CRLF and a space;
    a fold never splits a character, since every line as it stands must be UTF-8."""
    if not raw.endswith(b"\r\n"):
        raise NotICalendar("the last line has no end")
    lines: list[str] = []
    for octets in raw[:-2].split(b"\r\n"):
        if len(octets) > 75 or b"\r" in octets or b"\n" in octets:
            raise NotICalendar(f"not a content line: {octets!r}")
        text = octets.decode("utf-8")
        if text[:1] in (" ", "\t"):
            lines[-1] += text[1:]
        else:
            lines.append(text)
    return lines


def _component(lines: list[str]) -> tuple[Component, list[str]]:
    first = re.fullmatch(r"BEGIN:([A-Z]+)", lines[0])
    if not first:
        raise NotICalendar(f"no BEGIN: {lines[0]!r}")
    found, rest = Component(first[1]), lines[1:]
    while rest:
        if rest[0] == f"END:{found.name}":
            return found, rest[1:]
        if rest[0].startswith("BEGIN:"):
            part, rest = _component(rest)
            found.parts.append(part)
            continue
        name, value = _property(rest[0])
        if name in found.properties:
            raise NotICalendar(f"{name} stands twice")
        found.properties[name] = value
        rest = rest[1:]
    raise NotICalendar(f"{found.name} has no END")


def _property(line: str) -> tuple[str, object]:
    whole = LINE.fullmatch(line)
    if not whole:
        raise NotICalendar(f"not name, parameters, colon, value: {line!r}")
    name, value = whole[1].upper(), whole[3]
    parameters = dict(one.split("=", 1) for one in whole[2].split(";")[1:])
    if re.search(r"[\x00-\x08\x0a-\x1f\x7f]", value):
        raise NotICalendar(f"section 3.1: a control character in {name}")
    if name in TIMES:
        return name, _time(name, value, parameters)
    if name == "REFRESH-INTERVAL" and parameters == {"VALUE": "DURATION"}:
        if not re.fullmatch(r"PT\d+H", value):
            raise NotICalendar(value)
        return name, value
    if parameters:
        raise NotICalendar(f"parameters that {name} does not take here: {parameters}")
    if name in TEXT:
        return name, _text(value)
    if name == "SEQUENCE" and value.isdecimal():
        return name, int(value)
    if name in WORDS and value in WORDS[name]:
        return name, value
    raise NotICalendar(f"unknown: {line!r}")


def _time(name: str, value: str, parameters: dict[str, str]) -> date | datetime:
    if parameters == {"VALUE": "DATE"} and re.fullmatch(r"\d{8}", value):
        if name in ("DTSTAMP", "LAST-MODIFIED"):
            raise NotICalendar(f"section 3.8.7: {name} is a moment in UTC")
        return date(int(value[:4]), int(value[4:6]), int(value[6:]))
    # Section 3.3.5, form 2. Local times would need a VTIMEZONE; floating ones are another instant elsewhere.
    if parameters or not re.fullmatch(r"\d{8}T\d{6}Z", value):
        raise NotICalendar(f"{name} is neither a date nor a moment in UTC: {value}")
    return datetime.strptime(value, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)


def _text(value: str) -> str:
    """Section 3.3.11: a backslash escapes itself, a semicolon, a comma and n or N; bare ones do not stand."""
    found, place = [], 0
    while place < len(value):
        one = value[place]
        if one in ";,":
            raise NotICalendar(f"a bare {one} in {value!r}")
        if one == "\\":
            place += 1
            escaped = value[place : place + 1]
            if escaped not in ("\\", ";", ",", "n", "N") or not escaped:
                raise NotICalendar(f"a backslash before {escaped!r}")
            one = "\n" if escaped in "nN" else escaped
        found.append(one)
        place += 1
    return "".join(found)


def _check_event(event: Component) -> None:
    if event.name != "VEVENT" or event.parts:
        raise NotICalendar(f"a {event.name} in a calendar of events")
    missing = {"UID", "DTSTAMP", "DTSTART"} - event.properties.keys()
    if missing:
        raise NotICalendar(f"section 3.6.1: an event without {missing}")
    starts, ends = event.properties["DTSTART"], event.properties.get("DTEND")
    if ends is not None and (type(starts) is not type(ends) or ends <= starts):
        raise NotICalendar("section 3.8.2.2: DTEND is of DTSTART's kind, and later")
