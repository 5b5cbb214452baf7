"""Long workbooks, written in a process of their own: where they lie, how far each is, and that they go.

A workbook is a working paper, so nothing of it is in the database but the look that says who took it out: the
file and how far it is lie in a folder, named by that look, and are deleted after a day.
"""

import json
import logging
import os
import subprocess
import sys
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.db import transaction

from competence.actions.clock import now
from competence.models import Look
from competence.outputs.workbook import Written, write_workbook
from competence.queries.workbook import from_plain

log = logging.getLogger(__name__)

KEPT_FOR = timedelta(days=1)
# A process that has said nothing for so long has died.
SILENCE = timedelta(minutes=10)


@dataclass(frozen=True)
class Progress:
    """How far a workbook is. ``row_count`` of ``of`` rows are written; ``size`` is that of the whole file."""

    state: str
    row_count: int = 0
    of: int = 0
    size: int = 0

    @property
    def is_running(self) -> bool:
        return self.state == "running"

    @property
    def is_ready(self) -> bool:
        return self.state == "ready"

    @property
    def is_gone(self) -> bool:
        return self.state == "gone"


def begin(look: Look, row_count: int, *, at_once: bool = False) -> None:
    """Start writing the workbook of a look that was just noted; ``at_once``: the caller writes it."""
    clear_old(now())
    _tell(look, state="running", row_count=0, of=row_count)
    if at_once:
        return
    if settings.WORKBOOKS_IN_THIS_PROCESS:
        work_out(look)
    else:
        transaction.on_commit(lambda: _begin(look))


def _begin(look: Look) -> None:
    command = [sys.executable, str(settings.BASE_DIR / "manage.py"), "workbook", "--run", str(look.pk)]
    subprocess.Popen(  # noqa: S603 -- our own command, with a number of ours
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def work_out(look: Look) -> Written:
    """Write the workbook that a look asked for, saying how far it is."""
    of = progress_of(look, now()).of
    try:
        return write_workbook(
            file_of(look),
            from_plain(look.asked),
            by=f"{look.by.name} ({look.by.username})",
            taken_at=look.at,
            told=lambda sheet, count: _tell(look, state="running", row_count=count, of=of),
        )
    except Exception:
        log.exception("The workbook of look %s failed", look.pk)
        _tell(look, state="failed", row_count=0, of=of)
        raise


def file_of(look: Look) -> Path:
    return Path(settings.WORKBOOKS_ROOT) / f"{look.pk}.xlsx"


def progress_of(look: Look, moment: datetime) -> Progress:
    """How far the workbook of a look is: running, failed, ready or gone. No statement."""
    if file_of(look).exists():
        return Progress("ready", size=file_of(look).stat().st_size)
    try:
        told = json.loads(_told(look).read_text())
        since = moment.timestamp() - _told(look).stat().st_mtime
    except (OSError, ValueError):
        return Progress("gone")
    state = "failed" if since > SILENCE.total_seconds() else told["state"]
    return Progress(state, told["row_count"], told["of"])


def clear_old(moment: datetime) -> None:
    """Delete what was written more than a day ago."""
    folder = Path(settings.WORKBOOKS_ROOT)
    oldest = moment.timestamp() - KEPT_FOR.total_seconds()
    for file in folder.iterdir() if folder.exists() else ():
        if file.stat().st_mtime < oldest:
            file.unlink(missing_ok=True)


def _told(look: Look) -> Path:
    return Path(settings.WORKBOOKS_ROOT) / f"{look.pk}.json"


def _tell(look: Look, **told: Any) -> None:
    """Written beside and put in place, so that a page never reads half of it."""
    path = _told(look)
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    part = path.with_suffix(".part")
    part.write_text(json.dumps(told))
    os.replace(part, path)
