"""Every landed schema, with rows in it, brought to the newest; and what each step locks, timed:

    uv run python -m tests.drills.migrating                # SQLite: from every landed schema
    uv run python -m tests.drills.migrating --rows 200000  # PostgreSQL of its own: locks and seconds

The rows are made by the factories at the newest schema and taken back step by step to the first; at each step
a copy is kept of what a register of that day would hold. Ends with 1 if a row was lost or changed.
"""

import argparse
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from tests.drills.rig import programs

APPS = ("competence", "assessments")
# In these modes nobody reads the table (ACCESS EXCLUSIVE), or nobody writes it (the others).
SHUTS = ("AccessExclusiveLock", "ExclusiveLock", "ShareRowExclusiveLock", "ShareLock")
# So long may people wait for a table while the register stays in use.
MOST_SECONDS = 5.0

Rows = dict[str, list[dict]]


def set_up(database_url: str, data: Path) -> None:
    os.environ.update(
        {"DATABASE_URL": database_url, "REGISTER_DATA": str(data), "REGISTER_SEAL_SECONDS": "-1"}
    )
    os.environ["DJANGO_SETTINGS_MODULE"] = "competence.settings"
    import django

    django.setup()


def landed() -> list[tuple[str, str]]:
    """The migrations of both apps, in the order in which a register took them."""
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    executor = MigrationExecutor(connection)
    plan = executor.migration_plan(executor.loader.graph.leaf_nodes(), clean_start=True)
    return [(one.app_label, one.name) for one, _ in plan if one.app_label in APPS]


def migrate_to(targets: list[tuple[str, str]]) -> None:
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    executor = MigrationExecutor(connection)
    executor.loader.build_graph()
    executor.migrate(targets)


def schema_after(steps: list[tuple[str, str]], count: int) -> list[tuple[str, str]]:
    """What the first ``count`` steps amount to: the newest migration of each app, or none of it."""
    newest = dict.fromkeys(APPS)
    newest.update(dict(steps[:count]))
    return [(app, name) for app, name in newest.items()]


# From every landed schema --------------------------------------------------------------------------------


def every_row(file: Path) -> Rows:
    with closing(sqlite3.connect(file)) as database:
        database.row_factory = sqlite3.Row
        names = database.execute(
            "SELECT name FROM sqlite_master WHERE type = 'table'"
            " AND (name LIKE 'competence%' OR name LIKE 'assessments%')"
        ).fetchall()
        return {
            name: [dict(row) for row in database.execute(f'SELECT * FROM "{name}" ORDER BY rowid')]
            for (name,) in names
        }


def lost_or_changed(before: Rows, after: Rows) -> list[str]:
    """What stood before and does not now. A table or a column may come; none may go with what it held."""
    wrong = []
    for table, rows in before.items():
        now = after.get(table, [])
        if len(now) != len(rows):
            wrong.append(f"{table}: {len(rows)} rows became {len(now)}")
            continue
        for row, same in zip(rows, now, strict=True):
            gone = {name for name, value in row.items() if value is not None and same.get(name) != value}
            if gone:
                wrong.append(f"{table}: {', '.join(sorted(gone))} of a row changed")
                break
    return wrong


def made_of_every_day(folder: Path) -> list[tuple[str, Path]]:
    """A register as it was on the day of each landed step, newest first: its name and its file."""
    from django.core.management import call_command
    from django.db import connection

    file = Path(connection.settings_dict["NAME"])
    call_command("migrate", verbosity=0, interactive=False)
    from tests.actions.journalled_register import make_register
    from tests.doors.world import make_world

    make_register()
    make_world()
    steps, kept = landed(), []
    for count in range(len(steps), 1, -1):
        if count < len(steps):
            migrate_to(schema_after(steps, count))
        connection.close()
        copy = folder / f"after-{count:02}.sqlite3"
        with closing(sqlite3.connect(file)) as now, closing(sqlite3.connect(copy)) as to:
            now.backup(to)
        kept.append((".".join(steps[count - 1]), copy))
        if {app for app, _ in steps[: count - 1]} != set(APPS):
            break
    return kept


