"""The demo's door: it shows every case, and it keeps away from any register that is not its own."""

import os
import re
import shutil
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from django.conf import settings

IN_PRODUCTION = {
    "REGISTER_PRODUCTION": "1",
    "REGISTER_HOSTS": "register.example",
    "REGISTER_SECRET_KEY": "k" * 60,
    "REGISTER_JOURNAL_KEY": "ab" * 32,
    "REGISTER_CARD_KEY": "cd" * 32,
}
NOT_ALLOWED = ("DATABASE_URL", "DJANGO_SETTINGS_MODULE", "REGISTER_PRODUCTION")


def manage(
    folder: Path, *arguments: str, given: str = "", program: Path = settings.BASE_DIR, **more: str
) -> subprocess.CompletedProcess[str]:
    """Run a command of the register on the data folder, as a person would."""
    environment = {name: value for name, value in os.environ.items() if name not in NOT_ALLOWED}
    return subprocess.run(
        [sys.executable, str(program / "manage.py"), *arguments],
        env=environment | {"REGISTER_DATA": str(folder)} | more,
        input=given,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )


def with_one_line_changed(place: Path, line: str, other: str) -> Path:
    """A copy of the whole program, true in everything but one line of its scenario."""
    for part in ("competence", "assessments", "templates", "fixtures"):
        shutil.copytree(settings.BASE_DIR / part, place / part)
    shutil.copy(settings.BASE_DIR / "manage.py", place)
    (file,) = (f for f in (place / "fixtures" / "scenario").glob("*.toml") if line in f.read_text())
    assert file.read_text().count(line) == 1
    file.write_text(file.read_text().replace(line, other))
    return place


def rows(folder: Path, statement: str) -> list[Any]:
    with sqlite3.connect(folder / "register.sqlite3") as database:
        answer = database.execute(statement).fetchall()
    database.close()
    return answer


@pytest.mark.slow
def test_the_demo_shows_every_case_starts_afresh_on_its_own_and_stops_at_anybody_elses(
    tmp_path: Path,
) -> None:
    data = tmp_path / "data"
    assert_a_case_that_comes_out_otherwise_is_named_and_ends_with_1(tmp_path, data)
    rows(data, "UPDATE competence_operator SET given_name = 'Typed by a visitor' WHERE number = 'T-101'")

    shown = manage(data, "demo", "--no-serve")
    assert shown.returncode == 0, shown.stdout + shown.stderr
    cases = re.findall(r"^ +(\d+)\. ", shown.stdout, re.MULTILINE)
    assert cases == [str(number) for number in range(1, len(cases) + 1)]
    for told in (
        "let through; fit for use",
        "let through; do not use",
        "it counts once",
        *(f"stopped: {reason}" for reason in STOPPED_BY),
        "every entry sealed; nothing was altered",
        "the alteration is found, in ticket event",
        f"{len(cases)} of {len(cases)} cases came out as they must",
    ):
        assert shown.stdout.count(told), told
    assert "NOT AS IT MUST" not in shown.stdout
    # A path is not broken over two lines, however long it is.
    assert max(len(line) for line in shown.stdout.splitlines() if str(data) not in line) <= 80
    assert "starting afresh" in " ".join(shown.stdout.split())
    assert rows(data, "SELECT given_name FROM competence_operator WHERE number = 'T-101'") == [("Nadia",)]
    assert rows(data, "SELECT count(*) FROM competence_refusal")[0][0] >= len(STOPPED_BY)

    verified = manage(data, "journal", "verify")
    assert verified.returncode == 0, verified.stdout + verified.stderr

    rows(data, "UPDATE competence_account SET username = 'somebody.else' WHERE username = 't-101'")
    refused = manage(data, "demo", "--no-serve")
    assert_refused(refused, "holds this demo and what was entered in it since; nothing was touched")
    assert "--fresh" in refused.stderr
    assert rows(data, "SELECT count(*) FROM competence_account WHERE username = 'somebody.else'") == [(1,)]
    assert_a_used_demo_is_served_as_it_is(data)

    shown = manage(data, "demo", "--no-serve", "--fresh")
    assert shown.returncode == 0, shown.stdout + shown.stderr
    assert rows(data, "SELECT count(*) FROM competence_account WHERE username = 'somebody.else'") == [(0,)]


