"""Taking a workbook out: asked for, counted, written at once or in the background, handed over."""

from typing import Any

from django.db.models import QuerySet
from django.http import FileResponse, Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path, reverse
from django.utils import timezone
from django.utils.http import urlencode
from django.views.decorators.http import require_GET

from competence.actions.workbooks import note_workbook, require_sites
from competence.forms.workbook import WorkbookForm
from competence.models import Look
from competence.outputs.workbook import counted
from competence.outputs.workbook_files import KEPT_FOR, begin, file_of, progress_of, work_out
from competence.permissions import Right
from competence.queries.workbook import Slice, from_plain, in_words, names
from competence.views.doing import asks
from competence.views.files import WORKBOOK
from competence.views.reading import reads_from_replica

# So many rows are written while somebody waits (about a second); more in the background.
ROWS_AT_ONCE = 3000
SHOWN = 10


@asks(Right.TAKE_OUT)
@reads_from_replica
def workbook(request: HttpRequest) -> HttpResponse:
    """One form that counts, and beside the counts what takes out what the form says."""
    typed = request.POST if request.method == "POST" else request.GET
    form = WorkbookForm(typed, account=request.user)
    counts: list[tuple[Any, int]] = []
    if form.is_valid():
        if request.POST.get("do") == "count":
            said = [(name, value) for name in form.fields for value in typed.getlist(name) if value]
            return redirect(f"{reverse('workbook')}?{urlencode(said)}")
        counts = counted(form.asked)
        if request.method == "POST":
            return _take_out(request, form.asked, sum(count for _, count in counts))
    total = sum(count for _, count in counts)
    context = {
        "form": form,
        "counts": [(sheet.title, f"{count:,}") for sheet, count in counts],
        "total": total,
        "total_words": f"{total:,}",
        "is_long": total > ROWS_AT_ONCE,
        "asked": form.asked,
        "looks": _looks_of_late(request),
    }
    return render(request, "competence/workbook/workbook.html", context)


def _take_out(request: HttpRequest, asked: Slice, row_count: int) -> HttpResponse:
    look = note_workbook(by=request.user, asked=asked, row_count=row_count)
    if row_count > ROWS_AT_ONCE:
        begin(look)
        return redirect("workbook-made", pk=look.pk)
    work_out(look)
    return _handed_over(look)


def _looks_of_late(request: HttpRequest) -> list[tuple[Look, Any]]:
    """One's own workbooks that are still kept, each with how far it is."""
    moment = timezone.now()
    looks = _kept_here().filter(by=request.user, at__gte=moment - KEPT_FOR)
    found = [(look, progress_of(look, moment)) for look in looks.order_by("-at", "-pk")[:SHOWN]]
    return [(look, progress) for look, progress in found if not progress.is_gone]


@require_GET
@asks(Right.TAKE_OUT)
def workbook_made(request: HttpRequest, pk: int) -> HttpResponse:
    """How far a workbook is: the page asks again by itself while it is being written."""
    look = _look_of(request, pk)
    asked, progress = from_plain(look.asked), progress_of(look, timezone.now())
    moments = [("As of", asked.at), ("As the register knew it at", asked.known_at)]
    facts = [
        (label, f"{at.astimezone(asked.clock):%-d %b %Y, %H:%M} ({asked.zone})") for label, at in moments
    ]
    context = {
        "look": look,
        "facts": [{"label": label, "value": says} for label, says in facts + in_words(asked, names())],
        "progress": progress,
        "how_far": f"{progress.row_count:,} of about {progress.of:,} rows",
        "until": look.at + KEPT_FOR,
    }
    return render(request, "competence/workbook/made.html", context)


@require_GET
@asks(Right.TAKE_OUT)
def workbook_file(request: HttpRequest, pk: int) -> FileResponse:
    """The file. Whoever takes out what somebody else asked for takes it out too, and that is noted."""
    look = _look_of(request, pk)
    if not file_of(look).exists():
        raise Http404("This workbook is not ready, or was deleted after a day.")
    if look.by_id != request.user.pk:
        note_workbook(by=request.user, asked=from_plain(look.asked))
    return _handed_over(look)


def _handed_over(look: Look) -> FileResponse:
    asked = from_plain(look.asked)
    name = f"register-{asked.at.astimezone(asked.clock):%Y-%m-%d-%H%M}.xlsx"
    return FileResponse(file_of(look).open("rb"), content_type=WORKBOOK, as_attachment=True, filename=name)


def _kept_here() -> QuerySet[Look]:
    """Workbooks asked for on screen; the file of one from a terminal lies wherever it was written to."""
    return Look.objects.filter(kind=Look.Kind.WORKBOOK, asked__has_key="row_count")


def _look_of(request: HttpRequest, pk: int) -> Look:
    looks = _kept_here().select_related("by").filter(at__gte=timezone.now() - 2 * KEPT_FOR)
    look = get_object_or_404(looks, pk=pk)
    require_sites(request.user, from_plain(look.asked))
    return look


urlpatterns: list[URLPattern] = [
    path("workbook/", workbook, name="workbook"),
    path("workbook/<int:pk>/", workbook_made, name="workbook-made"),
    path("workbook/<int:pk>/file/", workbook_file, name="workbook-file"),
]
