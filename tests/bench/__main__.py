"""Time the gate against hand-written SQL, an access-control library, and itself at a tenth of the size.

``uv run python -m tests.bench [--small]``. Uses the database of the settings' DATABASE_URL, or a throw-away
SQLite file; on PostgreSQL, a test database that is dropped afterwards. Prints medians and ratios; exits 1
when a goal is missed at full size (at small size the goals are printed, not judged).
"""

import argparse
import atexit
import os
import shutil
import sys
import tempfile
from time import perf_counter

# The register's own settings, not the tests': those watch every statement, which costs more than the gate.
os.environ["DJANGO_SETTINGS_MODULE"] = "competence.settings"
os.environ["REGISTER_DATA"] = tempfile.mkdtemp(prefix="register-bench-")
atexit.register(shutil.rmtree, os.environ["REGISTER_DATA"], ignore_errors=True)

import django  # noqa: E402

django.setup()

from django.db import connection  # noqa: E402
from django.test.utils import setup_databases, teardown_databases  # noqa: E402

from tests.bench import (  # noqa: E402
    analysis,
    countifs,
    forecast,
    importing,
    one_mark,
    one_verdict,
    planning,
    proofs,
    roster,
    severity,
    workbook,
)
from tests.bench.register import add_people, make_plant  # noqa: E402


def main() -> int:
    parser = argparse.ArgumentParser(prog="tests.bench")
    parser.add_argument("--small", action="store_true", help="2,000 operators instead of 100,000")
    small = parser.parse_args().small
    first, full = (200, 2_000) if small else (1_000, 100_000)
    # A file, as in use, rather than memory.
    connection.settings_dict["TEST"]["NAME"] = (
        os.path.join(os.environ["REGISTER_DATA"], "bench.sqlite3") if connection.vendor == "sqlite" else None
    )
    databases = setup_databases(verbosity=0, interactive=False)
    try:
        return run(first, full, judged=not small)
    finally:
        teardown_databases(databases, verbosity=0)


def run(first: int, full: int, *, judged: bool) -> int:
    print(f"database: {connection.vendor}; Python {sys.version.split()[0]}; Django {django.__version__}")
    make_plant()
    add_people(0, first)
    before = one_verdict.measure(first)
    print(before.line(first))
    started = perf_counter()
    add_people(first, full)
    print(
        f"filled to {full:,} operators, {5 * full:,} tickets, {8 * full:,} evidence rows "
        f"in {perf_counter() - started:.0f} s"
    )
    after = one_verdict.measure(full)
    print(after.line(full))
    library = one_verdict.measure_library()
    print(
        f"pycasbin, one yes or no in memory at 5,000 policies: {library * 1e3:.2f} ms, "
        f"{library / after.median:.1f} times one verdict with all reasons"
    )
    speed = roster.measure()
    print(speed.line())
    severities = severity.measure(200_000 if judged else 20_000)
    print(severities.line())
    questions = analysis.measure(*((5_000, 200) if judged else (500, 50)))
    print(questions.line())
    mark = one_mark.measure()
    print(mark.line())
    cover = forecast.measure(100_000 if judged else 10_000)
    print(cover.line())
    counted = countifs.measure(*((20_000, 365) if judged else (2_000, 30)))
    print(counted.line() if counted else "COUNTIFS: not measured, no LibreOffice here")
    plan = planning.measure(*((400, 10, 60, 30.0) if judged else (60, 4, 20, 5.0)))
    print(plan.line())
    imported = importing.measure(50_000 if judged else 2_000)
    print(imported.line())
    taken = workbook.measure(1, 2_300 if judged else 50)
    print(taken.line())
    proven = proofs.measure(1_000_000 if judged else 20_000)
    print(proven.line())
    goals = [
        ("statements for one verdict", after.statements, 3),
        ("one verdict / hand-written SQL", after.median / after.floor, 25),
        (f"one verdict at {full:,} / at {first:,} operators", after.median / before.median, 1.3),
        ("300,000 / verdicts a second of the roster", 300_000 / speed.per_second, 1),
        ("0.6 / one mark's share of a bare INSERT's throughput", 0.6 / mark.ratio, 1),
        ("severities / statsmodels' time for the same", severities.ratio, 1),
        ("question analysis / pingouin's time for part of it", questions.ratio, 0.1),
        ("question analysis and pingouin apart, in thousand millionths", questions.difference * 1e9, 1),
        ("seconds for the cover of 600 site-categories over a year", cover.seconds, 1),
        ("cover from ten times the tickets, for each ticket", cover.growth, 1.3),
        ("a workbook / a bare loop writing the same values", taken.ratio, 1.2),
        ("peak memory for a million cells / for a tenth of them", taken.memory, 1.1),
        ("an import / reading and bulk insert of the same rows", imported.ratio, 2),
        ("entries of the journal verified / hashing the same bytes and their tree", proven.ratio, 4),
        ("milliseconds for one proof out of the journal", proven.proof * 1e3, 5),
        ("a plan's cost over its bound, per cent", plan.found.gap * 100, 2),
        ("a plan's cost / that of earliest due first", plan.against_by_hand, 1),
    ]
    if counted:
        goals += [
            ("cover of a site / COUNTIFS' time for it", counted.seconds / counted.spreadsheet, 0.1),
            ("days on which COUNTIFS counts otherwise", counted.different, 0),
        ]
    missed = 0
    for name, figure, goal in goals:
        met = figure <= goal
        missed += not met
        print(f"{'met   ' if met else 'MISSED'}  {name}: {figure:.2f} (goal: at most {goal})")
    return 1 if judged and missed else 0


if __name__ == "__main__":
    sys.exit(main())
