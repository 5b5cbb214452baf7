"""Which column of a spreadsheet holds what, guessed from its heading and its values; and words compared."""

import re
import unicodedata
from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from functools import lru_cache
from typing import Any

from .spreadsheet_dates import end_in_note, is_nothing


class Part(StrEnum):
    """What a column can hold. ``TICKET_TO``: the last days of one category, which the heading names."""

    NUMBER = "number"
    NAME = "name"
    GIVEN_NAME = "given_name"
    FAMILY_NAME = "family_name"
    EMPLOYER = "employer"
    SITE = "site"
    STARTED_ON = "started_on"
    CATEGORY = "category"
    LEVEL = "level"
    FIRST_DAY = "first_day"
    LAST_DAY = "last_day"
    MEDICAL_ON = "medical_on"
    MEDICAL_TO = "medical_to"
    INDUCTION_ON = "induction_on"
    MODEL = "model"
    MODEL_ON = "model_on"
    NOTES = "notes"
    TICKET_TO = "ticket_to"
    NOTHING = ""


# In words, as the columns page and the file given back say them; in the order of the usual spreadsheet.
PART_WORDS: dict[Part, str] = {
    Part.NUMBER: "Operator number",
    Part.NAME: "Name, whole",
    Part.GIVEN_NAME: "Given name",
    Part.FAMILY_NAME: "Family name",
    Part.EMPLOYER: "Employer",
    Part.SITE: "Site",
    Part.STARTED_ON: "First day at work",
    Part.CATEGORY: "Category",
    Part.LEVEL: "Level",
    Part.FIRST_DAY: "Ticket, first day",
    Part.LAST_DAY: "Ticket, last day",
    Part.MEDICAL_ON: "Medical, done on",
    Part.MEDICAL_TO: "Medical, counts to",
    Part.INDUCTION_ON: "Site induction, done on",
    Part.MODEL: "Familiarised with, make and model",
    Part.MODEL_ON: "Familiarised on",
    Part.NOTES: "Notes",
    Part.TICKET_TO: "Last day of the ticket that the heading names",
}

DAYS = frozenset(
    {
        Part.STARTED_ON,
        Part.FIRST_DAY,
        Part.LAST_DAY,
        Part.MEDICAL_ON,
        Part.MEDICAL_TO,
        Part.INDUCTION_ON,
        Part.MODEL_ON,
        Part.TICKET_TO,
    }
)
ENDS = frozenset({Part.LAST_DAY, Part.MEDICAL_TO, Part.TICKET_TO})
# Several columns may be of these; of every other part there is one.
MANY = frozenset({Part.TICKET_TO, Part.NOTES, Part.NOTHING})

# The first pattern that a heading fits says what it holds; usual words of the trade.
_HEADINGS: tuple[tuple[Part, str], ...] = (
    (Part.FAMILY_NAME, r"surname|family name|last name"),
    (Part.GIVEN_NAME, r"given name|first name|forename"),
    (Part.MEDICAL_ON, r"medical.*\b(on|date|done|passed|taken|examined|from)\b"),
    (Part.MEDICAL_TO, r"medical|fitness|health"),
    (Part.INDUCTION_ON, r"induct"),
    (Part.MODEL_ON, r"familiari[sz].*\b(on|date)\b"),
    (Part.MODEL, r"familiari[sz]|\bmodel\b"),
    (Part.STARTED_ON, r"\bstarted\b|start date|\bjoined\b|\bhired\b|employed (since|from)|first day at work"),
    (
        Part.NUMBER,
        r"\b(operator|op|employee|staff|clock|badge|payroll|personnel|works|person)\b.*\b(no|nr|number|id)\b"
        r"|^(no|nr|number|id|badge|clock)$",
    ),
    (Part.EMPLOYER, r"employer|company|\bfirm\b|contractor"),
    (Part.SITE, r"\bsite\b|location|depot|^quarry$"),
    (Part.LEVEL, r"\blevel\b|\bgrade\b"),
    (Part.LAST_DAY, r"\bexp|valid (to|until)|last day|\buntil\b|^to$|\bends?\b|renew|\bdue\b"),
    (Part.FIRST_DAY, r"\bissued?\b|valid from|first day|^from$|\bpassed\b"),
    (Part.CATEGORY, r"categor|machine|\bplant\b|^ticket$|equipment|^type$"),
    (Part.NOTES, r"\bnotes?\b|remark|comment"),
    (Part.NAME, r"\bname\b|^operator$|^employee$|^person$"),
)
_COMPILED = tuple((part, re.compile(pattern)) for part, pattern in _HEADINGS)
_EXPIRY_WORDS = re.compile(
    r"\b(expiry|expires|exp|valid to|valid until|until|end date|date|ticket|last day)\b\.?", re.IGNORECASE
)


