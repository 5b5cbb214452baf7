"""Days as spreadsheets write them: real dates, serial numbers, text in several orders, "exp." notes.

Which of day and month comes first is never guessed: a column settles it where one of its rows can be read in
one order only; otherwise the reader must be told. The same holds for the century of a two-digit year.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from enum import StrEnum
from functools import lru_cache
from math import isfinite
from typing import Any

from .dates import days_in_month
from .reasons import long_date

# A day outside these years is a slip of the pen in a register of people at work (the register's own rule).
FIRST_YEAR, LAST_YEAR = 1930, 2100
# Two-digit years up to this one are of this century, where a column is told to be split (common practice in
# spreadsheet programs).
SPLIT_AFTER = 49

_MONTHS = (
    *("january", "february", "march", "april", "may", "june"),
    *("july", "august", "september", "october", "november", "december"),
)
_END_WORDS = re.compile(
    r"^(?:expiry|expires|expired|expire|exp|valid\s+(?:to|until|till)|until|till|to|ends?|renew\s+by|due)"
    r"(?:\s+(?:on|date))?\b[.:\s]*",
    re.IGNORECASE,
)
_TIME = re.compile(r"[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?Z?$")
_THREE = re.compile(r"^(\d{1,4})\s*[./ -]\s*(\d{1,2})\s*[./ -]\s*(\d{1,4})\.?$")
_MONTH_AND_YEAR = re.compile(r"^(\d{1,2})\s*[./-]\s*(\d{4}|\d{2})$")
_YEAR_AND_MONTH = re.compile(r"^(\d{4})\s*[./-]\s*(\d{1,2})$")
_DAY_NAMED = re.compile(r"^(\d{1,2})(?:st|nd|rd|th)?[\s./-]*([a-z]{3,9})\.?[\s./,-]*(\d{4}|\d{2})$")
_NAMED_DAY = re.compile(r"^([a-z]{3,9})\.?\s*(\d{1,2})(?:st|nd|rd|th)?[\s,]+(\d{4}|\d{2})$")
_NAMED = re.compile(r"^([a-z]{3,9})\.?[\s./-]*(\d{4}|\d{2})$")
_NOTHING = frozenset({"", "-", "--", "n/a", "na", "none", "nil", "no"})
# What a note says of an end: the word, and the date after it.
IN_A_NOTE = re.compile(
    r"\b(?:exp(?:iry|ires|ired|ire)?|valid\s+(?:to|until))\b[.:\s]*"
    r"(\d{1,4}\s*[./-]\s*\d{1,2}\s*[./-]\s*\d{1,4}|\d{4}\s*[./-]\s*\d{1,2}|\d{1,2}\s*[./-]\s*(?:\d{4}|\d{2})"
    r"|\d{0,2}\s*[A-Za-z]{3,9}\.?\s*\d{2,4})(?!\d)",
    re.IGNORECASE,
)


class Order(StrEnum):
    """In which order a column writes a day."""

    DAY_FIRST = "dmy"
    MONTH_FIRST = "mdy"
    YEAR_FIRST = "ymd"


class Century(StrEnum):
    """What a two-digit year means in a column."""

    ALL_2000 = "2000"
    SPLIT = "split"


class UnreadableDay(ValueError):
    """A cell is no day, or not for certain one; its sentence is fit for the screen."""


@dataclass(frozen=True, slots=True)
class ColumnAsks:
    """What the values of a column leave open. ``order`` is the one that they settle on, if they do."""

    order: Order | None = None
    is_order_open: bool = False
    is_mixed: bool = False
    is_century_open: bool = False
    example: str = ""


def is_nothing(value: Any) -> bool:
    return value is None or (isinstance(value, str) and value.strip().lower() in _NOTHING)


def asks_of_column(values: Iterable[Any]) -> ColumnAsks:
    """Whether the order and the century of a column's days can be known from its values.

    The orders that every row allows are intersected. None left: the column mixes orders. More than one left:
    open, unless every row comes to the same day in each of them.
    """
    possible, example, two_digits = frozenset(Order), "", False
    is_mixed = has_three = differs = False
    for value in values:
        text = _bare(value) if isinstance(value, str) else ""
        if not text:
            continue
        numbers = _THREE.match(text)
        if numbers is None:
            two_digits = two_digits or _ends_in_two_digits(text)
            continue
        orders = _orders(*numbers.groups())
        if not orders or (orders == {Order.YEAR_FIRST} and len(numbers[1]) == 4):
            continue
        two_digits = two_digits or len(numbers[1]) <= 2 >= len(numbers[3])
        has_three = True
        if len({_parts(order, *numbers.groups()) for order in orders}) > 1:
            differs, example = True, example or str(value).strip()
        is_mixed = is_mixed or not possible & orders
        possible &= orders
    if not has_three:
        return ColumnAsks(is_century_open=two_digits)
    if len(possible) == 1:
        return ColumnAsks(order=next(iter(possible)), is_century_open=two_digits)
    if not is_mixed and possible and not differs:
        return ColumnAsks(order=min(possible), is_century_open=two_digits)
    return ColumnAsks(
        is_order_open=True, is_mixed=is_mixed or not possible, is_century_open=two_digits, example=example
    )


def read_day(
    value: Any,
    *,
    order: Order | None = None,
    century: Century | None = None,
    is_end: bool = False,
    is_1904: bool = False,
) -> date | None:
    """The day that a cell says; ``None`` where it says nothing.

    ``is_end``: the last day of a period, which may be given by its month (then its last day, common practice
    for cards) and with a word such as "exp." before it. Raises ``UnreadableDay``.
    """
    if is_nothing(value):
        return None
    if isinstance(value, datetime):
        return _within_years(value.date())
    if isinstance(value, date):
        return _within_years(value)
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise UnreadableDay(f"“{value}” is not a day.")
    if isinstance(value, int | float):
        return _within_years(_from_serial(value, is_1904=is_1904))
    return _read_text(value.strip(), order, century, is_end, is_1904)


@lru_cache(maxsize=20_000)
def _read_text(
    text: str, order: Order | None, century: Century | None, is_end: bool, is_1904: bool
) -> date | None:
    bare = _bare(text) if is_end else _TIME.sub("", text).strip()
    lowered = bare.lower()
    if re.fullmatch(r"\d+(\.0+)?", bare) and len(bare) > 2:
        return _within_years(_from_serial(float(bare), is_1904=is_1904))
    if found := _THREE.match(bare):
        return _from_numbers(text, found, order, century)
    if (found := _DAY_NAMED.match(lowered)) and (month := _month(found[2])):
        return _day(text, _year(text, found[3], century), month, int(found[1]))
    if (found := _NAMED_DAY.match(lowered)) and (month := _month(found[1])):
        return _day(text, _year(text, found[3], century), month, int(found[2]))
    named, numbered = _NAMED.match(lowered), _MONTH_AND_YEAR.match(bare)
    turned = _YEAR_AND_MONTH.match(bare)
    if named and (month := _month(named[1])):
        return _month_end(text, _year(text, named[2], century), month, is_end)
    if numbered:
        return _month_end(text, _year(text, numbered[2], century), int(numbered[1]), is_end)
    if turned:
        return _month_end(text, int(turned[1]), int(turned[2]), is_end)
    raise UnreadableDay(f"“{text[:40]}” cannot be read as a day.")


def end_in_note(note: str) -> str | None:
    """The end that a note tells of ("exp 03/2027", "expires 12.3.27"), as it is written there."""
    found = IN_A_NOTE.search(note)
    return found[1].strip() if found else None


def _bare(value: str) -> str:
    return _TIME.sub("", _END_WORDS.sub("", value.strip())).strip()


def _ends_in_two_digits(text: str) -> bool:
    lowered = text.lower()
    found = _DAY_NAMED.match(lowered) or _NAMED_DAY.match(lowered) or _NAMED.match(lowered)
    found = found or _MONTH_AND_YEAR.match(text)
    return found is not None and len(found.groups()[-1]) == 2


def _orders(first: str, second: str, third: str) -> frozenset[Order]:
    """The orders in which three numbers can be a day at all."""
    one, two, three = int(first), int(second), int(third)
    if len(first) > 2:
        return frozenset({Order.YEAR_FIRST}) if len(first) == 4 and two <= 12 and three <= 31 else frozenset()
    found = set()
    if len(third) in (2, 4):
        if 1 <= one <= 31 and 1 <= two <= 12:
            found.add(Order.DAY_FIRST)
        if 1 <= one <= 12 and 1 <= two <= 31:
            found.add(Order.MONTH_FIRST)
    if len(first) == 2 and len(third) <= 2 and 1 <= two <= 12 and 1 <= three <= 31:
        found.add(Order.YEAR_FIRST)
    return frozenset(found)


def _parts(order: Order, first: str, second: str, third: str) -> tuple[str, int, int]:
    """Year as written, month and day of three numbers in an order."""
    if order is Order.YEAR_FIRST:
        return first, int(second), int(third)
    if order is Order.DAY_FIRST:
        return third, int(second), int(first)
    return third, int(first), int(second)


def _from_numbers(text: str, found: re.Match[str], order: Order | None, century: Century | None) -> date:
    first, second, third = found.groups()
    if len(first) == 4:
        return _day(text, int(first), int(second), int(third))
    if len(first) == 3 or len(third) not in (1, 2, 4):
        raise UnreadableDay(f"“{text[:40]}” cannot be read as a day.")
    if order is Order.YEAR_FIRST and len(third) == 4:
        raise UnreadableDay(f"“{text[:40]}” does not begin with its year, as the column was said to.")
    if order is None:
        ways = {_parts(one, first, second, third) for one in _orders(first, second, third)}
        if len(ways) > 1:
            raise UnreadableDay(
                f"“{text[:40]}”: day or month first cannot be known. Say which, for this column."
            )
        if not ways:
            raise UnreadableDay(f"“{text[:40]}” is no day of the calendar.")
        year, month, day = next(iter(ways))
    else:
        year, month, day = _parts(order, first, second, third)
    return _day(text, _year(text, year, century), month, day)


def _year(text: str, written: str, century: Century | None) -> int:
    if len(written) == 4:
        return int(written)
    if century is None:
        raise UnreadableDay(f"“{text[:40]}” has a year of two digits. Say what they mean, for this column.")
    year = int(written)
    return 1900 + year if century is Century.SPLIT and year > SPLIT_AFTER else 2000 + year


def _day(text: str, year: int, month: int, day: int) -> date:
    if not 1 <= month <= 12:
        raise UnreadableDay(f"“{text[:40]}” is no day of the calendar: there is no month {month}.")
    if year < 1 or year > 9999:
        raise UnreadableDay(f"“{text[:40]}” is no day of the calendar.")
    if (month, day) == (2, 29) and days_in_month(year, 2) == 28:
        raise UnreadableDay(f"“{text[:40]}” never comes: {year} has no 29 February.")
    if not 1 <= day <= days_in_month(year, month):
        raise UnreadableDay(f"“{text[:40]}” is no day of the calendar.")
    return _within_years(date(year, month, day))


def _month_end(text: str, year: int, month: int, is_end: bool) -> date:
    if not is_end:
        raise UnreadableDay(f"“{text[:40]}” gives a month only; give the day.")
    if not 1 <= month <= 12:
        raise UnreadableDay(f"“{text[:40]}” is no month.")
    return _day(text, year, month, days_in_month(year, month))


def _month(word: str) -> int | None:
    return next((n for n, name in enumerate(_MONTHS, start=1) if name.startswith(word[:9])), None)


def _from_serial(number: float, *, is_1904: bool) -> date:
    """A day number of a spreadsheet: 1 is 1 January 1900 and 60 the 29 February that 1900 did not have, or
    counted from 1 January 1904. Source: ECMA-376 part 1, 18.17.4.1."""
    if not isfinite(number):
        raise UnreadableDay("That is not a day.")
    whole = int(number)
    if FIRST_YEAR <= whole <= LAST_YEAR:
        raise UnreadableDay(f"“{whole}” is a year only; give the day.")
    if not 0 < whole < 2_958_466:
        raise UnreadableDay(f"“{number:g}” is not a day.")
    if is_1904:
        return date(1904, 1, 1) + timedelta(days=whole)
    if whole == 60:
        raise UnreadableDay("Day number 60 stands for 29 February 1900, a day that never was.")
    return date(1899, 12, 31 if whole < 60 else 30) + timedelta(days=whole)


def _within_years(day: date) -> date:
    if day.year < FIRST_YEAR:
        raise UnreadableDay(f"{long_date(day)} is before {FIRST_YEAR}; no day of this register is.")
    if day.year > LAST_YEAR:
        raise UnreadableDay(f"{long_date(day)} is after {LAST_YEAR}; no day of this register is.")
    return day
