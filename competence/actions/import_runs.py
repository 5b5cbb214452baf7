"""A long spreadsheet's dry run and import, in a process of their own: asked for, stopped, ended."""

from collections.abc import Callable
from typing import Any

from django.db import transaction

from competence.actions import background
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.imports import import_rows, open_import, require_import
from competence.models import Account, ImportFile, ImportRun
from competence.rules.import_rows import Line, Meaning

Kind, Status = ImportRun.Kind, ImportRun.Status
# Up to so many rows a page can wait for: they take two or three seconds.
ROWS_IN_A_REQUEST = 1_000
DIED = "Its process ended before its time, as when the machine was switched off."


def is_long(import_file: ImportFile) -> bool:
    """By the rows below its headings."""
    rows = (import_file.row_count or 0) - import_file.mapping.get("headings_row", 0)
    return rows > ROWS_IN_A_REQUEST


def newest_run(import_file: ImportFile) -> ImportRun | None:
    """One statement."""
    return import_file.runs.order_by("-pk").first()


def is_lost(run: ImportRun) -> bool:
    """Whether it runs by what is kept, and its process has died."""
    return run.status == Status.RUNNING and background.is_lost(
        run.work_name, asked_at=run.asked_at, moment=now()
    )


def ask_for_run(*, by: Account, import_file: ImportFile, kind: Kind) -> ImportRun:
    """Begin to work on a draft; or, where somebody did already, what is at work on it now. A run that died
    gives way."""
    # Looked at before anything is locked: an import that is at work lets nobody write on SQLite.
    at_work = newest_run(import_file)
    if at_work is not None and at_work.status == Status.RUNNING and not is_lost(at_work):
        return at_work
    with transaction.atomic():
        import_file = open_import(by, import_file)
        at_work = newest_run(import_file)
        if at_work is not None and at_work.status == Status.RUNNING:
            if not is_lost(at_work):
                return at_work
            _end(at_work, Status.FAILED, problem=DIED)
            background.clear(at_work.work_name)
        run = ImportRun.objects.create(
            file=import_file, kind=kind, mapping=import_file.mapping, asked_by=by, asked_at=now()
        )
    background.begin("work_off_import", str(run.pk))
    return run


def stop_run(*, by: Account, run: ImportRun) -> None:
    """Ask what is at work to stop; nothing of the file is brought in then. Writes no row: see above."""
    require_import(by, run.file)
    if run.status != Status.RUNNING:
        raise ActionRefused("It has ended already.")
    background.ask_to_stop(run.work_name)


def keep_found(*, run: ImportRun, found: dict[str, Any]) -> None:
    """What a dry run came to."""
    with transaction.atomic():
        run = _still_running(run)
        run.found = found
        _end(run, Status.FINISHED)


def bring_in(
    *, run: ImportRun, lines: list[Line], meaning: Meaning, tell: Callable[[str, int], None]
) -> ImportFile:
    """The import of a run, which ends in the same transaction: whoever finds it running knows that nothing is
    brought in yet."""
    with transaction.atomic():
        run = _still_running(run)
        kept = import_rows(by=run.asked_by, import_file=run.file, lines=lines, meaning=meaning, tell=tell)
        _end(run, Status.FINISHED)
    return kept


def end_without_result(*, run: ImportRun, status: Status, problem: str = "") -> None:
    """Stopped, or failed for a reason that the screen can say."""
    ImportRun.objects.filter(pk=run.pk, status=Status.RUNNING).update(
        status=status, problem=problem, finished_at=now()
    )


def _still_running(run: ImportRun) -> ImportRun:
    """The run, locked; refused where somebody took it for dead and began anew."""
    found = (
        ImportRun.objects.select_for_update(of=("self",)).select_related("file", "asked_by").get(pk=run.pk)
    )
    if found.status != Status.RUNNING:
        raise ActionRefused("It was begun anew meanwhile; this one did nothing.")
    return found


def _end(run: ImportRun, status: Status, problem: str = "") -> None:
    run.status, run.problem, run.finished_at = status, problem, now()
    run.save()