def assert_a_used_demo_is_served_as_it_is(data: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    environment = {name: value for name, value in os.environ.items() if name not in NOT_ALLOWED}
    program = [sys.executable, str(settings.BASE_DIR / "manage.py"), "demo", "--port", str(port)]
    serving = subprocess.Popen(
        program,
        env=environment | {"REGISTER_DATA": str(data)},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    try:
        alive = b""
        for _ in range(200):
            try:
                with urlopen(f"http://127.0.0.1:{port}/alive/", timeout=5) as answer:
                    alive = answer.read()
                break
            except OSError:
                time.sleep(0.2)
    finally:
        serving.terminate()
        told = " ".join(serving.communicate(timeout=30)[0].decode().split())
    assert b"true" in alive
    assert "It is served as it is" in told
    assert "--fresh" in told
    assert "No directory at" not in told
    assert rows(data, "SELECT count(*) FROM competence_account WHERE username = 'somebody.else'") == [(1,)]


def assert_a_case_that_comes_out_otherwise_is_named_and_ends_with_1(tmp_path: Path, data: Path) -> None:
    """Bronagh Keel's medical ended, says the main job; in this scenario it has not."""
    program = with_one_line_changed(tmp_path / "program", 'medical_to = "-6d"', 'medical_to = "+60d"')
    shown = manage(data, "demo", "--no-serve", program=program)
    assert shown.returncode == 1, shown.stdout + shown.stderr
    # The line break goes before each case's number.
    cases = re.split(r"\n(?= +\d+\. )", shown.stdout)[1:]
    (wrong,) = (case for case in cases if "NOT AS IT MUST" in case)
    number = wrong.split(".")[0].strip()
    assert "Bronagh Keel (T-105) asks for EX-01: the medical ended." in wrong
    assert re.search(r"expected +stopped: medical not met\n +happened +let through\n", wrong)
    assert f"{len(cases) - 1} of {len(cases)} cases came out as they must" in shown.stdout
    assert shown.stderr.strip().endswith(f"1 case(s) came out otherwise: {number}.")


STOPPED_BY = (
    "ticket ended",
    "ticket suspended",
    "ticket withdrawn",
    "ticket missing",
    "induction not met",
    "medical not met",
    "familiarisation not met",
    "condition mass",
    "condition attachment",
    "condition daylight",
    "condition site",
    "supervisor missing",
    "supervisor not confirmed",
    "supervisor not authorised",
)


def assert_refused(ran: subprocess.CompletedProcess[str], why: str) -> None:
    assert ran.returncode == 1
    assert why in ran.stderr
    assert len(ran.stderr.strip().splitlines()) == 1, ran.stderr


@pytest.mark.slow
def test_a_register_in_earnest_is_opened_once_and_the_demo_stays_away(tmp_path: Path) -> None:
    assert manage(tmp_path, "migrate", "--verbosity", "0").returncode == 0
    password = "two wet boots\n"

    weak = manage(tmp_path, "first_account", "keeper", "--password-file", "-", given="short\n")
    assert_refused(weak, "at least 10 characters")
    opened = manage(tmp_path, "first_account", "keeper", "--password-file", "-", given=password)
    assert opened.returncode == 0, opened.stderr
    assert rows(
        tmp_path,
        "SELECT username, name, site_id FROM competence_role JOIN competence_account a ON a.id = account_id "
        "ORDER BY name",
    ) == [("keeper", "site_admin", None), ("keeper", "trainer", None)]
    second = manage(tmp_path, "first_account", "another", "--password-file", "-", given=password)
    assert_refused(second, "has accounts already")

    for fresh in ([], ["--fresh"]):
        assert_refused(manage(tmp_path, "demo", "--no-serve", *fresh), "not this demo's")
    assert rows(tmp_path, "SELECT username FROM competence_account") == [("keeper",)]


def test_the_demo_leaves_a_file_alone_that_is_no_register(tmp_path: Path) -> None:
    rows(tmp_path, "CREATE TABLE payroll (name TEXT)")
    assert_refused(manage(tmp_path, "demo", "--no-serve"), "not this demo's")
    assert rows(tmp_path, "SELECT count(*) FROM payroll") == [(0,)]


def test_the_demo_does_not_run_with_production_settings(tmp_path: Path) -> None:
    refused = manage(tmp_path, "demo", "--no-serve", **IN_PRODUCTION)
    assert_refused(refused, "does not run in production settings")
    assert not (tmp_path / "register.sqlite3").exists()


def test_the_demo_keeps_to_its_own_sqlite_database(tmp_path: Path) -> None:
    refused = manage(tmp_path, "demo", "--no-serve", DATABASE_URL="postgres://nobody@localhost:1/none")
    assert_refused(refused, "unset DATABASE_URL")
