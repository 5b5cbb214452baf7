"""Facts as plain values, so that a verdict can be stored with what it rested on."""

from dataclasses import fields, is_dataclass
from datetime import date, datetime
from decimal import Decimal
from enum import Enum
from typing import Any

from .conditions import Conditions


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
