"""Rows by the million: copies of one valid row, made by the database itself, with the columns that differ."""

from typing import Any

from django.db import connection, models

# Above every key that the world's own rows have, so that a copy's key is this and its running number.
BASE = 1_000_000


def day(days: str) -> str:
    """The day so many days from today; the number is an expression."""
    if connection.vendor == "sqlite":
        return f"date('now', ({days}) || ' days')"
    return f"(current_date + ({days})::int)"


def ago(seconds: str) -> str:
    """The moment so many seconds ago, at least one of them."""
    if connection.vendor == "sqlite":
        return f"strftime('%Y-%m-%d %H:%M:%S', 'now', '-' || ({seconds}) || ' seconds')"
    return f"(now() - ({seconds}) * interval '1 second')"


def an_id() -> str:
    return "lower(hex(randomblob(16)))" if connection.vendor == "sqlite" else "gen_random_uuid()"


def octets(number: int) -> str:
    """Bytes that nobody can guess or press together, 16 or 32."""
    if connection.vendor == "sqlite":
        return f"randomblob({number})"
    return f"substr(sha256(convert_to(random()::text, 'UTF8')), 1, {number})"


def plain(expression: str) -> str:
    """Text that is JSON, as the column holds it."""
    return expression if connection.vendor == "sqlite" else f"CAST({expression} AS jsonb)"


def one_of(keys: list[int], number: str) -> str:
    whens = " ".join(f"WHEN {place} THEN {key}" for place, key in enumerate(keys))
    return f"CASE ({number}) % {len(keys)} {whens} END"


def run(sql: str) -> int:
    with connection.cursor() as cursor:
        cursor.execute(sql)
        return cursor.rowcount


def table(model: type[models.Model]) -> str:
    return connection.ops.quote_name(model._meta.db_table)


def series(count: int) -> str:
    return (
        "(WITH RECURSIVE up(n) AS (SELECT CAST(0 AS bigint) UNION ALL SELECT n + 1 FROM up "
        f"WHERE n + 1 < {count}) SELECT n FROM up) AS s"
    )


def numbered(name: str, count: int) -> str:
    """A table of so many running numbers, each with a random id, as a source for ``copies``."""
    kind = "char(32)" if connection.vendor == "sqlite" else "uuid"
    run(f"CREATE TABLE {name} (n bigint PRIMARY KEY, id {kind} NOT NULL)")
    run(f"INSERT INTO {name} (n, id) SELECT s.n, {an_id()} FROM {series(count)}")
    return name


def copies(row: models.Model, source: str, *, where: str = "", on_conflict: str = "", **columns: Any) -> int:
    """Copy ``row`` once for each row of ``source``, which goes by the name ``s``; how many were added.

    ``columns``: expressions by attribute name, of ``s`` and of the row itself, ``r``. A key that the
    database gives is left to it unless it is stated.
    """
    model = type(row)
    names, values = [], []
    for field in model._meta.concrete_fields:
        given = columns.pop(field.attname, None)
        if given is None and field.primary_key and isinstance(field, models.AutoField):
            continue
        column = connection.ops.quote_name(field.column)
        names.append(column)
        values.append(str(given) if given is not None else f"r.{column}")
    if columns:
        raise ValueError(f"{model.__name__} has no {', '.join(columns)}")
    key = model._meta.pk.get_db_prep_value(row.pk, connection)
    key = key if isinstance(key, int) else f"'{key}'"
    # CROSS JOIN keeps SQLite to this order, so that rows are added in the order of the source.
    return run(
        f"INSERT INTO {table(model)} ({', '.join(names)}) SELECT {', '.join(values)} "
        f"FROM {source} CROSS JOIN {table(model)} AS r "
        f"WHERE r.{connection.ops.quote_name(model._meta.pk.column)} = {key} {where} {on_conflict}"
    )


def hurry() -> None:
    """Nothing of a scratch register needs to survive a power cut, and every row copied is good."""
    if connection.vendor == "sqlite":
        for pragma in ("foreign_keys=OFF", "journal_mode=MEMORY", "synchronous=OFF", "cache_size=-1000000"):
            run(f"PRAGMA {pragma}")
    else:
        run("SET session_replication_role = replica")
        run("SET synchronous_commit = off")
        run("SET work_mem = '256MB'")
        run("SET maintenance_work_mem = '512MB'")


def settle() -> None:
    """Give keys from here on, and let the planner know what there is."""
    if connection.vendor == "sqlite":
        run("ANALYZE")
    else:
        from django.apps import apps
        from django.core.management.color import no_style

        for sql in connection.ops.sequence_reset_sql(no_style(), list(apps.get_models())):
            run(sql)
        run("VACUUM ANALYZE")
    connection.close()
