"""The journal's entries as a list, and one entry in words."""

from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.apps import apps
from django.db.models import Exists, OuterRef, QuerySet

from competence.models import Account, JournalEntry, JournalledRow
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
    """One row as an entry left it. ``facts`` is empty where the content was erased."""

    row: JournalledRow
    noun: str
    facts: tuple[tuple[str, str], ...]

    @property
    def commitment(self) -> str:
        return bytes(self.row.commitment).hex()


def rows_of_entry(entry: JournalEntry) -> list[ShownRow]:
    """The rows that an entry committed to, with their content in words. One statement."""
    return [
        ShownRow(row, _noun(row.kind), tuple(_facts(row.content or {}))) for row in entry.rows.order_by("pk")
    ]


def _noun(kind: str) -> str:
    try:
        return str(apps.get_model(kind)._meta.verbose_name)
    except (LookupError, ValueError):
        return kind


def _facts(content: dict[str, Any]) -> list[tuple[str, str]]:
    return [(name.replace("_", " "), _said(value)) for name, value in content.items()]


def _said(value: Any) -> str:
    if value is None or value == "":
        return "empty"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return str(value)
