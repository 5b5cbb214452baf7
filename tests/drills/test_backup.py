"""Back up, lose everything, restore: the same register, byte for byte of every row; and every way not to."""

import json
import os
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from zipfile import ZipFile

import pytest

from competence.inputs.backup import check_backup
from competence.rules.backups import FORMAT, Manifest, NotABackup, is_member, read_manifest

pytestmark = pytest.mark.slow

HERE = Path(__file__).parents[2]


def manage(data: Path, *arguments: str) -> subprocess.CompletedProcess:
    environment = {name: value for name, value in os.environ.items() if not name.startswith("REGISTER_")}
    environment |= {"REGISTER_DATA": str(data), "DJANGO_SETTINGS_MODULE": "competence.settings"}
    environment.pop("DATABASE_URL", None)
    return subprocess.run(
        [sys.executable, "manage.py", *arguments],
        cwd=HERE,
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
    )


def every_row(data: Path) -> dict[str, list[tuple]]:
    """Every row of every table but the sessions, as SQLite gives it."""
    with closing(sqlite3.connect(data / "register.sqlite3")) as database:
        tables = database.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")
        return {
            name: sorted(database.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr)
            for (name,) in tables.fetchall()
            if name not in ("django_session", "sqlite_sequence")
        }


def every_photograph(data: Path) -> dict[str, bytes]:
    root = data / "photographs"
    return {str(p.relative_to(root)): p.read_bytes() for p in root.rglob("*") if p.is_file()}


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A register with the demo's history, and its backup."""
    data = tmp_path_factory.mktemp("register")
    filled = manage(data, "demo", "--fresh", "--no-serve")
    assert filled.returncode == 0, filled.stdout + filled.stderr
    backup = data / "kept.zip"
    made = manage(data, "backup", str(backup))
    assert made.returncode == 0, made.stderr
    return data, backup


@pytest.fixture(scope="module")
def restored(kept, tmp_path_factory):
    """A host that had nothing but the key, which is kept apart from the backup; and what restoring said."""
    data = tmp_path_factory.mktemp("restored")
    shutil.copy(kept[0] / "journal.key", data / "journal.key")
    return data, manage(data, "restore", str(kept[1]))


def test_wiped_and_restored_it_is_the_same_register(kept, restored):
    data, said = restored
    assert said.returncode == 0, said.stdout + said.stderr
    assert "Back, and well" in said.stdout
    assert every_row(data) == every_row(kept[0])
    assert every_photograph(data) == every_photograph(kept[0]) != {}
    # And it goes on: what is written next joins the same journal.
    assert manage(data, "journal", "seal").returncode == 0


def test_a_register_in_use_is_left_alone_unless_it_is_to_be_replaced(kept, restored):
    """And the drill itself can fail: a row that was lost on the way is seen by the comparison above."""
    data, _ = restored
    with closing(sqlite3.connect(data / "register.sqlite3")) as database:
        database.execute("DELETE FROM competence_refusal WHERE id = (SELECT MAX(id) FROM competence_refusal)")
        database.commit()
    lost = every_row(data)
    assert lost != every_row(kept[0])
    again = manage(data, "restore", str(kept[1]))
    assert (again.returncode, "--replace" in again.stderr) == (2, True)
    assert every_row(data) == lost
    assert manage(data, "restore", str(kept[1]), "--replace").returncode == 0
    assert every_row(data) == every_row(kept[0])
    assert (data / "photographs-before-restore-1").exists()


@pytest.mark.parametrize("place", [0.02, 0.3, 0.6, 0.9])
def test_a_backup_of_which_one_byte_changed_is_refused(kept, tmp_path, place):
    altered = bytearray(kept[1].read_bytes())
    altered[int(len(altered) * place)] ^= 1
    broken = tmp_path / "broken.zip"
    broken.write_bytes(altered)
    with pytest.raises(NotABackup):
        check_backup(broken)


@pytest.mark.parametrize("length", [0, 100, 50_000])
def test_a_backup_that_is_cut_short_is_refused(kept, tmp_path, length):
    broken = tmp_path / "short.zip"
    broken.write_bytes(kept[1].read_bytes()[:length])
    with pytest.raises(NotABackup):
        check_backup(broken)


def test_without_the_key_that_was_kept_apart_nothing_is_put_back(kept, tmp_path):
    back = manage(tmp_path, "restore", str(kept[1]))
    assert back.returncode == 2
    assert "REGISTER_JOURNAL_KEY" in back.stderr
    assert not (tmp_path / "photographs").exists()


def test_a_later_version_s_backup_is_refused(kept, tmp_path):
    shutil.copy(kept[0] / "journal.key", tmp_path / "journal.key")
    later = tmp_path / "later.zip"
    with ZipFile(kept[1]) as old, ZipFile(later, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "manifest.json":
                plain = json.loads(content)
                plain["migrations"].append("competence.9999_from_the_future")
                content = json.dumps(plain).encode()
            new.writestr(name, content)
    back = manage(tmp_path, "restore", str(later))
    assert (back.returncode, "later version" in back.stderr) == (2, True)


def test_a_folder_that_cannot_be_written_to_is_a_sentence(kept):
    made = manage(kept[0], "backup", "/nowhere/at/all.zip")
    assert (made.returncode, "Traceback" in made.stderr) == (1, False)


GOOD = Manifest("2026-03-02T05:50:00+00:00", "sqlite", {"database.sqlite3": "00" * 32}, {}, [])


def test_a_manifest_reads_back_as_it_was_written():
    assert read_manifest(GOOD.as_text()) == GOOD


@pytest.mark.parametrize(
    "change",
    [
        {"format": FORMAT + "0"},
        {"vendor": "paper"},
        {"sha256": {}},
        {"sha256": {"database.sqlite3": "zz"}},
        {"sha256": {"database.sqlite3": "00" * 32, "photographs/../../escaped": "00" * 32}},
        {"sha256": {"database.sqlite3": "00" * 32, "/etc/passwd": "00" * 32}},
        {"rows": {"competence_ticket": "many"}},
        {"more": 1},
        {"sha256": None},
    ],
)
def test_a_manifest_that_is_not_whole_is_refused(change):
    with pytest.raises(NotABackup):
        read_manifest(json.dumps(json.loads(GOOD.as_text()) | change))


def test_nothing_but_the_database_and_photographs_is_a_member():
    assert is_member("photographs/2026/03/worn.jpg")
    for name in ("photographs", "photographs/../x", "/photographs/x", "journal.key", "photographs\\..\\x"):
        assert not is_member(name), name
