"""Bringing the old spreadsheet in, once it is told how it is read: what would happen, and what became of it.

A short file is held against the register while the page waits. A long one is worked off by a process of its
own, and the page says how far it is.
"""

from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import FileResponse, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET, require_POST

from competence.actions import background
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.import_runs import ask_for_run, is_long, is_lost, newest_run, stop_run
from competence.actions.imports import give_up_import, import_rows, keep_mapping, marked_name
from competence.forms.imports import SameForm
from competence.inputs.import_files import lines_of
from competence.inputs.spreadsheet import Sheet
from competence.models import ImportFile, ImportRun
from competence.outputs.import_workbook import marked_workbook
from competence.permissions import Right, sites_with
from competence.queries.import_plan import plan_import
from competence.queries.import_steps import Plan
from competence.queries.import_told import marks_of, told_of
from competence.queries.import_words import Meanings
from competence.views.doing import asks
from competence.views.files import WORKBOOK, file_to_keep
from competence.views.import_pages import draft_of, file_name, page_of, sheet_of

ROWS_A_PAGE = 50


def planned(request: HttpRequest, kept: ImportFile, sheet: Sheet) -> Plan:
    lines, meaning = lines_of(sheet, Meanings().with_certain(kept.mapping))
    return plan_import(
        lines,
        meaning,
        sites=sites_with(request.user, Right.KEEP_PEOPLE),
        own=request.user.operator_id,
        moment=now(),
    )


