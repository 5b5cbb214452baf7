"""A day that a list is narrowed to, as the browser sends it."""

from datetime import date

from django.utils.dateparse import parse_date

# Years outside these narrow nothing: reckoning with them would leave the calendar.
_FIRST_YEAR, _LAST_YEAR = 1900, 9000


def day_asked(text: str) -> date | None:
    """The day, or ``None`` for what is no day that a record could be of."""
    try:
        day = parse_date(text)
    except ValueError:
        return None
    return day if day and _FIRST_YEAR <= day.year <= _LAST_YEAR else None
