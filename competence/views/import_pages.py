"""What the pages of one import share: the draft and its rows, the steps, a file to take away."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render

from competence.actions.imports import require_import
from competence.inputs.import_files import read_kept
from competence.inputs.spreadsheet import Sheet, UnreadableSpreadsheet
from competence.models import ImportFile

STEPS = (("import-columns", "Columns"), ("import-values", "Values"), ("import-dry-run", "What would happen"))
# The page of a long file that is being worked on is part of the last step.
CURRENT = {"import-running": "import-dry-run"}


def draft_of(request: HttpRequest, pk: int) -> ImportFile:
    """The file, where it is one's own or one keeps people everywhere."""
    kept = get_object_or_404(ImportFile.objects.select_related("uploaded_by", "imported_by"), pk=pk)
    require_import(request.user, kept)
    return kept


def sheet_of(request: HttpRequest, kept: ImportFile) -> Sheet | HttpResponse:
    """The draft's rows; or where to go when it is no draft any more or its copy is gone."""
    if kept.status != ImportFile.Status.IN_PROGRESS:
        return redirect("import-result", kept.pk)
    try:
        return read_kept(kept)
    except (UnreadableSpreadsheet, OSError, ValueError):
        messages.error(request, f"The copy of {kept.name} can be read no longer. Send the file again.")
        return redirect("import-list")


def page_of(request: HttpRequest, kept: ImportFile, step: str, context: dict[str, Any]) -> HttpResponse:
    steps = [
        {"name": name, "label": label, "number": number, "is_current": name == CURRENT.get(step, step)}
        for number, (name, label) in enumerate(STEPS, start=1)
    ]
    template = step.removeprefix("import-").replace("-", "_")
    return render(
        request, f"competence/imports/{template}.html", {"import_file": kept, "steps": steps, **context}
    )


def file_name(name: str) -> str:
    """A name that every system takes."""
    safe = "".join(c if c.isalnum() or c in " .-_" else "_" for c in name).encode("ascii", "replace").decode()
    return safe.replace("?", "_")