@asks(Right.KEEP_PEOPLE)
def import_dry_run(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    run = newest_run(kept) if kept.status == ImportFile.Status.IN_PROGRESS else None
    if is_long(kept) and kept.status == ImportFile.Status.IN_PROGRESS:
        if run is None or run.found is None or run.mapping != kept.mapping:
            return _running(request, kept, run)
        told = run.found
    else:
        sheet = sheet_of(request, kept)
        if isinstance(sheet, HttpResponse):
            return sheet
        told = told_of(planned(request, kept, sheet), sheet.remarks)
    form = SameForm(
        request.POST if request.method == "POST" else None, pairs=told["pairs"], names=told["names"]
    )
    if request.method == "POST" and form.is_valid():
        kept = keep_mapping(by=request.user, import_file=kept, same=[*kept.mapping["same"], *form.decided()])
        if is_long(kept):
            ask_for_run(by=request.user, import_file=kept, kind=ImportRun.Kind.DRY_RUN)
        return redirect("import-dry-run", kept.pk)
    return _dry_run_page(request, kept, told, form, run)


def _dry_run_page(
    request: HttpRequest, kept: ImportFile, told: dict[str, Any], form: SameForm, run: ImportRun | None
) -> HttpResponse:
    doubtful = Paginator(told["doubtful"], ROWS_A_PAGE).get_page(request.GET.get("page"))
    return page_of(
        request,
        kept,
        "import-dry-run",
        {
            "counts": told["counts"],
            "changes_nothing": told["changes_nothing"],
            "doubtful": doubtful,
            "doubtful_count": told["doubtful_count"],
            "rows": list(doubtful),
            "form": form,
            "remarks": told["remarks"],
            "decided": kept.mapping["same"],
            "query": "",
            # Of a long file what was found is kept: the register may have moved on since.
            "run": run if is_long(kept) else None,
        },
    )


def _running(request: HttpRequest, kept: ImportFile, run: ImportRun | None) -> HttpResponse:
    """How far the work on a long file is, what stopped it, or that it is still to begin."""
    is_at_work = run is not None and run.status == ImportRun.Status.RUNNING
    is_dead = run is not None and is_lost(run)
    return page_of(
        request,
        kept,
        "import-running",
        {
            "run": run,
            "is_at_work": is_at_work and not is_dead,
            "is_dead": is_dead,
            "is_bringing_in": run is not None and run.kind == ImportRun.Kind.BRING_IN,
            "how_far": background.how_far(run.work_name) if is_at_work and run else {},
        },
    )


@require_POST
@asks(Right.KEEP_PEOPLE)
def import_ask(request: HttpRequest, pk: int) -> HttpResponse:
    """Work out what a long file would do, again or for the first time."""
    return _begin(request, draft_of(request, pk), ImportRun.Kind.DRY_RUN)


def _begin(request: HttpRequest, kept: ImportFile, kind: ImportRun.Kind) -> HttpResponse:
    try:
        ask_for_run(by=request.user, import_file=kept, kind=kind)
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
    return redirect("import-dry-run", kept.pk)


@require_POST
@asks(Right.KEEP_PEOPLE)
def import_stop(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    run = newest_run(kept)
    try:
        if run is None:
            raise ActionRefused("Nothing is at work on this file.")
        stop_run(by=request.user, run=run)
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
    else:
        messages.info(request, "It stops at its next step, and brings nothing in.")
    return redirect("import-dry-run", kept.pk)


@require_GET
@asks(Right.KEEP_PEOPLE)
def import_marked(request: HttpRequest, pk: int) -> HttpResponse:
    """The file given back, with a column that says what is wrong with each row."""
    kept = draft_of(request, pk)
    name = f"{kept.name.rpartition('.')[0] or kept.name} to correct.xlsx"
    if is_long(kept) and kept.file:
        storage = kept.file.storage
        if not storage.exists(marked_name(kept)):
            return redirect("import-dry-run", kept.pk)
        content = storage.open(marked_name(kept))
        return FileResponse(content, as_attachment=True, filename=file_name(name), content_type=WORKBOOK)
    sheet = sheet_of(request, kept)
    if isinstance(sheet, HttpResponse):
        return sheet
    problems, remarks = marks_of(planned(request, kept, sheet))
    content = marked_workbook(
        sheet.rows, headings_row=kept.mapping["headings_row"], problems=problems, remarks=remarks
    )
    return file_to_keep(content, file_name(name), WORKBOOK)


@require_POST
@asks(Right.KEEP_PEOPLE)
def import_run(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    if is_long(kept) and kept.status == ImportFile.Status.IN_PROGRESS:
        return _begin(request, kept, ImportRun.Kind.BRING_IN)
    sheet = sheet_of(request, kept)
    if isinstance(sheet, HttpResponse):
        return sheet
    lines, meaning = lines_of(sheet, Meanings().with_certain(kept.mapping))
    try:
        kept = import_rows(by=request.user, import_file=kept, lines=lines, meaning=meaning)
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
    return redirect("import-result", kept.pk)


@require_POST
@asks(Right.KEEP_PEOPLE)
def import_give_up(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    try:
        give_up_import(by=request.user, import_file=kept)
    except ActionRefused as refused:
        messages.error(request, refused.sentence)
    else:
        messages.success(request, f"{kept.name} is put away; nothing of it was brought in.")
    return redirect("import-list")


@require_GET
@asks(Right.KEEP_PEOPLE)
def import_result(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    if kept.status == ImportFile.Status.IN_PROGRESS:
        return redirect("import-dry-run", kept.pk)
    outcome = request.GET.get("outcome", "")
    rows = kept.rows.select_related("operator", "category", "ticket").order_by("row", "pk")
    if outcome in dict(rows.model.Outcome.choices):
        rows = rows.filter(outcome=outcome)
    page = Paginator(rows, ROWS_A_PAGE).get_page(request.GET.get("page"))
    return render(
        request,
        "competence/imports/result.html",
        {
            "import_file": kept,
            "counts": kept.report,
            "page": page,
            "rows": list(page),
            "query": f"outcome={outcome}" if outcome else "",
            "outcome": outcome,
            "outcomes": [("", "All"), *rows.model.Outcome.choices],
            "is_nothing_new": kept.status == ImportFile.Status.NOTHING_NEW,
            "is_given_up": kept.status == ImportFile.Status.GIVEN_UP,
        },
    )


urlpatterns: list[URLPattern] = [
    path("imports/<int:pk>/", import_dry_run, name="import-dry-run"),
    path("imports/<int:pk>/work-out/", import_ask, name="import-ask"),
    path("imports/<int:pk>/stop/", import_stop, name="import-stop"),
    path("imports/<int:pk>/to-correct/", import_marked, name="import-marked"),
    path("imports/<int:pk>/bring-in/", import_run, name="import-run"),
    path("imports/<int:pk>/give-up/", import_give_up, name="import-give-up"),
    path("imports/<int:pk>/result/", import_result, name="import-result"),
]
