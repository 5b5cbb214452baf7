"""The journal: its latest checkpoint, how to verify it, and what its entries say."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET, require_POST

from competence.forms.journal import EntriesForm
from competence.models import JournalEntry
from competence.permissions import Right, may_everywhere, require_everywhere
from competence.queries.checkpoints import (
    JournalKeyUnusable,
    journal_head,
    latest_checkpoint,
)
from competence.queries.journal import verify
from competence.queries.journal_pages import (
    EntriesAsked,
    choices_of_entries,
    entries_asked,
    in_words,
    rows_of_entry,
)
from competence.queries.journal_report import words_of
from competence.views.doing import asks
from competence.views.lists import choice, paged, span_asked, typed


def _sees_contents(request: HttpRequest) -> bool:
    """Entries concern every site, so their contents are for roles that are held for every site."""
    return may_everywhere(request.user, Right.SEE_JOURNAL)


@require_GET
@asks(Right.SEE_JOURNAL)
def journal(request: HttpRequest) -> HttpResponse:
    return render(
        request,
        "competence/journal/journal.html",
        {**journal_head(), **_entries(request), "bundle_form": EntriesForm()},
    )


def _entries(request: HttpRequest) -> dict:
    if not _sees_contents(request):
        return {"sees_contents": False}
    span = span_asked(request)
    asked = EntriesAsked(
        by=typed(request, "by"),
        action=typed(request, "action"),
        first_moment=span.first_moment,
        before=span.before,
    )
    page, query = paged(request, entries_asked(asked))
    people, actions = choices_of_entries()
    return {
        "sees_contents": True,
        "page": page,
        "query": query,
        "rows": [(entry, in_words(entry.action)) for entry in page],
        "is_filtered": asked != EntriesAsked(),
        "selects": [
            choice("by", "Who", people, asked.by, "Anybody"),
            choice("action", "What was done", actions, asked.action, "Anything"),
        ],
        "dates": span.choices,
    }


@require_POST
@asks(Right.SEE_JOURNAL)
def journal_verify(request: HttpRequest) -> HttpResponse:
    """Hold the whole register against its journal now. It changes nothing, so the answer is the page."""
    try:
        report = verify()
    except JournalKeyUnusable as error:
        messages.error(request, str(error))
        return redirect("journal")
    context = {
        **journal_head(),
        "report": report,
        "words": words_of(report),
        "sees_contents": _sees_contents(request),
        "counts": [{"label": name.capitalize(), "value": str(n)} for name, n in report.counts().items()],
        "kinds": [{"label": kind.capitalize(), "value": str(n)} for kind, n in sorted(report.found.items())],
    }
    return render(request, "competence/journal/verified.html", context)


@require_GET
@asks(Right.SEE_JOURNAL)
def journal_entry(request: HttpRequest, pk: int) -> HttpResponse:
    require_everywhere(request.user, Right.SEE_JOURNAL)
    entry = get_object_or_404(JournalEntry.objects.select_related("by"), pk=pk)
    checkpoint = latest_checkpoint()
    is_sealed = checkpoint is not None and entry.position is not None and entry.position < checkpoint.size
    context = {
        "entry": entry,
        "what": in_words(entry.action),
        "rows": rows_of_entry(entry),
        "leaf": bytes(entry.leaf).hex(),
        "checkpoint": checkpoint,
        "is_sealed": is_sealed,
    }
    return render(request, "competence/journal/entry.html", context)


urlpatterns: list[URLPattern] = [
    path("journal/", journal, name="journal"),
    path("journal/verify/", journal_verify, name="journal-verify"),
    path("journal/<int:pk>/", journal_entry, name="journal-entry"),
]