def from_every_landed_schema(folder: Path) -> list[str]:
    """Bring each to the newest; what was lost or changed on the way, by the schema that it came from."""
    from django.db import connection

    file, wrong = Path(connection.settings_dict["NAME"]), []
    for name, copy in made_of_every_day(folder):
        before = every_row(copy)
        connection.close()
        for ending in ("", "-wal", "-shm"):
            Path(f"{file}{ending}").unlink(missing_ok=True)
        shutil.copy(copy, file)
        began = time.monotonic()
        migrate_to(connection_leaves())
        connection.close()
        found = lost_or_changed(before, every_row(file))
        count = sum(map(len, before.values()))
        print(
            f"{'FAILS' if found else 'held '} from {name}: {count} rows in {len(before)} tables, "
            f"{time.monotonic() - began:.1f} s. {'; '.join(found)}",
            flush=True,
        )
        wrong += [f"from {name}: {one}" for one in found]
    return wrong


def connection_leaves() -> list[tuple[str, str]]:
    from django.db import connection
    from django.db.migrations.executor import MigrationExecutor

    return MigrationExecutor(connection).loader.graph.leaf_nodes()


# What each step locks ------------------------------------------------------------------------------------


@contextmanager
def a_postgres(folder: Path) -> Iterator[str]:
    """A cluster of its own on a socket in ``folder``; its address."""
    as_user = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
    if as_user:
        shutil.chown(folder, "postgres")
    rows = str(folder / "rows")

    def ask(program: str, *arguments: str) -> None:
        command = [*as_user, str(programs() / program), *arguments]
        subprocess.run(command, check=True, cwd=folder, stdout=subprocess.DEVNULL, stdin=subprocess.DEVNULL)

    ask("initdb", "-D", rows, "-U", "register", "--auth=trust", "-N", "-E", "UTF8", "--locale=C.UTF-8")
    asked = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c max_wal_size=4GB"
    ask("pg_ctl", "-D", rows, "-w", "-s", "-l", str(folder / "log"), "-o", asked, "start")
    try:
        ask("createdb", "-h", str(folder), "-U", "register", "register")
        yield f"postgres://register@{str(folder).replace('/', '%2F')}/register"
    finally:
        ask("pg_ctl", "-D", rows, "-m", "immediate", "-s", "stop")


def fill_tables(count: int) -> dict[str, int]:
    """Make every table of the first schema that holds anything at least ``count`` rows long, past its rules:
    its first row again and again under new keys. What cannot be doubled stays as it is and is left out."""
    from django.db import connection

    with connection.cursor() as cursor:
        cursor.execute("SET session_replication_role = replica")
        cursor.execute(
            "SELECT table_name FROM information_schema.tables WHERE table_schema = 'public'"
            " AND (table_name LIKE 'competence%' OR table_name LIKE 'assessments%')"
        )
        tables, filled = [name for (name,) in cursor.fetchall()], {}
        for table in tables:
            filled[table] = _fill(cursor, table, count)
        cursor.execute("ANALYZE")
    return {table: rows for table, rows in filled.items() if rows >= count}


def _fill(cursor: object, table: str, count: int) -> int:
    """Its first row again under new keys: a column of any unique index is made anew, the others are as they
    were. A table whose rules refuse that stays as it is, and is named."""
    from django.db import DatabaseError, transaction

    cursor.execute(
        "SELECT column_name, data_type, is_identity FROM information_schema.columns"
        " WHERE table_name = %s AND table_schema = 'public' ORDER BY ordinal_position",
        [table],
    )
    columns = cursor.fetchall()
    cursor.execute(
        "SELECT DISTINCT a.attname FROM pg_index i JOIN pg_attribute a ON a.attrelid = i.indrelid"
        " AND a.attnum = ANY(i.indkey) WHERE i.indrelid = %s::regclass AND i.indisunique",
        [table],
    )
    unique = {name for (name,) in cursor.fetchall()}
    chosen = [_anew(name, kind, name in unique) for name, kind, _ in columns]
    names = ", ".join(f'"{name}"' for name, *_ in columns)
    try:
        with transaction.atomic():
            cursor.execute(
                f'INSERT INTO "{table}" ({names}) OVERRIDING SYSTEM VALUE SELECT {", ".join(chosen)}'
                f' FROM (SELECT * FROM "{table}" LIMIT 1) one, generate_series(1, %s) n',
                [count],
            )
    except DatabaseError as refused:
        print(f"      not filled: {table} ({str(refused).splitlines()[0][:90]})")
    cursor.execute(f'SELECT COUNT(*) FROM "{table}"')
    return cursor.fetchone()[0]


