"""The moment at which an action happens."""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import datetime

from django.conf import settings
from django.utils import timezone

_told: ContextVar[datetime | None] = ContextVar("told_moment", default=None)


def now() -> datetime:
    return _told.get() or timezone.now()


@contextmanager
def as_if_at(moment: datetime) -> Iterator[None]:
    """Write an invented history: actions inside happen at ``moment``. Never on a register in earnest."""
    if settings.IS_PRODUCTION:
        raise RuntimeError("the clock of a register in production cannot be set")
    token = _told.set(moment)
    try:
        yield
    finally:
        _told.reset(token)


def is_told() -> bool:
    """Whether an invented history is being written, rather than what happens now."""
    return _told.get() is not None