@lru_cache(maxsize=50_000)
def folded(text: str) -> str:
    """Words as they are compared: without accents, capitals, and more than one space."""
    taken_apart = unicodedata.normalize("NFKD", text.casefold())
    return " ".join("".join(c for c in taken_apart if not unicodedata.combining(c)).split())


@lru_cache(maxsize=50_000)
def as_text(value: Any) -> str:
    """A cell as its text: a whole number without the point that a spreadsheet adds, lines made one."""
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    if isinstance(value, date):
        return value.isoformat()[:10]
    return " ".join(unicodedata.normalize("NFC", str(value)).replace("\x00", "").split())


# Headings as this register writes them itself.
_OWN_WORDS = {folded(words): part for part, words in PART_WORDS.items() if part is not Part.TICKET_TO}


def headings_row(rows: Sequence[Sequence[Any]], within: int = 15) -> int:
    """Which of the first rows holds the headings: the one most of which is understood, or the first such."""
    best, most = 0, -1
    for place, row in enumerate(rows[:within]):
        texts = [value for value in row if isinstance(value, str) and value.strip()]
        understood = len({_of_heading(text) for text in texts} - {None})
        if len(texts) >= 2 and understood > most:
            best, most = place, understood
    return best


def guess_parts(headings: Sequence[str], rows: Sequence[Sequence[Any]]) -> list[Part]:
    """What each column holds, as far as heading and values say; what is not understood is nothing.

    Without a column of categories, a column of days whose heading says nothing else is the last days of the
    category that its heading names: one row a person, one column a category.
    """
    found: list[Part] = []
    for heading in headings:
        part = _of_heading(heading) or Part.NOTHING
        found.append(Part.NOTHING if part in found and part not in MANY else part)
    if Part.CATEGORY in found:
        return found
    for place, (heading, part) in enumerate(zip(headings, found, strict=True)):
        if part not in (Part.NOTHING, Part.LAST_DAY) or not category_in(heading):
            continue
        values = [row[place] for row in rows if place < len(row) and not is_nothing(row[place])]
        if values and sum(_looks_like_a_day(value) for value in values) * 2 > len(values):
            found[place] = Part.TICKET_TO
    return found


def category_in(heading: str) -> str:
    """The category that the heading of a column of last days names: "Crane expiry" says "Crane"."""
    return " ".join(re.sub(r"[-()]", " ", _EXPIRY_WORDS.sub(" ", heading)).split())


def split_name(whole: str) -> tuple[str, str] | None:
    """Given and family name, as typed: "Family, Given" or "Given Family"; ``None`` for one word alone."""
    family, comma, given = whole.partition(",")
    if comma:
        return (given.strip(), family.strip()) if given.strip() and family.strip() else None
    given, _, family = whole.rpartition(" ")
    return (given, family) if given and family else None


def closest(said: str, offered: dict[str, Sequence[str]]) -> str | None:
    """Which of the offered is meant: ``offered`` holds, by key, the words that each goes by. The same words;
    else, one only whose words hold all of what was said, or that stand whole in it."""
    wanted = folded(said)
    known = {key: {folded(word) for word in words if word} for key, words in offered.items()}
    same = [key for key, words in known.items() if wanted in words]
    if len(same) == 1:
        return same[0]
    asked = set(wanted.split())
    near = [
        key
        for key, words in known.items()
        if any(asked and (asked <= set(word.split()) or set(word.split()) <= asked) for word in words)
    ]
    return near[0] if len(near) == 1 and not same else None


LEVEL_WORDS = {
    "full": ("full", "f", "qualified", "competent", "operator", "experienced"),
    "trainee": ("trainee", "t", "learner", "supervised", "trainee, supervised", "provisional"),
}


def level_of(said: str) -> str | None:
    """The level that a word means: by the usual words, else ``None``."""
    wanted = folded(said)
    return next((level for level, words in LEVEL_WORDS.items() if wanted in words), None)


def _of_heading(heading: Any) -> Part | None:
    whole = folded(str(heading))
    if whole in _OWN_WORDS:
        return _OWN_WORDS[whole]
    words = " ".join(re.sub(r"[^a-z0-9 ]", " ", whole).split())
    return next((part for part, pattern in _COMPILED if pattern.search(words)), None)


def _looks_like_a_day(value: Any) -> bool:
    if isinstance(value, date):
        return True
    if isinstance(value, bool):
        return False
    if isinstance(value, int | float):
        return 20_000 < value < 80_000
    text = str(value).strip()
    return bool(re.search(r"\d", text)) and (
        bool(re.match(r"^\d{1,4}\s*[./ -]\s*(\d{1,2}|[A-Za-z]{3,9})([./ -]\s*\d{1,4})?$", text))
        or end_in_note(text) is not None
    )
