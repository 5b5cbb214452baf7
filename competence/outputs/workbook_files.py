"""Workbooks taken out on screen: where they lie, how far each is, and that they go.

A workbook is a working paper, so nothing of it is in the database but the look that says who took it out: the
file lies in a folder, named by that look, and is deleted after a day.
"""

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings

from competence.actions import background
from competence.actions.clock import now
from competence.models import Look
from competence.outputs.workbook import Written, write_workbook
from competence.queries.workbook import from_plain

log = logging.getLogger(__name__)

KEPT_FOR = timedelta(days=1)


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


def begin(look: Look) -> None:
    """Start writing the workbook of a look that was just noted, in a process of its own."""
    background.begin("workbook", "--run", str(look.pk))


def work_out(look: Look) -> Written:
    """Write the workbook that a look asked for, saying how far it is."""
    clear_old(now())
    file_of(look).parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    with background.at_work(_name(look)) as work:
        try:
            return write_workbook(
                file_of(look),
                from_plain(look.asked),
                by=f"{look.by.name} ({look.by.username})",
                taken_at=look.at,
                told=lambda sheet, count: work.tell(row_count=count),
            )
        except Exception:
            log.exception("The workbook of look %s failed", look.pk)
            raise


def file_of(look: Look) -> Path:
    return Path(settings.WORKBOOKS_ROOT) / f"{look.pk}.xlsx"


def progress_of(look: Look, moment: datetime) -> Progress:
    """How far the workbook of a look is: running, failed, ready or gone. No statement."""
    if moment - look.at > KEPT_FOR:
        return Progress("gone")
    if file_of(look).exists():
        return Progress("ready", size=file_of(look).stat().st_size)
    is_lost = background.is_lost(_name(look), asked_at=look.at, moment=moment)
    told = background.how_far(_name(look))
    return Progress(
        "failed" if is_lost else "running", told.get("row_count", 0), look.asked.get("row_count", 0)
    )


def clear_old(moment: datetime) -> None:
    """Delete what was written more than a day ago."""
    folder = Path(settings.WORKBOOKS_ROOT)
    oldest = moment.timestamp() - KEPT_FOR.total_seconds()
    for file in folder.iterdir() if folder.exists() else ():
        if file.stat().st_mtime < oldest:
            file.unlink(missing_ok=True)


def _name(look: Look) -> str:
    return f"workbook-{look.pk}"
