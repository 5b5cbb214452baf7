"""Bringing the old spreadsheet in, as far as it is told how it is read: upload, columns, values."""

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET

from competence.actions.import_runs import ask_for_run, is_long
from competence.actions.imports import keep_mapping, remember_words
from competence.actions.setup import keep_setup
from competence.forms.imports import AS_NEW, ColumnsForm, UploadForm, WordsForm
from competence.inputs.import_files import read_kept, take_in
from competence.inputs.spreadsheet import Sheet, UnreadableSpreadsheet
from competence.models import Employer, ImportFile, ImportRun
from competence.outputs.import_workbook import template_workbook
from competence.permissions import Right, may_everywhere
from competence.queries.import_words import Meanings, imports_to_show
from competence.rules.import_mapping import column_asks, first_mapping, open_questions, words_of
from competence.rules.spreadsheet_columns import Part, as_text, folded
from competence.rules.spreadsheet_dates import is_nothing
from competence.views import import_runs
from competence.views.doing import asks, attempt
from competence.views.files import WORKBOOK, file_to_keep
from competence.views.import_pages import draft_of, page_of, sheet_of

SAMPLES = 3


@asks(Right.KEEP_PEOPLE)
def import_list(request: HttpRequest) -> HttpResponse:
    form = UploadForm(request.POST or None, request.FILES or None)
    if form.is_valid():
        try:
            kept = take_in(by=request.user, uploaded=form.cleaned_data["file"])
        except UnreadableSpreadsheet as problem:
            form.add_error("file", str(problem))
        else:
            _tell_of_same_file(request, kept)
            return redirect("import-columns", kept.pk)
    files = imports_to_show(request.user.pk, everybodys=may_everywhere(request.user, Right.KEEP_PEOPLE))
    return render(
        request,
        "competence/imports/list.html",
        {
            "form": form,
            "drafts": [one for one in files if one.status == "in_progress"],
            "done": [one for one in files if one.status == "imported"],
        },
    )


def _tell_of_same_file(request: HttpRequest, kept: ImportFile) -> None:
    before = ImportFile.objects.filter(sha256=kept.sha256, status="imported").order_by("-pk").first()
    if before is not None:
        messages.info(
            request,
            f"This very file was brought in on {before.imported_at:%-d %B %Y}. Bringing it in again changes "
            "only what was left out then.",
        )


@asks(Right.KEEP_PEOPLE)
def import_columns(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    sheet = sheet_of(request, kept)
    if isinstance(sheet, HttpResponse):
        return sheet
    if request.method == "POST" and "other_rows" in request.POST:
        return _read_other_rows(request, kept)
    mapping = kept.mapping
    posted = request.POST if request.method == "POST" else None
    if posted is not None:
        parts = [posted.get(f"part_{n}", "") for n in range(len(mapping["headings"]))]
        mapping = mapping | {"parts": _only_known(parts)}
    form, still_open = ColumnsForm(posted, mapping=mapping, asks=column_asks(sheet.rows, mapping)), []
    if form.is_valid():
        kept = keep_mapping(by=request.user, import_file=kept, **form.changes)
        still_open = [one for one in open_questions(sheet.rows, kept.mapping) if not _answered(kept, one)]
        if not still_open:
            return redirect("import-values", kept.pk)
    return page_of(
        request,
        kept,
        "import-columns",
        {
            "form": form,
            "lines": form.lines(_samples(sheet, kept.mapping)),
            "sheet": sheet,
            "still_open": still_open,
        },
    )


def _only_known(parts: Sequence[str]) -> list[str]:
    return [part if part in Part._value2member_map_ else "" for part in parts]


def _answered(kept: ImportFile, question: Any) -> bool:
    place, asked = str(question.column), question.asks
    has_order = not asked.is_order_open or kept.mapping["orders"].get(place)
    return bool(has_order and (not asked.is_century_open or kept.mapping["centuries"].get(place)))


def _read_other_rows(request: HttpRequest, kept: ImportFile) -> HttpResponse:
    """Another sheet, or another row of headings: the columns are guessed anew."""
    wanted = request.POST.get("sheet", "")
    try:
        sheet = read_kept(kept, wanted)
        at = int(request.POST.get("headings_row", "") or 0) or None
        if at is not None and not 1 <= at <= len(sheet.rows):
            raise ValueError
        guess = first_mapping(sheet.rows, at if wanted == kept.mapping.get("sheet") else None)
    except UnreadableSpreadsheet as problem:
        messages.error(request, str(problem))
    except ValueError:
        messages.error(request, "The row of the headings is a number, from 1 to the last row of the sheet.")
    else:
        words = {kind: kept.mapping[kind] for kind in ("categories", "sites", "employers", "levels", "same")}
        keep_mapping(
            by=request.user,
            import_file=kept,
            row_count=len(sheet.rows),
            **guess | words,
            sheet=sheet.name,
        )
    return redirect("import-columns", kept.pk)


def _samples(sheet: Sheet, mapping: dict[str, Any]) -> list[list[str]]:
    """The first values of each column that differ."""
    found = []
    for place in range(len(mapping["headings"])):
        some: list[str] = []
        for row in sheet.rows[mapping["headings_row"] :]:
            text = as_text(row[place]) if place < len(row) and not is_nothing(row[place]) else ""
            if text and text not in some:
                some.append(text)
            if len(some) == SAMPLES:
                break
        found.append([text if len(text) <= 40 else f"{text[:39]}…" for text in some])
    return found


@asks(Right.KEEP_PEOPLE)
def import_values(request: HttpRequest, pk: int) -> HttpResponse:
    kept = draft_of(request, pk)
    sheet = sheet_of(request, kept)
    if isinstance(sheet, HttpResponse):
        return sheet
    may_enter = may_everywhere(request.user, Right.KEEP_SETUP)
    form = WordsForm(
        request.POST if request.method == "POST" else None,
        mapping=kept.mapping,
        words=words_of(sheet.rows, kept.mapping),
        meanings=Meanings(),
        may_enter=may_enter,
    )
    if request.method == "POST" and form.is_valid() and _enter_employers(request, form):
        decided = form.decided()
        names = {folded(word): word for word in form.new_employers()}
        employers = {w: names[w] if m == AS_NEW else m for w, m in decided.get("employers", {}).items()}
        if "employers" in decided:
            decided["employers"] = employers
        keep_mapping(
            by=request.user, import_file=kept, **{k: kept.mapping[k] | v for k, v in decided.items()}
        )
        remember_words(by=request.user, words=decided)
        if is_long(kept):
            ask_for_run(by=request.user, import_file=kept, kind=ImportRun.Kind.DRY_RUN)
        return redirect("import-dry-run", kept.pk)
    return page_of(request, kept, "import-values", {"form": form, "word_groups": list(form.shown())})


def _enter_employers(request: HttpRequest, form: WordsForm) -> bool:
    for name in form.new_employers():
        if not attempt(form, keep_setup, by=request.user, row=Employer(name=name)):
            return False
    return True


@require_GET
@asks(Right.KEEP_PEOPLE)
def import_template(request: HttpRequest) -> HttpResponse:
    return file_to_keep(template_workbook(), "tickets to bring in.xlsx", WORKBOOK)


urlpatterns: list[URLPattern] = [
    path("imports/", import_list, name="import-list"),
    path("imports/template/", import_template, name="import-template"),
    path("imports/<int:pk>/columns/", import_columns, name="import-columns"),
    path("imports/<int:pk>/values/", import_values, name="import-values"),
    *import_runs.urlpatterns,
]
