"""Files that the register hands out: to keep, to be shown in the browser, and photographs."""

from django.db.models.fields.files import FieldFile
from django.http import FileResponse, Http404, HttpResponse
from django.utils.http import content_disposition_header

PDF, ZIP = "application/pdf", "application/zip"
WORKBOOK = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"


def file_to_keep(content: bytes | str, name: str, content_type: str) -> HttpResponse:
    """A file that the browser saves."""
    return _file(content, name, content_type, is_saved=True)


def file_to_show(content: bytes | str, name: str, content_type: str) -> HttpResponse:
    """A file that the browser may show as it comes."""
    return _file(content, name, content_type, is_saved=False)


def _file(content: bytes | str, name: str, content_type: str, *, is_saved: bool) -> HttpResponse:
    named = {"Content-Disposition": content_disposition_header(is_saved, name)}
    return HttpResponse(content, content_type=content_type, headers=named)


def photograph_file(photograph: FieldFile) -> FileResponse:
    """A photograph on record, for the browser of whoever was found to be allowed to see it."""
    if not photograph:
        raise Http404("There is no photograph.")
    try:
        picture = photograph.open("rb")
    except FileNotFoundError as gone:
        raise Http404("The photograph's file is missing.") from gone
    answer = FileResponse(
        picture, content_type="image/jpeg", filename=f"photograph-{photograph.instance.pk}.jpg"
    )
    answer["Cache-Control"] = "private, max-age=3600"
    return answer
