"""Most entries at a glance: their canonical bytes made straight from what SQLite has stored, and hashed.

An entry passes when the bytes made so have its leaf's hash. Nothing is ever found wrong here: whatever does
not pass, for whatever reason, is read again in full, column by column.
"""

import hashlib
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from itertools import chain
from json.encoder import encode_basestring as _quote
from types import NoneType
from typing import Any

from django.db import connection

from competence.models import JournalEntry, JournalledRow
from competence.queries.journal_tree import LeafTree

_sha256 = hashlib.sha256
_CHUNK = 5000
# What a moment's text lacks, by its length: whole seconds are stored without a fraction.
_SHORT = {19: ".000000+00:00", 26: "+00:00"}
# A sign before a column keeps its value from being converted: the text of a moment comes as it is stored.
_ENTRIES = (
    f"SELECT id, position, leaf, +at, by_id, action, reason FROM {JournalEntry._meta.db_table} ORDER BY id"  # noqa: S608
)
_ROWS = f"SELECT entry_id, kind, key, commitment FROM {JournalledRow._meta.db_table} ORDER BY entry_id, id"  # noqa: S608


class Glance:
    """What one reading over the entries saw. ``tree`` holds the sealed leaves where they stand in the order
    of their entries without a gap, else nothing; ``doubtful``: the numbers of entries that did not pass."""

    def __init__(self) -> None:
        self.entries = self.unsealed = self.rows = 0
        self.tree: LeafTree | None = LeafTree()
        self.doubtful: list[int] = []


def glance() -> Glance | None:
    """Two statements. ``None`` where the database is not SQLite: then all is read in full."""
    if connection.vendor != "sqlite":
        return None
    seen = Glance()
    with _read(_ENTRIES) as entries, _read(_ROWS) as rows:
        _look(seen, entries, rows)
    return seen


def _look(seen: Glance, entries: Iterator[tuple[Any, ...]], rows: Iterator[tuple[Any, ...]]) -> None:
    # A million times through here: what is counted is counted in names of this function's own.
    row, quoted, entered, spoken_of, place = next(rows, None), _Quoted(), 0, 0, 0
    leaves: list[bytes] = []
    for number, position, leaf, at, by, action, reason in entries:
        entered += 1
        spoken: list[str] = []
        try:
            # A word where a number belongs comes last, and compares with no number.
            while row is not None and row[0] < number:
                row = next(rows, None)
            while row is not None and row[0] == number:
                _, kind, key, commitment = row
                row = next(rows, None)
                spoken_of += 1
                spoken.append(f'[{quoted[kind]},{_quote(key)},"{commitment.hex()}"]')
            if at[10] != " " or type(by) not in (int, NoneType):
                raise ValueError(at)
            written = (
                f'{{"action":{quoted[action]},"at":"{at[:10]}T{at[11:]}{_SHORT[len(at)]}",'
                f'"by":{"null" if by is None else by},"reason":{_quote(reason)},"rows":[{",".join(spoken)}]}}'
            )
            is_sound = _sha256(b"\x00" + written.encode()).digest() == leaf
        except (TypeError, ValueError, KeyError, IndexError, AttributeError):
            is_sound = False
        if not is_sound:
            seen.doubtful.append(number)
        if position == place:
            place += 1
            leaves.append(leaf)
            if len(leaves) == _CHUNK:
                _append(seen, leaves)
                leaves = []
        elif position is None:
            seen.unsealed += 1
        else:
            seen.tree = None
    _append(seen, leaves)
    seen.entries, seen.rows = entered, spoken_of


class _Quoted(dict[str, str]):
    """JSON strings of words that come again and again."""

    def __missing__(self, word: str) -> str:
        self[word] = quoted = _quote(word)
        return quoted


@contextmanager
def _read(statement: str) -> Iterator[Iterator[tuple[Any, ...]]]:
    with connection.cursor() as cursor:
        cursor.execute(statement)
        # Chained rather than yielded one by one, which costs as much as the hashing does.
        yield chain.from_iterable(iter(partial(cursor.fetchmany, _CHUNK), []))


def _append(seen: Glance, leaves: list[bytes]) -> None:
    if seen.tree is not None:
        try:
            seen.tree.append_leaves(leaves)
        except (TypeError, ValueError):
            seen.tree = None
