"""What partitioning findings by month would give on PostgreSQL, tried on two copies of the table.

Two copies of the register's findings, one plain and one partitioned by the month of ``answered_at``, with
the same columns and indexes; only the primary key and what is unique have the month's column among them in
the partitioned one, as PostgreSQL asks. Each figure is the median of several, taken in turn.
"""

from collections.abc import Iterator
from statistics import median
from time import perf_counter

from django.db import connection

MONTHS = 15
ROUNDS = 7
PLAIN, PARTED = "weight_plain", "weight_parted"
COLUMNS = (
    "id, daily_check_id, listed_id, answer, grade, note, not_reached_reason, photograph, photograph_sha256, "
    "answered_at"
)


def _run(sql: str) -> tuple[float, list]:
    with connection.cursor() as cursor:
        started = perf_counter()
        cursor.execute(sql)
        rows = cursor.fetchall() if cursor.description else []
        return perf_counter() - started, rows


def measure() -> Iterator[str]:
    yield "findings partitioned by month, against the same rows in a plain table:"
    _make()
    plain, parted = (
        _run(f"INSERT INTO {name} ({COLUMNS}) SELECT {COLUMNS} FROM competence_finding")[0]
        for name in (PLAIN, PARTED)
    )
    for name in (PLAIN, PARTED):
        _run(f"VACUUM ANALYZE {name}")
    ((count,),) = _run(f"SELECT count(*) FROM {PLAIN}")[1]
    yield f"  {count:,} rows inserted: plain {plain:.0f} s, partitioned {parted:.0f} s"
    rest = COLUMNS.removeprefix("id, daily_check_id, ").replace("answered_at", "now()")
    one = (
        f"INSERT INTO {{0}} ({COLUMNS}) SELECT id + 900000000 + {{1}}, gen_random_uuid(), {rest} "
        "FROM competence_finding LIMIT 45"
    )
    (month,) = _run("SELECT date_trunc('month', now()) - interval '1 month'")[1]
    since = f"'{month[0]:%Y-%m-%d}'::timestamptz"
    reads = {
        "one check's 45 rows inserted": one,
        "defects of the last month counted": "SELECT count(*) FROM {0} WHERE answer = 'defect' "
        f"AND answered_at >= {since} AND answered_at < {since} + interval '1 month'",
        "one check's rows read by its key": "SELECT * FROM {0} WHERE daily_check_id = "
        "(SELECT id FROM competence_dailycheck OFFSET {1} * 100 LIMIT 1)",
        "the same with the day stated too": "SELECT f.* FROM {0} f, (SELECT id, started_at FROM "
        "competence_dailycheck OFFSET {1} * 100 LIMIT 1) c WHERE f.daily_check_id = c.id "
        f"AND f.answered_at >= {since}",
    }
    for words, sql in reads.items():
        spent: dict[str, list[float]] = {PLAIN: [], PARTED: []}
        for turn in range(ROUNDS):
            for name in (PLAIN, PARTED) if turn % 2 else (PARTED, PLAIN):
                spent[name].append(_run(sql.format(name, 1 + turn * 1000))[0])
        figures = [median(spent[name]) * 1e3 for name in (PLAIN, PARTED)]
        yield f"  {words}: plain {figures[0]:.2f} ms, partitioned {figures[1]:.2f} ms"
    old = f"now() - interval '{MONTHS - 4} months'"
    that_month = (
        f"answered_at >= date_trunc('month', {old}) "
        f"AND answered_at < date_trunc('month', {old}) + interval '1 month'"
    )
    ((name, rows),) = _run(
        f"SELECT tableoid::regclass::text, count(*) FROM {PARTED} WHERE {that_month} GROUP BY 1"
    )[1]
    detached, _ = _run(f"ALTER TABLE {PARTED} DETACH PARTITION {name}")
    deleted, _ = _run(f"DELETE FROM {PLAIN} WHERE {that_month}")
    yield (
        f"  a month of {rows:,} rows: detached in {detached * 1e3:.0f} ms, "
        f"deleted from the plain table in {deleted:.1f} s"
    )


def _make() -> None:
    _run(f"CREATE TABLE {PLAIN} (LIKE competence_finding)")
    _run(f"ALTER TABLE {PLAIN} ADD PRIMARY KEY (id), ADD UNIQUE (daily_check_id, listed_id)")
    _run(f"CREATE TABLE {PARTED} (LIKE competence_finding) PARTITION BY RANGE (answered_at)")
    _run(
        f"ALTER TABLE {PARTED} ADD PRIMARY KEY (id, answered_at), "
        "ADD UNIQUE (daily_check_id, listed_id, answered_at)"
    )
    for name in (PLAIN, PARTED):
        _run(f"CREATE INDEX ON {name} (daily_check_id)")
        _run(f"CREATE INDEX ON {name} (listed_id)")
    for number in range(MONTHS + 1):
        first, last = (
            f"date_trunc('month', now()) - interval '{MONTHS - 1 - number - more} months'" for more in (0, 1)
        )
        ((bounds,),) = _run(f"SELECT array[({first})::text, ({last})::text]")[1]
        _run(
            f"CREATE TABLE {PARTED}_{number} PARTITION OF {PARTED} "
            f"FOR VALUES FROM ('{bounds[0]}') TO ('{bounds[1]}')"
        )
