"""Killed under load, the register keeps what it acknowledged; and the drill that says so can fail.

Twenty kills here; ``python -m tests.drills.crash`` takes any number. Read tests/drills/crash.py first.
"""

import os
import shutil
from pathlib import Path

import pytest

from tests.drills import full_disk
from tests.drills.crash import ALL_KEPT, LOST, drill
from tests.drills.crash_host import CannotRun

pytestmark = pytest.mark.slow

NO_POSTGRES = not list(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
NO_ROOM = os.geteuid() == 0 and shutil.which("runuser") is None


@pytest.fixture
def folder(tmp_path):
    """PostgreSQL's own user gets through to its folder only where everybody may."""
    for one in (tmp_path, *tmp_path.parents[:2]):
        one.chmod(0o755)
    return tmp_path


@pytest.mark.drill
def test_twenty_kills_on_sqlite_lose_nothing(folder, capfd):
    assert drill(folder, kills=20, seed=1) == ALL_KEPT, capfd.readouterr().out


@pytest.mark.drill
@pytest.mark.skipif(NO_POSTGRES or NO_ROOM, reason="PostgreSQL's programs, or runuser, are missing")
def test_twenty_kills_on_postgresql_and_two_of_it_lose_nothing(folder, capfd):
    assert drill(folder, kills=18, on_postgres=True, database_kills=2, seed=2) == ALL_KEPT, (
        capfd.readouterr().out
    )


@pytest.mark.drill
@pytest.mark.parametrize(
    ("broken", "kills", "told"),
    [
        # No kill is needed to see these two; the third shows itself only where one came at the right moment.
        ("loses", 0, "lost: "),
        ("doubles", 0, "doubled: "),
        ("early", 12, "lost: "),
    ],
)
def test_a_register_that_breaks_its_word_is_found_out(folder, capfd, broken, kills, told):
    assert drill(folder, kills=kills, broken=broken, seed=3) == LOST
    assert told in capfd.readouterr().out


@pytest.mark.drill
def test_a_full_disk_is_refused_in_words_and_works_again(tmp_path, capfd):
    try:
        assert full_disk.drill(tmp_path) == full_disk.ALL_SO, capfd.readouterr().out
    except CannotRun as why:
        pytest.skip(f"NOT DRILLED, a full disk: {why}")
