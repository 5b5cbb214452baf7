"""Working off one run of a long spreadsheet: reading it, holding it against the register, bringing it in."""

import logging
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.files.base import ContentFile

from competence.actions import background
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.import_runs import bring_in, end_without_result, keep_found
from competence.actions.imports import marked_name
from competence.inputs.import_files import lines_of, read_kept
from competence.inputs.spreadsheet import Sheet, UnreadableSpreadsheet
from competence.models import ImportFile, ImportRun
from competence.outputs.import_workbook import marked_workbook
from competence.permissions import Right, sites_with
from competence.queries.import_plan import plan_import
from competence.queries.import_steps import Plan
from competence.queries.import_told import MOST_TOLD, marks_of, told_of
from competence.queries.import_words import Meanings

log = logging.getLogger(__name__)


def work_off(run: ImportRun) -> None:
    """Do what was asked for. Whatever happens, the run is ended and says how; nothing of the file is brought
    in unless all of it is."""
    with background.at_work(run.work_name) as work:
        try:
            _work(run, work)
        except background.AskedToStop:
            end_without_result(run=run, status=ImportRun.Status.STOPPED)
        except (ActionRefused, PermissionDenied, UnreadableSpreadsheet) as problem:
            end_without_result(run=run, status=ImportRun.Status.FAILED, problem=str(problem))
        except OSError:
            gone = f"The copy of {run.file.name} can be read no longer. Send the file again."
            end_without_result(run=run, status=ImportRun.Status.FAILED, problem=gone)
        except Exception:
            log.exception("%s failed", run)
            end_without_result(run=run, status=ImportRun.Status.FAILED)
            raise


def _work(run: ImportRun, work: background.Work) -> None:
    file = run.file
    file.mapping = run.mapping
    told: dict[str, Any] = {"stage": "Reading the file"}
    work.tell(**told)
    sheet = read_kept(file)
    told |= {"stage": "Holding the rows against the register", "read": len(sheet.rows)}
    work.tell(**told)
    lines, meaning = lines_of(sheet, Meanings().with_certain(run.mapping))
    if run.kind == ImportRun.Kind.BRING_IN:
        bring_in(
            run=run,
            lines=lines,
            meaning=meaning,
            tell=lambda stage, written: work.tell(
                **told | {"stage": stage, "planned": len(lines), "written": written}
            ),
        )
        return
    plan = plan_import(
        lines,
        meaning,
        sites=sites_with(run.asked_by, Right.KEEP_PEOPLE),
        own=run.asked_by.operator_id,
        moment=now(),
    )
    if plan.doubtful:
        work.tell(**told | {"stage": "Marking the rows to look at", "planned": len(lines)})
        _keep_marked(file, sheet, plan)
    keep_found(run=run, found=told_of(plan, sheet.remarks, most=MOST_TOLD))


def _keep_marked(file: ImportFile, sheet: Sheet, plan: Plan) -> None:
    problems, remarks = marks_of(plan)
    content = marked_workbook(
        sheet.rows, headings_row=file.mapping["headings_row"], problems=problems, remarks=remarks
    )
    storage, name = file.file.storage, marked_name(file)
    storage.delete(name)
    storage.save(name, ContentFile(content))
