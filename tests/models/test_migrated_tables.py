"""The migrations lead to the tables that the models describe, on which the other tests stand."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from django.core.management import call_command
from django.db import DEFAULT_DB_ALIAS, connection, connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations.executor import MigrationExecutor

# Kept by the migrations about themselves.
NO_MODEL = {"django_migrations"}


@pytest.mark.django_db
def test_no_change_of_a_model_lacks_its_migration() -> None:
    call_command("makemigrations", check_changes=True, dry_run=True)


@pytest.fixture
def migrated(tmp_path: Path, django_db_blocker) -> Iterator[BaseDatabaseWrapper]:
    """A database that only the migrations have made."""
    stated = {**connection.settings_dict, "NAME": str(tmp_path / "migrated.sqlite3")}
    made = type(connections[DEFAULT_DB_ALIAS])(stated, "migrated")
    connections["migrated"] = made
    with django_db_blocker.unblock():
        executor = MigrationExecutor(made)
        executor.migrate(executor.loader.graph.leaf_nodes())
        yield made
        made.close()
    del connections["migrated"]


@pytest.mark.slow
@pytest.mark.django_db
@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="elsewhere the test database is migrated itself")
def test_the_migrated_tables_are_those_of_the_models(migrated: BaseDatabaseWrapper) -> None:
    by_migrations, by_models = tables_of(migrated), tables_of(connection)
    assert by_migrations.keys() == by_models.keys()
    different = {
        name: by_migrations[name] ^ by_models[name]
        for name in by_models
        if by_migrations[name] != by_models[name]
    }
    assert different == {}


def tables_of(database: BaseDatabaseWrapper) -> dict[str, frozenset[str]]:
    """What SQLite keeps of each table, in no order: columns, constraints, indexes, triggers."""
    with database.cursor() as cursor:
        # What has no statement of its own, or has SQLite's name, SQLite made by itself.
        cursor.execute(
            "SELECT type, tbl_name, sql FROM sqlite_master WHERE sql <> '' AND name NOT LIKE 'sqlite%'"
        )
        rows = cursor.fetchall()
    found: dict[str, set[str]] = {}
    for kind, table, statement in rows:
        said = clauses(statement) if kind == "table" else {statement}
        found.setdefault(table, set()).update(said)
    return {name: frozenset(said) for name, said in found.items() if name not in NO_MODEL}


def clauses(statement: str) -> set[str]:
    """``CREATE TABLE t (a, b, CHECK (c, d))``: the clauses between the outermost brackets."""
    inside = statement[statement.index("(") + 1 : statement.rindex(")")]
    depth, parts = 0, [""]
    for token in re.findall(r"'(?:[^']|'')*'|\"(?:[^\"]|\"\")*\"|.", inside, re.DOTALL):
        depth += {"(": 1, ")": -1}.get(token, 0)
        if token == "," and depth == 0:
            parts.append("")
        else:
            parts[-1] += token
    return {part.strip() for part in parts}


def test_clauses_are_told_apart_and_each_is_kept_whole() -> None:
    statement = """CREATE TABLE "t" ("a" text DEFAULT 'x, (', "b" int, CONSTRAINT "c" CHECK (b IN (1, 2)))"""
    assert clauses(statement) == {
        """"a" text DEFAULT 'x, ('""",
        '"b" int',
        'CONSTRAINT "c" CHECK (b IN (1, 2))',
    }
