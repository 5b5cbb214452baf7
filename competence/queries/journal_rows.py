"""Every row of the register against the newest image of it in the journal, both read in order of key."""

import hashlib
import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any
from uuid import UUID

import rfc8785
from django.apps import apps
from django.core.exceptions import ObjectDoesNotExist, ValidationError
from django.db import connection, models
from django.db.models import BooleanField, Exists, ExpressionWrapper, F, OuterRef, Q, TextField, Value
from django.db.models.functions import Cast, Collate

from competence.models import Checkpoint, DailyCheck, ImportRun, JournalEntry, JournalledRow
from competence.models.base import ERASED_DIGEST
from competence.models.images import UNJOURNALLED_FIELDS, canonical, plain_value, row_image
from competence.queries.checkpoints import octets
from competence.queries.journal_erasures import Explained
from competence.queries.journal_report import Report
from competence.rules.journal import commitment_hash

JOURNALLED_APPS = ["competence", "assessments"]
# The journal is held together by its tree, not by entries about itself.
THE_JOURNAL = {JournalEntry, JournalledRow, Checkpoint}
# How far the work on a file is: never a record. What is brought in is journalled with the file.
WORKING_PAPERS = {ImportRun}
# What is not a record yet, by label. Nothing is expected of such a row until an entry speaks of it.
DRAFTS = {
    "competence.dailycheck": ExpressionWrapper(Q(status="draft"), BooleanField()),
    "competence.importfile": ExpressionWrapper(~Q(status="imported"), BooleanField()),
    # Not a join: that would lose the findings of a check that is not there.
    "competence.finding": Exists(
        DailyCheck.objects.filter(pk=OuterRef("daily_check_id"), status__in=["draft", "set_aside"])
    ),
}
# What reading a column may raise when something other than this register wrote it.
UNREADABLE = (ValueError, TypeError, AttributeError, ArithmeticError, ValidationError)
_CANNOT_BE_READ = object()


@dataclass
class _Image:
    """The newest state of one row that the journal tells of."""

    key: str
    entry: int
    content: Any
    canonical: bytes
    # An image that was altered is a problem of its own; the row cannot be held against it.
    is_sound: bool


def journalled_models() -> list[type[models.Model]]:
    return [
        model
        for app in JOURNALLED_APPS
        for model in apps.get_app_config(app).get_models()
        if model not in THE_JOURNAL | WORKING_PAPERS and model._meta.managed and not model._meta.proxy
    ]


def compare_rows(report: Report, erased: Explained, *, with_photographs: bool) -> None:
    """Every row, and every image; ``erased``: which images may have lost their content."""
    kinds = {model._meta.label_lower: model for model in journalled_models()}
    for model in kinds.values():
        _compare(report, model, erased, with_photographs=with_photographs and _has_photographs(model))
    others = (
        JournalledRow.objects.exclude(kind__in=kinds).order_by().values_list("kind", flat=True).distinct()
    )
    for kind in list(others):
        for image in _newest_images(report, kind, erased):
            report.problem(
                "altered journal row",
                f"{kind} {image.key}",
                f"Entry {image.entry} tells of {kind} {image.key}; the register keeps no such rows.",
            )


def _has_photographs(model: type[models.Model]) -> bool:
    return {"photograph", "photograph_sha256"} <= {field.name for field in model._meta.concrete_fields}


def _compare(report: Report, model: type[models.Model], erased: Explained, *, with_photographs: bool) -> None:
    images = _newest_images(report, model._meta.label_lower, erased)
    image = next(images, None)
    for key, row in _rows(model):
        while image and image.key < key:
            _say_missing(report, model, image)
            image = next(images, None)
        if image and image.key == key:
            _compare_one(report, model, key, row, image)
            image = next(images, None)
        elif row is not None and row.as_draft:
            report.drafts += 1
            continue
        else:
            _say_unknown(report, model, key, row)
        if with_photographs and row is not None:
            _check_photograph(report, row)
    while image:
        _say_missing(report, model, image)
        image = next(images, None)


