"""Work that takes longer than a page may: in a process of its own, which is seen to live, says how far it is,
and can be asked to stop.

What it says stands in a file and not in a row: a row written inside the work's own transaction is seen by
nobody until the end, and SQLite lets nobody write another meanwhile. The file is touched as long as the
process lives, however busy it is, so no work looks alive that has died; the process is a session of its own,
so that it outlives a restart of the server.
"""

import json
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.db import transaction

# How often a process shows that it lives, and after how long a silence it does not.
BEAT_SECONDS, SILENCE = 1.0, timedelta(seconds=20)
# How long a process may take to begin, on a machine that is busy.
STARTING = timedelta(seconds=30)


class AskedToStop(Exception):
    """Somebody asked the work to stop; raised where it says how far it is, so that it undoes what it did."""


def begin(*command: str) -> None:
    """Run one of the register's own commands in a process of its own, once this transaction is kept."""
    if settings.WORK_IN_THIS_PROCESS:
        call_command(*command)
        return
    transaction.on_commit(lambda: _start(command))


def _start(command: tuple[str, ...]) -> None:
    subprocess.Popen(  # noqa: S603 -- our own command, with a number of ours
        [sys.executable, str(settings.BASE_DIR / "manage.py"), *command],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


class Work:
    """One piece of work under its name, as the process sees it that does it."""

    def __init__(self, name: str) -> None:
        self._told, self._stop = _file(name), _file(name, ".stop")

    def tell(self, **how_far: Any) -> None:
        """Say how far it is. Raises ``AskedToStop``."""
        if self._stop.exists():
            raise AskedToStop
        written = self._told.with_suffix(".new")
        written.write_text(json.dumps(how_far))
        written.replace(self._told)


@contextmanager
def at_work(name: str) -> Iterator[Work]:
    """Inside, the work is seen to live."""
    work, ended = Work(name), threading.Event()
    work.tell()
    beat = threading.Thread(target=_beat, args=(_file(name), ended), daemon=True)
    beat.start()
    try:
        yield work
    finally:
        ended.set()
        beat.join()
        for file in (_file(name), _file(name, ".stop")):
            file.unlink(missing_ok=True)


def _beat(file: Path, ended: threading.Event) -> None:
    while not ended.wait(BEAT_SECONDS):
        file.touch()


def how_far(name: str) -> dict[str, Any]:
    """What the work said last; empty where it has said nothing."""
    try:
        return json.loads(_file(name).read_text())
    except (OSError, ValueError):
        return {}


def is_lost(name: str, *, asked_at: datetime, moment: datetime) -> bool:
    """Whether the process must have died: it has been silent too long, or never spoke. For work that by its
    row still runs."""
    try:
        silent = timedelta(seconds=time.time() - _file(name).stat().st_mtime)
    except OSError:
        return moment - asked_at > STARTING
    return silent > SILENCE


def ask_to_stop(name: str) -> None:
    """Ask the process to stop where it next says how far it is."""
    _file(name, ".stop").touch()


def clear(name: str) -> None:
    """Take away what a process that died has left."""
    for file in (_file(name), _file(name, ".stop")):
        file.unlink(missing_ok=True)


def _file(name: str, ending: str = ".json") -> Path:
    settings.WORK_ROOT.mkdir(parents=True, exist_ok=True)
    return settings.WORK_ROOT / f"{name}{ending}"
