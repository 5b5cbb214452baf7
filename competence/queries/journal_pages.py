"""The journal's entries as a list, and one entry in words."""

import json
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.apps import apps
from django.db.models import Exists, Model, OuterRef, QuerySet

from competence.models import Account, JournalEntry, JournalledRow, ListedPoint
from competence.queries.counted import counted


@dataclass(frozen=True)
class EntriesAsked:
    """What the list of entries is narrowed to; an empty value narrows nothing. ``by``: a username."""

    by: str = ""
    action: str = ""
    first_moment: datetime | None = None
    before: datetime | None = None


def entries_asked(asked: EntriesAsked) -> QuerySet[JournalEntry]:
    """The newest first, each with ``row_count``. No statement until it is read; then one, and one more for a
    page's count."""
    found = JournalEntry.objects.select_related("by")
    if asked.by:
        found = found.filter(by__username=asked.by)
    if asked.action:
        found = found.filter(action=asked.action)
    if asked.first_moment is not None:
        found = found.filter(at__gte=asked.first_moment)
    if asked.before is not None:
        found = found.filter(at__lt=asked.before)
    rows = JournalledRow.objects.filter(entry=OuterRef("pk"))
    return found.annotate(row_count=counted(rows, "entry")).order_by("-pk")


def choices_of_entries() -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Who wrote entries, and what they did, to choose from. Two statements."""
    # Asked of each account, not of each entry.
    people = Account.objects.filter(Exists(JournalEntry.objects.filter(by=OuterRef("pk")))).order_by(
        "last_name", "first_name"
    )
    actions = JournalEntry.objects.order_by("action").values_list("action", flat=True).distinct()
    return [(one.username, one.name) for one in people], [(one, in_words(one)) for one in actions]


def in_words(action: str) -> str:
    """An action as the journal names it, for reading: ``ticket.issued`` is "Ticket issued"."""
    subject, _, done = action.partition(".")
    # Set-up names its rows by the model: "minimumcover" is "minimum cover".
    with suppress(LookupError):
        subject = str(apps.get_model("competence", subject)._meta.verbose_name)
    return f"{subject} {done}".strip().replace("_", " ").capitalize()


@dataclass(frozen=True)
class ShownRow:
    """One row as an entry left it. ``brief``: what it is about, where that can be said in a word or two;
    ``facts``: what its columns say, without the empty ones; ``folded``: those that hold much, as indented
    JSON. Both are empty where the content was erased."""

    row: JournalledRow
    noun: str
    brief: str
    facts: tuple[tuple[str, str], ...]
    folded: tuple[tuple[str, str], ...]
    empty_count: int

    @property
    def is_erased(self) -> bool:
        return self.row.content is None

    @property
    def commitment(self) -> str:
        return bytes(self.row.commitment).hex()


def rows_of_entry(entry: JournalEntry) -> list[ShownRow]:
    """The rows that an entry committed to, with their content in words. Two statements at most."""
    rows = list(entry.rows.order_by("pk"))
    listed = {row.content["listed_id"] for row in rows if row.content and row.content.get("listed_id")}
    points = ListedPoint.objects.filter(pk__in=listed) if listed else ListedPoint.objects.none()
    titles = dict(points.values_list("pk", "point__title"))
    return [_shown(row, titles) for row in rows]


def _shown(row: JournalledRow, titles: dict[int, str]) -> ShownRow:
    model = _model(row.kind)
    labels = (
        {field.attname: str(field.verbose_name) for field in model._meta.concrete_fields} if model else {}
    )
    facts, folded, empty_count = [], [], 0
    for name, value in (row.content or {}).items():
        label = labels.get(name, name.removesuffix("_id").replace("_", " "))
        if value is None or value in ("", [], {}):
            empty_count += 1
        elif isinstance(value, dict | list):
            folded.append((label, json.dumps(value, indent=1, ensure_ascii=False)))
        else:
            facts.append((label, _said(value)))
    noun = str(model._meta.verbose_name) if model else row.kind
    return ShownRow(row, noun, _brief(row.content or {}, titles), tuple(facts), tuple(folded), empty_count)


def _model(kind: str) -> type[Model] | None:
    try:
        return apps.get_model(kind)
    except (LookupError, ValueError):
        return None


def _brief(content: dict[str, Any], titles: dict[int, str]) -> str:
    """The point and its answer, or the number or name that the row goes by."""
    title = titles.get(content.get("listed_id", 0), "")
    if title and content.get("answer"):
        return f"{title}: {str(content['answer']).replace('_', ' ')}"
    names = ("number", "fleet_number", "name", "title", "username", "kind")
    return title or next((str(content[name]) for name in names if content.get(name)), "")


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
