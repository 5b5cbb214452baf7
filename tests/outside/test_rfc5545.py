"""The calendar as a file, held to RFC 5545 by a reader of its own (``rfc5545.py``).

Examples recomputed from RFC 5545: section 3.6.1 ("DTEND ... non-inclusive end": the conference of 28 June to
8 July has DTEND 20070709), section 3.1 (75 octets), section 3.3.11 (escapes), section 3.8.1.11 (CANCELLED).
"""

from datetime import UTC, date, datetime, timedelta
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessments.outputs.calendar_feed import calendar_file
from assessments.rules.calendars import Entry

from .rfc5545 import NotICalendar, read

FEED = UUID("6ba7b810-9dad-11d1-80b4-00c04fd430c8")
NOW = datetime(2026, 3, 5, 6, 30, 12, 345678, tzinfo=UTC)


def read_back(*entries):
    return read(calendar_file(entries, feed=FEED, made_at=NOW))


def the_event(entry):
    (event,) = read_back(entry).parts
    return event.properties


def test_a_last_day_is_one_whole_day_and_dtend_is_the_day_after():
    event = the_event(Entry("ticket", date(2026, 6, 30), "Last day of ticket"))
    assert (event["DTSTART"], event["DTEND"]) == (date(2026, 6, 30), date(2026, 7, 1))
    assert type(event["DTSTART"]) is date


@pytest.mark.parametrize("last", [date(2028, 2, 29), date(2026, 12, 31), date(2026, 2, 28)])
def test_a_whole_day_at_the_end_of_a_month_or_year_ends_in_the_next(last):
    event = the_event(Entry("ticket", last, "Last day"))
    assert event["DTEND"].toordinal() == last.toordinal() + 1


# Clock changes by the IANA time zone database: London and Sydney by law of the place, Perth has none.
@pytest.mark.parametrize(
    ("zone", "local", "utc"),
    [
        ("Europe/London", (2026, 1, 12, 7, 30), (2026, 1, 12, 7, 30)),
        ("Europe/London", (2026, 7, 13, 7, 30), (2026, 7, 13, 6, 30)),
        ("Australia/Perth", (2026, 7, 13, 7, 30), (2026, 7, 12, 23, 30)),
        ("Australia/Sydney", (2026, 1, 12, 7, 30), (2026, 1, 11, 20, 30)),
        ("America/Denver", (2026, 7, 13, 19, 0), (2026, 7, 14, 1, 0)),
    ],
)
def test_a_time_on_a_sites_clock_is_that_instant(zone, local, utc):
    starts = datetime(*local, tzinfo=ZoneInfo(zone))
    event = the_event(Entry("booking 1", starts, "Assessment"))
    assert event["DTSTART"] == datetime(*utc, tzinfo=UTC)
    assert event["DTEND"] - event["DTSTART"] == timedelta(hours=1)


@pytest.mark.parametrize(
    ("local", "utc"),
    # In London at 01:00 UTC on both days: in spring the clock goes from 01:00 to 02:00, in autumn back.
    [((2026, 3, 29, 0, 30), (2026, 3, 29, 0, 30)), ((2026, 10, 25, 1, 30), (2026, 10, 25, 0, 30))],
)
def test_an_hour_over_a_change_of_the_clocks_is_an_hour(local, utc):
    event = the_event(Entry("booking 1", datetime(*local, tzinfo=ZoneInfo("Europe/London")), "Assessment"))
    assert event["DTSTART"] == datetime(*utc, tzinfo=UTC)
    assert event["DTEND"] == datetime(*utc, tzinfo=UTC) + timedelta(hours=1)


def test_called_off_is_the_same_event_cancelled_with_a_higher_sequence():
    made = Entry("booking 7", date(2026, 6, 1), "Assessment", revised_at=NOW, takes_time=True)
    off = Entry("booking 7", date(2026, 6, 1), "Off", revision=1, revised_at=NOW, is_called_off=True)
    before, after = the_event(made), the_event(off)
    assert before["UID"] == after["UID"]
    assert (before["STATUS"], before["SEQUENCE"]) == ("CONFIRMED", 0)
    assert (after["STATUS"], after["SEQUENCE"]) == ("CANCELLED", 1)
    assert (before["TRANSP"], after["TRANSP"]) == ("OPAQUE", "TRANSPARENT")


def test_the_same_thing_in_another_calendar_is_another_event():
    entry = Entry("booking 7", date(2026, 6, 1), "Assessment")
    assert entry.uid(FEED) != entry.uid(UUID(int=FEED.int + 1))


def test_a_calendar_without_events_is_one_still():
    assert read_back().properties["PRODID"]


TRICKY = st.text(
    st.one_of(
        st.sampled_from([*list(",;:\\nN\"' \t\n\r"), "\u2028", "\x0b", "\x00", "\x85", "ß", "é", "漢", "🚜"]),
        st.characters(exclude_categories=["Cs"]),
    ),
    max_size=120,
)
LONG_WORDS = st.text(st.sampled_from("éüßŁńőçÅ"), min_size=70, max_size=300)


@given(title=TRICKY | LONG_WORDS, words=TRICKY | LONG_WORDS)
def test_whatever_somebody_is_called_comes_back_as_it_was(title, words):
    event = the_event(Entry("ticket", date(2026, 6, 30), title, words, where=title))
    assert event["SUMMARY"] == event.get("LOCATION", "") == as_a_line_may_hold(title)
    assert event.get("DESCRIPTION", "") == as_a_line_may_hold(words)


def as_a_line_may_hold(text):
    """Line ends as one kind, and no control character but the tab (section 3.1 allows none)."""
    lines = text.replace("\r\n", "\n").replace("\r", "\n")
    kept = [one for one in lines if one in "\n\t" or not (ord(one) < 32 or 127 <= ord(one) < 160)]
    return "".join(kept)


@pytest.mark.parametrize(
    "broken",
    [
        b"BEGIN:VCALENDAR\nEND:VCALENDAR\n",
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nEND:VCALENDAR\r\n",
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:a,b\r\nEND:VCALENDAR\r\n",
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:" + b"x" * 69 + b"\r\nEND:VCALENDAR\r\n",
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20260101T000000Z\r\n"
        b"DTSTART;VALUE=DATE:20260630\r\nDTEND;VALUE=DATE:20260630\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n",
    ],
    ids=["bare line feeds", "no PRODID", "bare comma", "76 octets", "DTEND not after DTSTART"],
)
def test_the_reader_refuses_what_the_standard_does(broken):
    with pytest.raises(NotICalendar):
        read(broken)
