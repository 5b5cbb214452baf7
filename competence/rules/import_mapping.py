"""How a file is read, as it is kept while somebody works on it, and as a TOML document says it.

The kept form is plain values: ``headings_row`` (from 1), ``headings``, ``parts`` (one a column), ``orders``
and ``centuries`` by column, the meaning of words by kind, ``levels``, and ``same``: what was decided of two
numbers under one name.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from .import_rows import Meaning, Same
from .spreadsheet_columns import (
    DAYS,
    MANY,
    PART_WORDS,
    Part,
    as_text,
    category_in,
    folded,
    guess_parts,
    headings_row,
    level_of,
)
from .spreadsheet_dates import Century, ColumnAsks, Order, asks_of_column, end_in_note, is_nothing

WORD_KINDS = ("categories", "sites", "employers")
_PART_OF_KIND = {"categories": Part.CATEGORY, "sites": Part.SITE, "employers": Part.EMPLOYER}
KNOWN_TABLES = {"sheet", "headings_row", "columns", "order", "century", *WORD_KINDS, "levels", "same"}


class UnreadableMapping(ValueError):
    """A mapping does not fit the file; the sentence says what does not."""


@dataclass(frozen=True, slots=True)
class Question:
    """What a column of days leaves open, and must be told."""

    column: int
    heading: str
    asks: ColumnAsks


def first_mapping(rows: Sequence[Sequence[Any]], at: int | None = None) -> dict[str, Any]:
    """The first guess: which row holds the headings, and what each column holds. ``at``: the row, if told."""
    place = headings_row(rows) if at is None else at - 1
    heads = list(rows[place]) if place < len(rows) else []
    while (
        heads
        and is_nothing(heads[-1])
        and all(len(r) < len(heads) or r[len(heads) - 1] in ("", None) for r in rows)
    ):
        heads.pop()
    headings = [as_text(one) or f"Column {column_letters(n)}" for n, one in enumerate(heads)]
    parts = guess_parts(headings, rows[place + 1 : place + 400])
    return {
        "headings_row": place + 1,
        "headings": headings,
        "parts": [part.value for part in parts],
        "orders": {},
        "centuries": {},
        **{kind: {} for kind in WORD_KINDS},
        "levels": {},
        "same": [],
    }


def column_letters(place: int) -> str:
    """A column as spreadsheets call it: 0 is A, 26 is AA."""
    letters = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        letters = chr(65 + rest) + letters
    return letters


def open_questions(rows: Sequence[Sequence[Any]], mapping: Mapping[str, Any]) -> list[Question]:
    """Each column of days whose order or century cannot be known from its values."""
    return [
        Question(place, mapping["headings"][place], asks)
        for place, asks in column_asks(rows, mapping).items()
        if asks.is_order_open or asks.is_century_open
    ]


def column_asks(rows: Sequence[Sequence[Any]], mapping: Mapping[str, Any]) -> dict[int, ColumnAsks]:
    """By column of days, or of notes that tell of an end: what its values settle and leave open."""
    found = {}
    for place, name in enumerate(mapping["parts"]):
        part = Part(name)
        if part not in DAYS and part is not Part.NOTES:
            continue
        values: Iterable[Any] = _column(rows, mapping, place)
        if part is Part.NOTES:
            values = [end for value in values if (end := end_in_note(as_text(value)))]
        found[place] = asks_of_column(values)
    return found


def words_of(rows: Sequence[Sequence[Any]], mapping: Mapping[str, Any]) -> dict[str, Counter[str]]:
    """The file's own words for categories, sites and employers, and for levels that are not understood, as
    first typed, and how often each comes."""
    found: dict[str, Counter[str]] = {}
    for kind, part in _PART_OF_KIND.items():
        typed: dict[str, str] = {}
        times: Counter[str] = Counter()
        for place, name in enumerate(mapping["parts"]):
            if name == part.value:
                for value in _column(rows, mapping, place):
                    _count(as_text(value), typed, times)
            elif name == Part.TICKET_TO.value and kind == "categories":
                filled = sum(not is_nothing(value) for value in _column(rows, mapping, place))
                if filled:
                    _count(category_in(mapping["headings"][place]), typed, times, filled)
        found[kind] = times
    found["levels"] = _unknown_levels(rows, mapping)
    return found


def _unknown_levels(rows: Sequence[Sequence[Any]], mapping: Mapping[str, Any]) -> Counter[str]:
    typed: dict[str, str] = {}
    times: Counter[str] = Counter()
    for place, name in enumerate(mapping["parts"]):
        if name == Part.LEVEL.value:
            for value in _column(rows, mapping, place):
                if level_of(as_text(value)) is None:
                    _count(as_text(value), typed, times)
    return times


def _count(word: str, typed: dict[str, str], times: Counter[str], many: int = 1) -> None:
    if not is_nothing(word):
        times[typed.setdefault(folded(word), word)] += many


def _column(rows: Sequence[Sequence[Any]], mapping: Mapping[str, Any], place: int) -> Iterator[Any]:
    for row in rows[mapping["headings_row"] :]:
        if place < len(row):
            yield row[place]


def meaning_of(
    rows: Sequence[Sequence[Any]], mapping: Mapping[str, Any], *, is_1904: bool = False
) -> Meaning:
    """The kept mapping as the reading of rows takes it; what the values settle needs no telling."""
    told = {int(place): Order(order) for place, order in mapping["orders"].items() if order}
    settled = {
        place: asks.order for place, asks in column_asks(rows, mapping).items() if asks.order is not None
    }
    return Meaning(
        parts=tuple(Part(name) for name in mapping["parts"]),
        orders={**settled, **told},
        centuries={int(place): Century(one) for place, one in mapping["centuries"].items() if one},
        categories=mapping["categories"],
        sites=mapping["sites"],
        employers=mapping["employers"],
        levels=mapping["levels"],
        same=tuple(Same((first, second), use) for first, second, use in mapping["same"]),
        is_1904=is_1904,
    )


def problems_of(parts: Sequence[str]) -> list[str]:
    """What keeps a choice of columns from being used, as sentences."""
    found = Counter(parts)
    problems = [
        f"Two columns are said to be {PART_WORDS[Part(name)].lower()}; choose one."
        for name, times in found.items()
        if times > 1 and Part(name) not in MANY
    ]
    if not found[Part.NUMBER.value]:
        problems.append("Say which column holds the operator number.")
    has_name = found[Part.NAME.value] or (found[Part.GIVEN_NAME.value] and found[Part.FAMILY_NAME.value])
    if not has_name:
        problems.append("Say which column holds the name: whole, or given and family name apart.")
    if found[Part.CATEGORY.value] and found[Part.TICKET_TO.value]:
        problems.append("Either one column names the category, or columns of last days do; not both.")
    return problems


def mapping_from_toml(document: Mapping[str, Any], rows: Sequence[Sequence[Any]]) -> dict[str, Any]:
    """The kept form of a TOML document, which names columns by their headings. Raises
    ``UnreadableMapping``."""
    if unknown := set(document) - KNOWN_TABLES:
        raise UnreadableMapping(f"The mapping has unknown parts: {', '.join(sorted(unknown))}.")
    at = document.get("headings_row")
    if at is not None and (not isinstance(at, int) or not 1 <= at <= len(rows)):
        raise UnreadableMapping("headings_row is a row of the sheet, counted from 1.")
    mapping = first_mapping(rows, at)
    places = {folded(heading): place for place, heading in enumerate(mapping["headings"])}
    if columns := document.get("columns"):
        mapping["parts"] = [""] * len(mapping["headings"])
        for name, headings in columns.items():
            if name not in Part._value2member_map_ or not name:
                raise UnreadableMapping(
                    f"There is no part {name}. There are: {', '.join(p for p in Part if p)}."
                )
            for heading in [headings] if isinstance(headings, str) else headings:
                mapping["parts"][_place(places, heading)] = name
    if problems := problems_of(mapping["parts"]):
        raise UnreadableMapping(" ".join(problems))
    for table, kept, kind in (("order", "orders", Order), ("century", "centuries", Century)):
        for heading, value in document.get(table, {}).items():
            if value not in kind._value2member_map_:
                raise UnreadableMapping(f"{table} of “{heading}” is one of: {', '.join(kind)}.")
            mapping[kept][str(_place(places, heading))] = value
    for kind_of_word in (*WORD_KINDS, "levels"):
        mapping[kind_of_word] = {folded(k): v for k, v in document.get(kind_of_word, {}).items()}
    for decided in document.get("same", []):
        numbers = decided.get("numbers", [])
        if len(numbers) != 2 or decided.get("use", "") not in ("", *numbers):
            raise UnreadableMapping("[[same]] names two numbers and, for one person, which of them to use.")
        mapping["same"].append([*numbers, decided.get("use", "")])
    return mapping


def _place(places: Mapping[str, int], heading: str) -> int:
    if folded(heading) not in places:
        raise UnreadableMapping(f"The sheet has no column “{heading}”.")
    return places[folded(heading)]
