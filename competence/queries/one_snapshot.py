"""Reading many things as they were at one moment."""

from collections.abc import Iterator
from contextlib import contextmanager

from django.db import connection, transaction


@contextmanager
def one_snapshot() -> Iterator[None]:
    """Everything inside sees the database as it was at one moment, and keeps no writer waiting. It is for
    reading: what is written inside is taken back on SQLite, and refused on PostgreSQL."""
    if connection.in_atomic_block:
        yield
    elif connection.vendor == "sqlite":
        # Django would begin IMMEDIATE, which would stop every writer until the end.
        with connection.cursor() as cursor:
            cursor.execute("BEGIN DEFERRED")
        try:
            yield
        finally:
            connection.connection.rollback()
    else:
        with transaction.atomic(), connection.cursor() as cursor:
            cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
            yield
