"""A register of every landed schema comes to the newest with all its rows; and that a lost one is seen."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.drills.migrating import lost_or_changed

pytestmark = pytest.mark.slow

HERE = Path(__file__).parents[2]


def drill(*asked: str) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "tests.drills.migrating", *asked],
        cwd=HERE,
        env={name: value for name, value in os.environ.items() if not name.startswith("REGISTER_")},
        capture_output=True,
        text=True,
        timeout=400,
    )


@pytest.mark.drill
def test_rows_of_every_landed_schema_come_to_the_newest():
    done = drill()
    assert done.returncode == 0, done.stdout + done.stderr
    # From each step of the upper app, which brings those of the lower one along.
    steps = len(list(HERE.glob("assessments/migrations/0*.py")))
    held = [line for line in done.stdout.splitlines() if line.startswith("held  from ")]
    assert len(held) >= steps
    assert "from assessments.0001_first" in done.stdout


@pytest.mark.drill
def test_no_step_shuts_a_long_table_on_postgresql():
    """At few rows, so that what is held to is the locks' list; the seconds are taken by hand at many."""
    if not list(Path("/usr/lib/postgresql").glob("*/bin/initdb")):
        pytest.skip("LOCKS OF MIGRATIONS WERE NOT SEEN: PostgreSQL is missing")
    done = drill("--rows", "2000")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "shut for" in done.stdout


BEFORE = {
    "competence_site": [{"id": 1, "name": "North", "note": None}, {"id": 2, "name": "South", "note": None}]
}


@pytest.mark.parametrize(
    ("after", "named"),
    [
        ({}, "competence_site: 2 rows became 0"),
        ({"competence_site": [{"id": 1, "name": "North"}]}, "2 rows became 1"),
        (
            {"competence_site": [{"id": 1, "name": "North"}, {"id": 2, "name": "east"}]},
            "name of a row changed",
        ),
        ({"competence_site": [{"id": 1}, {"id": 2}]}, "name of a row changed"),
    ],
)
def test_a_row_that_is_lost_or_changed_is_seen(after, named):
    assert any(named in one for one in lost_or_changed(BEFORE, after))


def test_what_comes_beside_the_rows_is_no_loss():
    after = {
        "competence_site": [row | {"code": "N"} for row in BEFORE["competence_site"]],
        "competence_look": [],
    }
    assert lost_or_changed(BEFORE, after) == []
