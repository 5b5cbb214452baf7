"""Proof for strangers: the entries of one record, bundles to take out and to check, checkpoints, the key."""

from typing import Any

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import URLPattern, path, reverse
from django.views.decorators.http import require_GET, require_POST

from competence.forms.journal import CheckBundleForm, CompareForm, EntriesForm, SinceForm
from competence.inputs.bundle_files import UnreadableBundle, bundle_in
from competence.models import Checkpoint, Site
from competence.outputs.proof_bundle import bundle, bundle_file, take_out, take_out_entries, verifier
from competence.outputs.verify_bundle import NotUnderstood, as_written, check
from competence.permissions import NotAllowed, Right, may, may_everywhere, require, require_everywhere
from competence.queries.checkpoints import JournalKeyUnusable, latest_checkpoint, public_key
from competence.queries.journal_pages import in_words
from competence.queries.journal_proofs import CannotProve, checkpoint_of_size
from competence.queries.journal_tree import JournalBroken
from competence.queries.record_entries import (
    RecordKind,
    UnknownRecord,
    entries_about,
    record_asked,
    rows_of_record,
)
from competence.views.doing import asks
from competence.views.files import ZIP, file_to_keep
from competence.views.lists import paged

CANNOT = (CannotProve, JournalBroken, JournalKeyUnusable)


def _record(request: HttpRequest, kind: str, key: str) -> tuple[RecordKind, Any, Site]:
    """The record, where the account may see the journal at a site of it; and that site."""
    try:
        known, row = record_asked(kind, key)
    except UnknownRecord as error:
        raise Http404(str(error)) from None
    sites = known.sites(row)
    site = next((one for one in sites if may(request.user, Right.SEE_JOURNAL, site=one)), sites[0])
    require(request.user, Right.SEE_JOURNAL, site=site)
    why_hidden = known.hidden(request.user, row)
    if why_hidden:
        raise NotAllowed(why_hidden)
    return known, row, site


@require_GET
@asks(Right.SEE_JOURNAL)
def record_proof(request: HttpRequest, kind: str, key: str) -> HttpResponse:
    """Every entry of the journal that speaks of one record, each to be taken out with its proof."""
    known, row, _ = _record(request, kind, key)
    page_name, page_argument = known.page(row)
    context = {
        "kind": kind,
        "key": key,
        "noun": known.noun,
        "title": known.title(row),
        "back_url": reverse(page_name, args=[page_argument]),
        "entries": [(entry, in_words(entry.action)) for entry in entries_about(rows_of_record(known, row))],
        "sees_contents": may_everywhere(request.user, Right.SEE_JOURNAL),
        "form": SinceForm(),
    }
    return render(request, "competence/journal/record.html", context)


@require_POST
@asks(Right.SEE_JOURNAL)
def record_bundle(request: HttpRequest, kind: str, key: str) -> HttpResponse:
    """The record's entries, or one of them, as a bundle: only the record's own rows are disclosed."""
    known, row, site = _record(request, kind, key)
    form = SinceForm(request.POST)
    if not form.is_valid():
        messages.error(request, "Nothing was taken out: the checkpoint is a whole number of entries.")
        return redirect("record-proof", kind, key)
    rows, only, since = rows_of_record(known, row), form.cleaned_data["entry"], form.cleaned_data["since"]
    numbers = [entry.pk for entry in entries_about(rows) if only in (None, entry.pk)]
    try:
        if not numbers:
            raise CannotProve("The journal says nothing of this record yet, so there is nothing to take out.")
        noted = {"site": site, "asked": {"record": f"{known.noun} {known.title(row)}"}, **known.about(row)}
        content = take_out(
            by=request.user, numbers=numbers, since=_checkpoint(since), shown=rows, noted=noted
        )
    except CANNOT as error:
        messages.error(request, str(error))
        return redirect("record-proof", kind, key)
    return file_to_keep(content, f"proof-{kind}-{key}.zip", ZIP)


@require_POST
@asks(Right.SEE_JOURNAL)
def entries_bundle(request: HttpRequest) -> HttpResponse:
    """Entries by their numbers as a bundle, with all that they say; so for who sees every site."""
    require_everywhere(request.user, Right.SEE_JOURNAL)
    form = EntriesForm(request.POST)
    if not form.is_valid():
        for sentences in form.errors.values():
            messages.error(request, f"Nothing was taken out. {sentences[0]}")
        return redirect("journal")
    numbers, since = form.cleaned_data["entries"], form.cleaned_data["since"]
    try:
        content = take_out_entries(by=request.user, numbers=numbers, since=_checkpoint(since))
    except CANNOT as error:
        messages.error(request, str(error))
        return redirect("journal")
    name = f"{numbers[0]}" if len(numbers) == 1 else f"{numbers[0]}-to-{numbers[-1]}"
    return file_to_keep(content, f"proof-entry-{name}.zip", ZIP)


