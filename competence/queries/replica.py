"""Reading some pages from a copy of the database that follows it (a streaming replica); never deciding by it.

Off without REGISTER_REPLICA_URL. Everything is read from the database itself unless a page says otherwise
(``views.reading.reads_from_replica``). Even there the database itself gives who somebody is and what they
may do, and every fact that the gate rests on; and it alone is written to.
"""

import functools
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.conf import settings
from django.db import DatabaseError, connections, models

PRIMARY, REPLICA = "default", "replica"
# A copy is asked at most once a second how far it is, and one that does not answer not again for a while.
ASKED_EVERY, LEFT_ALONE_FOR = 1.0, 30.0
# Who somebody is and what they may do is never read from a copy. Writing these is no change of the register.
ABOUT_PEOPLE_SIGNED_IN = frozenset({"sessions", "auth", "axes", "otp_totp", "otp_static", "contenttypes"})
WHO_MAY = frozenset({"competence.account", "competence.role"})

Answer = TypeVar("Answer")


class WroteOnACopy(Exception):
    """A page that reads from the replica went on to write: it must be done again from the database itself."""


@dataclass
class Reading:
    """Of one request: the moment up to which the copy holds everything, where it reads from it; and whether
    it wrote."""

    as_of: datetime | None = None
    has_written: bool = False


_reading: ContextVar[Reading | None] = ContextVar("reading", default=None)


def current() -> Reading | None:
    return _reading.get()


@contextmanager
def one_request() -> Iterator[Reading]:
    """Inside, it is kept in mind what this request reads from and whether it writes."""
    token = _reading.set(Reading())
    try:
        yield _reading.get()
    finally:
        _reading.reset(token)


@contextmanager
def from_replica(as_of: datetime) -> Iterator[None]:
    """Inside, reads go to the replica, which holds everything up to ``as_of``."""
    token = _reading.set(Reading(as_of=as_of))
    try:
        yield
    finally:
        _reading.reset(token)


def from_primary(ask: Callable[..., Answer]) -> Callable[..., Answer]:
    """For what decides: what ``ask`` reads comes from the database itself, whatever page asks. Its answer
    must be read when it returns, not a queryset still to be asked."""

    @functools.wraps(ask)
    def asked(*args: Any, **kwargs: Any) -> Answer:
        now_reading = _reading.get()
        if now_reading is None or now_reading.as_of is None:
            return ask(*args, **kwargs)
        token = _reading.set(None)
        try:
            return ask(*args, **kwargs)
        finally:
            _reading.reset(token)

    return asked


class Router:
    """Which database Django asks: always the database itself, but for reads of a page that says otherwise."""

    def db_for_read(self, model: type[models.Model], **hints: Any) -> str:
        reading = _reading.get()
        if reading is None or reading.as_of is None or _is_never_from_a_copy(model):
            return PRIMARY
        return REPLICA

    def db_for_write(self, model: type[models.Model], **hints: Any) -> str:
        reading = _reading.get()
        if reading is not None and model._meta.app_label not in ABOUT_PEOPLE_SIGNED_IN:
            if reading.as_of is not None:
                raise WroteOnACopy(model._meta.label)
            reading.has_written = True
        return PRIMARY

    def allow_relation(self, one: models.Model, other: models.Model, **hints: Any) -> bool:
        return True

    def allow_migrate(self, db: str, app_label: str, **hints: Any) -> bool:
        return db == PRIMARY


def _is_never_from_a_copy(model: type[models.Model]) -> bool:
    return model._meta.app_label in ABOUT_PEOPLE_SIGNED_IN or model._meta.label_lower in WHO_MAY


# How far the copy is -------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Asked:
    """What was found when the copy was last asked; ``at`` on this process's own steady clock."""

    at: float
    as_of: datetime | None
    is_fresh: bool
    is_away: bool


_last: _Asked | None = None


def fresh_as_of() -> datetime | None:
    """The moment up to which the copy holds everything; ``None`` where there is no copy, it does not answer,
    or it is more than REGISTER_REPLICA_STALE_SECONDS behind. Three statements, at most once a second."""
    global _last
    if REPLICA not in connections.settings:
        return None
    moment = time.monotonic()
    if _last is None or moment - _last.at > (LEFT_ALONE_FOR if _last.is_away else ASKED_EVERY):
        _last = _ask(moment)
    return _last.as_of if _last.is_fresh else None


def leave_alone() -> None:
    """The copy failed in the middle of a page: it is not asked again for a while."""
    global _last
    _last = _Asked(time.monotonic(), None, is_fresh=False, is_away=True)


def _ask(moment: float) -> _Asked:
    try:
        now, as_of = _held_by_copy()
    except DatabaseError:
        connections[REPLICA].close()
        return _Asked(moment, None, is_fresh=False, is_away=True)
    stale = timedelta(seconds=settings.REPLICA_STALE_SECONDS)
    return _Asked(moment, as_of, is_fresh=as_of is not None and now - as_of <= stale, is_away=False)


def _held_by_copy() -> tuple[datetime, datetime | None]:
    """What the database's clock says, and up to when, by that clock, the copy holds everything.

    The moment of the last change that was repeated (pg_last_xact_replay_timestamp) alone would call the copy
    of a quiet register old; that a copy has repeated all that it received would call one fresh that is cut
    off. So the database is asked first how far it had written: a copy that is there holds everything.
    """
    with connections[PRIMARY].cursor() as cursor:
        cursor.execute("SELECT clock_timestamp(), pg_current_wal_flush_lsn()::text")
        now, written = cursor.fetchone()
    with connections[REPLICA].cursor() as cursor:
        cursor.execute(
            "SELECT pg_is_in_recovery(), pg_last_wal_replay_lsn() >= %s::pg_lsn,"
            " pg_last_xact_replay_timestamp()",
            [written],
        )
        follows, is_there, repeated_at = cursor.fetchone()
    if not follows:
        # Somebody made it a database of its own: what it holds is no copy any more.
        return now, None
    return now, now if is_there else repeated_at
