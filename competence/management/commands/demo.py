"""Show the main job on an invented scenario: load it, do the job for real, say how it went, then serve."""

import socket
import time
from argparse import ArgumentParser
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from textwrap import fill, wrap
from typing import Any

from django.conf import settings
from django.contrib.auth.hashers import get_hasher
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError, connection
from django.utils import timezone

from competence.inputs.scenario import (
    Scenario,
    UntrueScenario,
    end_demo,
    is_scenarios_own,
    is_used,
    read_scenario,
)
from competence.inputs.scenario_history import write_history
from competence.management.main_job import Outcome, run_main_job
from competence.models import Account, Finding, JournalEntry, Operator

# Printed on the screen and good for the invented people only: nobody else may be in the demo's register.
PASSWORD = "walk-round-first"  # noqa: S105
WIDTH = 80
HOST = "127.0.0.1"


class Command(BaseCommand):
    help = (
        "Make a register of invented people and plant, do the main job on it, print what must happen and "
        "what happened, and serve it on this machine only. Ends with 1 if any case came out otherwise."
    )

    # Serving makes the checks; before it they would only make the cases wait.
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--no-serve", action="store_true", help="stop after the cases")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument(
            "--fresh", action="store_true", help="begin again, also where the demo's register has been used"
        )

    def handle(self, *args: Any, **options: Any) -> None:
        serves = not options["no_serve"]
        _refuse_in_earnest()
        if serves:
            _refuse_taken(options["port"])
        path = Path(connection.settings_dict["NAME"])
        is_own = _is_own(path)
        if is_own and not options["fresh"] and is_used(read_scenario()):
            self._go_on(path, options["port"], serves)
            return
        started = time.monotonic()
        self._prepare(path, is_own)
        scenario = Scenario(opened_at=timezone.now(), password=PASSWORD)
        try:
            with _quick_hashing():
                steps = write_history(scenario)
        except UntrueScenario as problem:
            raise CommandError(f"The scenario does not hold: {problem}") from problem
        self._say(f"{steps} steps of invented history written. Now the main job, for real:")
        wrong = self._run(scenario)
        end_demo()
        self._say(f"{time.monotonic() - started:.0f} seconds.")
        if wrong:
            raise CommandError(f"{len(wrong)} case(s) came out otherwise: {', '.join(map(str, wrong))}.")
        self._sign_ins(scenario.content, options["port"], serves)
        if serves:
            self._serve(options["port"])

    def _go_on(self, path: Path, port: int, serves: bool) -> None:
        """What somebody entered is theirs: the register is served as they left it, or not touched."""
        if not serves:
            raise CommandError(
                f"{path} holds this demo and what was entered in it since; nothing was touched. "
                "To begin again without that, add --fresh"
            )
        self._say(
            f"{path} holds this demo and what was entered in it since. It is served as it is, and the cases "
            "are not run. To begin again without what was entered: --fresh"
        )
        call_command("migrate", verbosity=0, interactive=False)
        self._sign_ins(read_scenario(), port, serves)
        self._serve(port)

    def _serve(self, port: int) -> None:
        self.stdout.flush()
        call_command("runserver", f"{HOST}:{port}", use_reloader=False)

    def _prepare(self, path: Path, is_own: bool) -> None:
        """An empty, migrated database; the one that an earlier demo left makes way for it."""
        if is_own:
            self._say(
                f"{path} holds an earlier run of this demo. Removing it, with all that was entered in it, "
                "and starting afresh."
            )
            _remove(path)
        self._say(f"Making the demo's register in {path}")
        call_command("migrate", verbosity=0, interactive=False)

    def _run(self, scenario: Scenario) -> list[int]:
        wrong = []
        for number, outcome in enumerate(run_main_job(scenario), start=1):
            self.stdout.write(_block(number, outcome))
            if not outcome.is_right:
                wrong.append(number)
        self.stdout.write("")
        self._say(f"{number - len(wrong)} of {number} cases came out as they must.")
        return wrong

    def _sign_ins(self, content: dict[str, list[dict[str, Any]]], port: int, serves: bool) -> None:
        lines = [(line["as"], line["username"], line["who"]) for line in content["sign_in"]]
        wide = max(len(line[0]) for line in lines), max(len(line[1]) for line in lines)
        self.stdout.write(f"\nSign in with one of these names and the password  {PASSWORD}\n")
        for role, username, who in lines:
            self.stdout.write(f"  {role:{wide[0]}}  {username:{wide[1]}}  {who}")
        if serves:
            self.stdout.write(f"\nOpen http://{HOST}:{port}/ on this machine. Control-C stops it.\n")
        else:
            self.stdout.write("\nRun it again without --no-serve to open it in a browser.")

    def _say(self, text: str) -> None:
        self.stdout.write(fill(text, WIDTH, break_long_words=False, break_on_hyphens=False))


@contextmanager
def _quick_hashing() -> Iterator[None]:
    """Hash the one password that is printed on the screen anyway with little work. Whoever signs in has it
    hashed anew with the register's own parameters, as Django does when they change."""
    hasher = get_hasher()
    usual = hasher.time_cost, hasher.memory_cost, hasher.parallelism
    hasher.time_cost, hasher.memory_cost, hasher.parallelism = 1, 1024, 1
    try:
        yield
    finally:
        hasher.time_cost, hasher.memory_cost, hasher.parallelism = usual


def _refuse_in_earnest() -> None:
    if settings.IS_PRODUCTION:
        raise CommandError("The demo invents people and their past; it does not run in production settings.")
    if connection.vendor != "sqlite":
        raise CommandError("The demo keeps to a SQLite database in the data folder: unset DATABASE_URL.")


def _refuse_taken(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except (OSError, OverflowError) as problem:
            raise CommandError(f"Port {port} cannot be used; choose another with --port.") from problem


def _is_own(path: Path) -> bool:
    """Whether an earlier demo is in the database; refuses where anything else is."""
    if not path.exists():
        return False
    tables = connection.introspection.table_names()
    if not tables:
        return False
    try:
        if is_scenarios_own():
            return True
        is_empty = not (
            Account.objects.exists() or Operator.objects.exists() or JournalEntry.objects.exists()
        )
    except DatabaseError:
        is_empty = False
    if is_empty:
        return False
    raise CommandError(
        f"{path} holds a register that is not this demo's; nothing was touched. Give the demo a folder of "
        "its own: REGISTER_DATA=FOLDER uv run manage.py demo"
    )


def _remove(path: Path) -> None:
    for finding in Finding.objects.exclude(photograph=""):
        finding.photograph.storage.delete(finding.photograph.name)
    connection.close()
    for name in (path.name, f"{path.name}-wal", f"{path.name}-shm"):
        path.with_name(name).unlink(missing_ok=True)


def _block(number: int, outcome: Outcome) -> str:
    """One case in the table: what it is, what must happen, what happened, and the verdict."""
    lines = ["", *_labelled(f"{number:3}.", outcome.case)]
    lines += _labelled("expected", outcome.expected)
    lines += _labelled("happened", outcome.happened)
    for sentence in outcome.because:
        lines += _labelled("because", sentence)
    lines += _labelled("verdict", "as it must" if outcome.is_right else "NOT AS IT MUST")
    return "\n".join(lines)


def _labelled(label: str, text: str) -> list[str]:
    margin = 5 if label.endswith(".") else 15
    first = f"{label} " if label.endswith(".") else f"     {label:<10}"
    told = wrap(text, WIDTH - margin, break_long_words=False, break_on_hyphens=False) or [""]
    return [f"{first:<{margin}}{told[0]}", *(f"{'':{margin}}{line}" for line in told[1:])]
