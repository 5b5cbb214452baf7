"""A row as the journal sees it: plain values, their commitment, and an entry's leaf."""

import json
from collections.abc import Iterable
from datetime import UTC, date, datetime, time
from decimal import Decimal
from functools import cache
from typing import Any
from uuid import UUID

import rfc8785
from django.db import models
from pymerkle.hasher import MerkleHasher

from .journal import JournalEntry

# Left out of a row's image: what changes without being a change of record, and what must not be copied.
UNJOURNALLED_FIELDS = {"password", "last_login"}

_HASHER = MerkleHasher("sha256")
_ENCODER = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def row_image(row: models.Model) -> dict[str, Any]:
    """Every stored field of a row, by column, as values that JSON can hold."""
    image = {}
    for name, field, kept_as_it_is in _columns(type(row)):
        value = getattr(row, name)
        # An import commits to rows by the hundred thousand: most columns need no look.
        image[name] = value if type(value) is kept_as_it_is else plain_value(field, value)
    return image


@cache
def _columns(model: type[models.Model]) -> tuple[tuple[str, models.Field, type | None], ...]:
    """Every stored field of a model, with the type of value that ``plain_value`` gives back as it is."""
    return tuple(
        (field.attname, field, _type_as_it_is(field))
        for field in model._meta.concrete_fields
        if field.name not in UNJOURNALLED_FIELDS
    )


def _type_as_it_is(field: models.Field) -> type | None:
    while isinstance(field, models.ForeignKey):
        field = field.target_field
    # A class of its own may read its values in its own way; Django's do not.
    if type(field) in (models.CharField, models.TextField):
        return str
    if type(field) is models.BooleanField:
        return bool
    whole = (models.AutoField, models.BigAutoField, models.IntegerField, models.BigIntegerField)
    whole += (models.PositiveIntegerField, models.PositiveSmallIntegerField, models.PositiveBigIntegerField)
    return int if type(field) in whole else None


def plain_value(field: models.Field, value: Any) -> Any:
    """One column's value as JSON can hold it."""
    # A row just made may still hold what was typed; the journal keeps what the database will give back.
    value = field.to_python(value)
    if isinstance(value, datetime):
        return value.astimezone(UTC).isoformat(timespec="microseconds")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value.quantize(Decimal(1).scaleb(-field.decimal_places)))
    if isinstance(value, UUID | models.fields.files.FieldFile):
        return str(value)
    if isinstance(value, bytes | memoryview):
        return bytes(value).hex()
    if isinstance(value, str) and hasattr(value, "value"):
        return value.value
    return value


def canonical(content: Any) -> bytes:
    """The canonical JSON (RFC 8785) of a value. Where it holds nothing that the two write differently
    (fractions, integers beyond 2**53, keys beyond ASCII), Python's own encoder gives the same bytes in a
    fraction of the time: an import of thousands of rows commits to each."""
    if _is_written_alike(content):
        return _ENCODER.encode(content).encode()
    return rfc8785.dumps(content)


def _is_written_alike(value: Any) -> bool:
    kind = type(value)
    if kind is str or value is None or kind is bool:
        return True
    if kind is int:
        return -(2**53) < value < 2**53
    if kind is list:
        return all(map(_is_written_alike, value))
    if kind is dict:
        return all(type(key) is str and key.isascii() for key in value) and all(
            map(_is_written_alike, value.values())
        )
    return False


def entry_bytes(entry: JournalEntry, rows: Iterable[tuple[str, str, bytes]]) -> bytes:
    """The canonical JSON of an entry: what the leaf of the tree is made from.

    ``rows`` are (kind, key, commitment) in the order of recording; personal content is only committed to.
    """
    return canonical(
        {
            "at": entry.at.astimezone(UTC).isoformat(timespec="microseconds"),
            "by": entry.by_id,
            "action": entry.action,
            "reason": entry.reason,
            "rows": [[kind, key, bytes(commitment).hex()] for kind, key, commitment in rows],
        }
    )


def leaf_of(entry: JournalEntry, rows: Iterable[tuple[str, str, bytes]]) -> bytes:
    """The RFC 6962 section 2.1 leaf hash of an entry: SHA-256(0x00 followed by its bytes)."""
    return _HASHER.hash_buff(entry_bytes(entry, rows))