def _in_order_of(expression: Any) -> Any:
    """Text in the order of its code points, as Python compares it; other databases ask their locale."""
    return Collate(expression, "C") if connection.vendor == "postgresql" else expression


def _newest_images(report: Report, kind: str, erased: Explained) -> Iterator[_Image]:
    """One image for each row of ``kind``, by key; on the way every image is held against its commitment, and
    one without content against what was erased."""
    rows = (
        JournalledRow.objects.filter(kind=kind)
        .annotate(ordered=_in_order_of(F("key")), text=Cast("content", TextField()))
        .order_by("ordered", "entry_id", "id")
        .values_list("key", "entry_id", "text", "salt", "commitment")
    )
    newest: _Image | None = None
    for key, entry, text, salt, commitment in rows.iterator(chunk_size=2000):
        report.journalled_rows += 1
        if newest and newest.key != key:
            _say_hidden(report, kind, newest)
            yield newest
        content, canonical, is_sound = None, b"", True
        if text is None:
            report.erased += 1
            if not erased.explains(kind, key, entry):
                report.problem(
                    "unexplained erasure",
                    f"{kind} {key} in entry {entry}",
                    f"The journal's image of {kind} {key} in entry {entry} has lost its content, and no "
                    "later erasure says so.",
                )
        else:
            content, canonical, is_sound = _opened(text, salt, commitment)
        if not is_sound:
            report.problem(
                "altered journal row",
                f"{kind} {key} in entry {entry}",
                f"The journal's image of {kind} {key} in entry {entry} is not what the entry committed to.",
            )
        newest = _Image(key, entry, content, canonical, is_sound)
    if newest:
        _say_hidden(report, kind, newest)
        yield newest


def _say_hidden(report: Report, kind: str, newest: _Image) -> None:
    """An erasure writes down what it left, so the newest image of a row always has its content: without, an
    alteration of the row could not be seen."""
    if newest.content is None and newest.is_sound:
        report.problem(
            "unexplained erasure",
            f"{kind} {newest.key}",
            f"The journal's newest image of {kind} {newest.key}, in entry {newest.entry}, has no content, so "
            "the row cannot be held against it.",
        )


def _opened(text: str, salt: Any, commitment: Any) -> tuple[Any, bytes, bool]:
    """An image's content, its canonical JSON, and whether the commitment is to it."""
    try:
        content = json.loads(text)
        written = canonical(content)
    except UNREADABLE:
        return None, b"", False
    return content, written, commitment_hash(octets(salt), written) == octets(commitment)


def _rows(model: type[models.Model]) -> Iterator[tuple[str, models.Model | None]]:
    """Each row by its key as the journal writes it; ``None`` for one that cannot be read as it stands."""
    as_draft = DRAFTS.get(model._meta.label_lower, Value(False, BooleanField()))
    rows = model._base_manager.annotate(as_draft=as_draft, as_key=_in_order_of(Cast("pk", TextField())))
    for key, row in readable(rows, by="as_key"):
        yield _written_key(model, key), row


def readable(rows: models.QuerySet, *, by: str) -> Iterator[tuple[Any, models.Model | None]]:
    """Rows in order of ``by``, which is unique; ``None`` for one whose columns hold what they cannot.

    Reading stops at such a row, so it is begun again after it.
    """
    rows, after = rows.order_by(by), None
    while True:
        try:
            for row in _after(rows, by, after).iterator(chunk_size=2000):
                yield getattr(row, by), row
                after = getattr(row, by)
            return
        except UNREADABLE:
            after = _after(rows, by, after).values_list(by, flat=True)[0]
            yield after, None


def _after(rows: models.QuerySet, by: str, value: Any) -> models.QuerySet:
    return rows if value is None else rows.filter(**{f"{by}__gt": value})


