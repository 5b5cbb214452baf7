"""Dates in sentences that do not break across two lines."""

import calendar
import re

from django import template

register = template.Library()

_MONTHS = "|".join(name for name in calendar.month_name if name)
_DATE = re.compile(rf"\b(\d{{1,2}}) ({_MONTHS}) (\d{{4}})\b")


@register.filter
def whole_dates(text: object) -> str:
    """The text with no-break spaces inside each date: "to 4 November 2029" parts before the 4 only."""
    return _DATE.sub("\\1\N{NO-BREAK SPACE}\\2\N{NO-BREAK SPACE}\\3", str(text))
