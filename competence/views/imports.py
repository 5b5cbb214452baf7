"""Bringing the old spreadsheet in: upload, columns, values, what would happen, what became of each row."""

from collections.abc import Sequence
from typing import Any

from django.contrib import messages
from django.core.paginator import Paginator
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET, require_POST

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.imports import give_up_import, import_rows, keep_mapping, remember_words
from competence.actions.setup import keep_setup
from competence.forms.imports import AS_NEW, ColumnsForm, SameForm, UploadForm, WordsForm
from competence.inputs.import_files import lines_of, read_kept, take_in
from competence.inputs.spreadsheet import Sheet, UnreadableSpreadsheet
from competence.models import Employer, ImportFile
from competence.outputs.import_workbook import marked_workbook, template_workbook
from competence.permissions import Right, may_everywhere, require_everywhere, sites_with
from competence.queries.import_plan import Plan, plan_import
from competence.queries.import_words import Meanings, imports_to_show
from competence.rules.import_mapping import column_asks, first_mapping, open_questions, words_of
from competence.rules.spreadsheet_columns import Part, as_text, folded
from competence.rules.spreadsheet_dates import is_nothing
from competence.views.doing import asks, attempt

ROWS_A_PAGE = 50
SAMPLES = 3
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
STEPS = (("import-columns", "Columns"), ("import-values", "Values"), ("import-dry-run", "What would happen"))


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


def _draft(request: HttpRequest, pk: int) -> ImportFile:
    """The file, where it is one's own or one keeps people everywhere."""
    kept = get_object_or_404(ImportFile.objects.select_related("uploaded_by", "imported_by"), pk=pk)
    if kept.uploaded_by_id != request.user.pk:
        require_everywhere(request.user, Right.KEEP_PEOPLE)
    return kept


def _sheet_of(request: HttpRequest, kept: ImportFile) -> Sheet | HttpResponse:
    """The draft's rows; or where to go when it is no draft any more or its copy is gone."""
    if kept.status != ImportFile.Status.IN_PROGRESS:
        return redirect("import-result", kept.pk)
    try:
        return read_kept(kept)
    except (UnreadableSpreadsheet, OSError, ValueError):
        messages.error(request, f"The copy of {kept.name} can be read no longer. Send the file again.")
        return redirect("import-list")


def _page(request: HttpRequest, kept: ImportFile, step: str, context: dict[str, Any]) -> HttpResponse:
    steps = [
        {"name": name, "label": label, "number": number, "is_current": name == step}
        for number, (name, label) in enumerate(STEPS, start=1)
    ]
    template = step.removeprefix("import-").replace("-", "_")
    return render(
        request, f"competence/imports/{template}.html", {"import_file": kept, "steps": steps, **context}
    )


@asks(Right.KEEP_PEOPLE)
def import_columns(request: HttpRequest, pk: int) -> HttpResponse:
    kept = _draft(request, pk)
    sheet = _sheet_of(request, kept)
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
    return _page(
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
        keep_mapping(by=request.user, import_file=kept, **guess | words, sheet=sheet.name)
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
    kept = _draft(request, pk)
    sheet = _sheet_of(request, kept)
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
        return redirect("import-dry-run", kept.pk)
    return _page(request, kept, "import-values", {"form": form, "word_groups": list(form.shown())})


def _enter_employers(request: HttpRequest, form: WordsForm) -> bool:
    for name in form.new_employers():
        if not attempt(form, keep_setup, by=request.user, row=Employer(name=name)):
            return False
    return True


def _planned(request: HttpRequest, kept: ImportFile, sheet: Sheet) -> Plan:
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
    kept = _draft(request, pk)
    sheet = _sheet_of(request, kept)
    if isinstance(sheet, HttpResponse):
        return sheet
    plan = _planned(request, kept, sheet)
    form = SameForm(request.POST if request.method == "POST" else None, pairs=plan.pairs, names=plan.names)
    if request.method == "POST" and form.is_valid():
        keep_mapping(by=request.user, import_file=kept, same=[*kept.mapping["same"], *form.decided()])
        return redirect("import-dry-run", kept.pk)
    doubtful = Paginator(plan.doubtful, ROWS_A_PAGE).get_page(request.GET.get("page"))
    return _page(
        request,
        kept,
        "import-dry-run",
        {
            "counts": plan.counts,
            "changes_nothing": plan.changes_nothing,
            "doubtful": doubtful,
            "rows": [_shown(step) for step in doubtful],
            "form": form,
            "remarks": sheet.remarks,
            "decided": kept.mapping["same"],
            "query": "",
        },
    )


def _shown(step: Any) -> dict[str, Any]:
    line = step.line
    return {
        "row": line.row,
        "who": " ".join(filter(None, [line.name, f"({line.number})" if line.number else ""])),
        "is_left_out": bool(line.problems),
        "sentences": line.problems or line.remarks,
    }


@require_GET
@asks(Right.KEEP_PEOPLE)
def import_marked(request: HttpRequest, pk: int) -> HttpResponse:
    """The file given back, with a column that says what is wrong with each row."""
    kept = _draft(request, pk)
    sheet = _sheet_of(request, kept)
    if isinstance(sheet, HttpResponse):
        return sheet
    problems: dict[int, list[str]] = {}
    remarks: dict[int, list[str]] = {}
    for step in _planned(request, kept, sheet).steps:
        for kind, sentences in ((problems, step.line.problems), (remarks, step.line.remarks)):
            told = kind.setdefault(step.line.row, []) if sentences else []
            told += [one for one in sentences if one not in told]
    content = marked_workbook(
        sheet.rows,
        headings_row=kept.mapping["headings_row"],
        problems={row: " ".join(told) for row, told in problems.items()},
        remarks={row: " ".join(told) for row, told in remarks.items()},
    )
    return _download(content, f"{kept.name.rpartition('.')[0] or kept.name} to correct.xlsx")


@require_GET
@asks(Right.KEEP_PEOPLE)
def import_template(request: HttpRequest) -> HttpResponse:
    return _download(template_workbook(), "tickets to bring in.xlsx")


def _download(content: bytes, name: str) -> HttpResponse:
    answer = HttpResponse(content, content_type=WORKBOOK)
    safe = "".join(c if c.isalnum() or c in " .-_" else "_" for c in name).encode("ascii", "replace").decode()
    answer["Content-Disposition"] = f'attachment; filename="{safe.replace("?", "_")}"'
    return answer


@require_POST
@asks(Right.KEEP_PEOPLE)
def import_run(request: HttpRequest, pk: int) -> HttpResponse:
    kept = _draft(request, pk)
    sheet = _sheet_of(request, kept)
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
    kept = _draft(request, pk)
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
    kept = _draft(request, pk)
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
    path("imports/", import_list, name="import-list"),
    path("imports/template/", import_template, name="import-template"),
    path("imports/<int:pk>/", import_dry_run, name="import-dry-run"),
    path("imports/<int:pk>/columns/", import_columns, name="import-columns"),
    path("imports/<int:pk>/values/", import_values, name="import-values"),
    path("imports/<int:pk>/to-correct/", import_marked, name="import-marked"),
    path("imports/<int:pk>/bring-in/", import_run, name="import-run"),
    path("imports/<int:pk>/give-up/", import_give_up, name="import-give-up"),
    path("imports/<int:pk>/result/", import_result, name="import-result"),
]