def _written_key(model: type[models.Model], text: str) -> str:
    # SQLite keeps a UUID without its hyphens; the order is the same.
    if isinstance(model._meta.pk, models.UUIDField) and len(text) == 32:
        try:
            return str(UUID(text))
        except ValueError:
            return text
    return text


def _compare_one(
    report: Report, model: type[models.Model], key: str, row: models.Model | None, image: _Image
) -> None:
    if image.content is None or not image.is_sound:
        return
    report.compared_rows += 1
    differences = _differences(model, key, row, image)
    if not differences:
        return
    if row is not None and row.as_draft and image.content.get("status") == "draft":
        report.drafts += 1
        return
    told = "; ".join(f"{name} was {_told(old)}, is {_told(new)}" for name, old, new in differences)
    name = _name(model, key, row)
    report.problem("altered row", name, f"{name} is not as entry {image.entry} left it: {told}.")


def _differences(
    model: type[models.Model], key: str, row: models.Model | None, image: _Image
) -> list[tuple[str, Any, Any]]:
    present = _image_of(model, key, row)
    if present == image.content and canonical(present) == image.canonical:
        return []
    names = {field.attname: str(field.verbose_name) for field in model._meta.concrete_fields}
    return [
        (names.get(column, column), image.content.get(column), present.get(column))
        for column in {**image.content, **present}
        if not _is_same(image.content.get(column), present.get(column))
    ]


def _is_same(old: Any, new: Any) -> bool:
    # Python holds 1 and True equal, and the journal does not.
    return new is not _CANNOT_BE_READ and old == new and rfc8785.dumps(old) == rfc8785.dumps(new)


def _image_of(model: type[models.Model], key: str, row: models.Model | None) -> dict[str, Any]:
    if row is not None:
        try:
            return row_image(row)
        except UNREADABLE:
            pass
    return {
        field.attname: _value_of(model, key, field)
        for field in model._meta.concrete_fields
        if field.name not in UNJOURNALLED_FIELDS
    }


def _value_of(model: type[models.Model], key: str, field: models.Field) -> Any:
    """One column on its own, where the whole row cannot be read."""
    try:
        return plain_value(field, model._base_manager.values_list(field.attname, flat=True).get(pk=key))
    except (*UNREADABLE, ObjectDoesNotExist):
        return _CANNOT_BE_READ


def _say_missing(report: Report, model: type[models.Model], image: _Image) -> None:
    name = _name(model, image.key, None)
    if image.content is None and image.is_sound:
        return
    report.problem("deleted row", name, f"{name} is missing; entry {image.entry} left it in the register.")


def _say_unknown(report: Report, model: type[models.Model], key: str, row: models.Model | None) -> None:
    name = _name(model, key, row)
    report.problem(
        "inserted row", name, f"{name} is in the register and no entry of the journal tells of it."
    )


def _check_photograph(report: Report, row: Any) -> None:
    """``row``: of a kind that keeps a photograph's file beside its digest."""
    if not row.photograph and not row.photograph_sha256:
        return
    if row.photograph_sha256 == ERASED_DIGEST:
        report.erased_photographs += 1
        return
    report.photographs += 1
    name = _name(type(row), str(row.pk), row)
    try:
        with row.photograph.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError):
        report.problem("missing photograph", name, f"The photograph of {name} is missing.")
        return
    if digest != row.photograph_sha256:
        report.problem("altered photograph", name, f"The photograph of {name} is not the one that was taken.")


def _name(model: type[models.Model], key: str, row: models.Model | None) -> str:
    """What people call the row: its kind, and how it names itself, where it still can."""
    kind = str(model._meta.verbose_name)
    try:
        visible = str(row) if row is not None else ""
    except (*UNREADABLE, ObjectDoesNotExist):
        visible = ""
    return f"{kind} “{visible}” (key {key})" if visible and visible != key else f"{kind} {key}"


def _told(value: Any) -> str:
    if value is _CANNOT_BE_READ:
        return "something that cannot be read"
    text = "nothing" if value in (None, "") else str(value)
    return text if len(text) <= 80 else f"{text[:77]}…"