def _checkpoint(size: int | None) -> Checkpoint | None:
    return None if size is None else checkpoint_of_size(size)


@require_GET
@asks(Right.SEE_JOURNAL)
def checkpoints(request: HttpRequest) -> HttpResponse:
    """Every checkpoint, and whether the journal at one of them begins with all of the journal at another."""
    form = CompareForm(request.GET if {"older", "newer"} & set(request.GET) else None)
    compared = None
    if form.is_bound and form.is_valid():
        try:
            compared = _compared(**form.cleaned_data)
        except CANNOT as error:
            form.add_error(None, str(error))
    page, query = paged(request, Checkpoint.objects.order_by("-size"))
    context = {
        "page": page,
        "query": query,
        "form": form,
        "compared": compared,
        "newest": latest_checkpoint(),
    }
    return render(request, "competence/journal/checkpoints.html", context)


def _compared(older: int, newer: int) -> dict[str, Any]:
    made = bundle([], since=checkpoint_of_size(older), until=checkpoint_of_size(newer))
    return {
        "older": checkpoint_of_size(older),
        "newer": checkpoint_of_size(newer),
        "path": made["older"]["path"],
        "holds": check(as_written(made), key=public_key()).holds,
    }


@require_GET
@asks(Right.SEE_JOURNAL)
def consistency(request: HttpRequest, older: int, newer: int) -> HttpResponse:
    """The proof that the journal at ``newer`` extends that at ``older``: a bundle without entries."""
    try:
        made = bundle([], since=checkpoint_of_size(older), until=checkpoint_of_size(newer))
    except CANNOT as error:
        messages.error(request, str(error))
        return redirect("journal-checkpoints")
    return file_to_keep(bundle_file(made), f"journal-{older}-to-{newer}.zip", ZIP)


@require_GET
@asks(Right.SEE_JOURNAL)
def key_file(request: HttpRequest) -> HttpResponse:
    try:
        return file_to_keep(f"{public_key().hex()}\n".encode(), "public-key.txt", "text/plain")
    except JournalKeyUnusable as error:
        messages.error(request, str(error))
        return redirect("journal")


@require_GET
@asks(Right.SEE_JOURNAL)
def verifier_file(request: HttpRequest) -> HttpResponse:
    return file_to_keep(verifier(), "verify_bundle.py", "text/x-python")


@asks(Right.SEE_JOURNAL)
def bundle_check(request: HttpRequest) -> HttpResponse:
    """An uploaded bundle, checked as a stranger checks it: each entry holds or does not. Nothing is kept."""
    form = CheckBundleForm(request.POST or None, request.FILES or None)
    findings = None
    if form.is_valid():
        given = form.cleaned_data
        try:
            content = bundle_in(given["bundle"], given["bundle"].size)
            kept = given["checkpoint"].read(100_000) if given["checkpoint"] else None
            findings = check(content, key=given["key"] or public_key(), kept=kept)
        except (UnreadableBundle, NotUnderstood, JournalKeyUnusable) as error:
            form.add_error("bundle", str(error))
    context = {
        "form": form,
        "findings": findings,
        "entries": [(entry, in_words(str(entry.action))) for entry in findings.entries] if findings else [],
        "is_own_key": findings is not None and not form.cleaned_data["key"],
    }
    return render(request, "competence/journal/bundle_check.html", context)


urlpatterns: list[URLPattern] = [
    path("journal/of/<slug:kind>/<str:key>/", record_proof, name="record-proof"),
    path("journal/of/<slug:kind>/<str:key>/bundle/", record_bundle, name="record-bundle"),
    path("journal/bundle/", entries_bundle, name="journal-bundle"),
    path("journal/check/", bundle_check, name="bundle-check"),
    path("journal/checkpoints/", checkpoints, name="journal-checkpoints"),
    path("journal/checkpoints/<int:older>-<int:newer>.zip", consistency, name="journal-consistency"),
    path("journal/public-key.txt", key_file, name="journal-key"),
    path("journal/verify_bundle.py", verifier_file, name="journal-verifier"),
]
