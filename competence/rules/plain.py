"""Facts as plain values, so that a verdict can be stored with what it rested on."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from types import NoneType, UnionType
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

from .conditions import Conditions

Facts = TypeVar("Facts")


def as_plain(value: Any) -> Any:
    """A frozen dataclass of facts as values that JSON can hold: dates as ISO 8601, decimals as text, sets
    sorted."""
    if isinstance(value, Conditions):
        return value.as_plain()
    if is_dataclass(value) and not isinstance(value, type):
        return {field.name: as_plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, datetime | date):
        return value.isoformat()
    if isinstance(value, Decimal):
        return str(value)
    if isinstance(value, frozenset | set):
        return sorted(as_plain(item) for item in value)
    if isinstance(value, list | tuple):
        return [as_plain(item) for item in value]
    return value


def from_plain(kind: type[Facts], plain: Mapping[str, Any]) -> Facts:
    """The facts that ``as_plain`` stored, of the dataclass ``kind`` again. What was not stored, because the
    facts knew no such thing yet, has its default. Raises ``ValueError``, ``TypeError`` or ``KeyError`` where
    the stored form cannot be read."""
    if kind is Conditions:
        return Conditions.from_plain(plain)  # type: ignore[return-value]
    hints = get_type_hints(kind)
    stored = [field.name for field in fields(kind) if field.name in plain]  # type: ignore[arg-type]
    return kind(**{name: _read(hints[name], plain[name]) for name in stored})


def _read(hint: Any, value: Any) -> Any:
    if get_origin(hint) in (Union, UnionType):
        if value is None:
            return None
        hint = next(one for one in get_args(hint) if one is not NoneType)
    if get_origin(hint) is tuple:
        return tuple(_read(get_args(hint)[0], item) for item in value)
    if get_origin(hint) is frozenset:
        return frozenset(_read(get_args(hint)[0], item) for item in value)
    if is_dataclass(hint):
        return from_plain(hint, value)  # type: ignore[arg-type]
    if hint is date or hint is datetime:
        return hint.fromisoformat(value)
    if hint is Decimal or (isinstance(hint, type) and issubclass(hint, Enum)):
        return hint(value)
    return value