def _anew(name: str, kind: str, is_unique: bool) -> str:
    if not is_unique:
        return f'one."{name}"'
    if kind in ("bigint", "integer"):
        return f'(one."{name}" + 1000000 + n)'
    if kind == "smallint":
        return "(1 + n %% 30000)::smallint"
    if kind == "uuid":
        return "gen_random_uuid()"
    if kind in ("character varying", "text"):
        return "('X' || n)"
    if kind == "bytea":
        return "decode(md5(n::text), 'hex')"
    if kind == "date":
        return f'(one."{name}" - n %% 10000)'
    if kind.startswith("timestamp"):
        return f"(one.\"{name}\" - n * interval '1 second')"
    return f'one."{name}"'


def locks_of_each_step(count: int) -> list[str]:
    """Bring the first schema, full, to the newest; a line for each step, and what took too long."""
    from django.core.management import call_command

    call_command("migrate", verbosity=0, interactive=False)
    from tests.actions.journalled_register import make_rows
    from tests.doors.world import make_world

    make_rows()
    make_world()
    steps = landed()
    migrate_to(schema_after(steps, 2))
    long_tables = fill_tables(count)
    print(f"{len(long_tables)} tables of the first schema have {count:,} rows and more.", flush=True)
    too_long = []
    for at in range(3, len(steps) + 1):
        began = time.monotonic()
        with locks_seen(frozenset(long_tables)) as seen:
            migrate_to(schema_after(steps, at))
        took, name = time.monotonic() - began, ".".join(steps[at - 1])
        told = (
            ", ".join(f"{table} {mode.removesuffix('Lock')}" for table, mode in sorted(seen.locks)) or "none"
        )
        print(f"{took:7.2f} s, shut for {seen.seconds:5.2f} s  {name}: {told}", flush=True)
        if seen.seconds > MOST_SECONDS:
            too_long.append(f"{name} shuts {told} for {seen.seconds:.1f} s")
    return too_long


@dataclass
class Seen:
    """Long tables that were shut, and the longest that one migration held them so."""

    locks: set[tuple[str, str]] = field(default_factory=set)
    seconds: float = 0.0


@contextmanager
def locks_seen(tables: frozenset[str]) -> Iterator[Seen]:
    """Ask after each statement of a migration which of ``tables`` its transaction holds; what is held is held
    until the transaction's end."""
    from django.db import connection
    from django.db.backends.base.schema import BaseDatabaseSchemaEditor as Editor

    seen, first_at = Seen(), []
    execute, leave = Editor.execute, Editor.__exit__

    def execute_seen(editor: Editor, sql: object, params: object = ()) -> None:
        asked_at = time.monotonic()
        execute(editor, sql, params)
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT DISTINCT c.relname, l.mode FROM pg_locks l JOIN pg_class c ON c.oid = l.relation"
                " WHERE l.pid = pg_backend_pid() AND l.mode = ANY(%s) AND c.relname = ANY(%s)",
                [list(SHUTS), list(tables)],
            )
            held = cursor.fetchall()
        if held and not first_at:
            first_at.append(asked_at)
        seen.locks.update(held)

    def leave_seen(editor: Editor, *error: object) -> None:
        leave(editor, *error)
        if first_at:
            seen.seconds = max(seen.seconds, time.monotonic() - first_at.pop())

    Editor.execute, Editor.__exit__ = execute_seen, leave_seen
    try:
        yield seen
    finally:
        Editor.execute, Editor.__exit__ = execute, leave


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--rows", type=int, default=0, help="rows in each long table, on PostgreSQL")
    asked = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="register-migrating-"))
    folder.chmod(0o755)
    try:
        if asked.rows:
            with a_postgres(folder) as address:
                set_up(address, folder / "data")
                wrong = locks_of_each_step(asked.rows)
                from django.db import connection

                connection.close()
        else:
            set_up(f"sqlite:///{folder / 'register.sqlite3'}", folder / "data")
            wrong = from_every_landed_schema(folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    print("FAILED: " + "; ".join(wrong) if wrong else "All held.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
