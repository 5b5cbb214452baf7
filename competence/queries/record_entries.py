"""Which entries of the journal speak of one record: the row itself, and the rows that are part of it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from competence.models import (
    Account,
    DailyCheck,
    Defect,
    Evidence,
    JournalEntry,
    JournalledRow,
    Operator,
    Refusal,
    Site,
    Ticket,
)


class UnknownRecord(LookupError):
    """There is no such record, or records of that kind have no page of proof."""


@dataclass(frozen=True)
class RecordKind:
    """A record that has a page of proof.

    ``related``: what its title and site are read with. ``parts``: (model, lookup from its rows to the
    record). ``sites``: where somebody may ask for it. ``about``: whom and what a note of the look names.
    ``page``: the name of its page's URL, and what the URL asks for. ``hidden``: why it is shown to this
    account not at all, or nothing.
    """

    noun: str
    model: type[models.Model]
    related: tuple[str, ...]
    parts: tuple[tuple[str, str], ...]
    title: Callable[[Any], str]
    sites: Callable[[Any], tuple[Site, ...]]
    about: Callable[[Any], dict[str, Any]]
    page: Callable[[Any], tuple[str, Any]]
    hidden: Callable[[Account, Any], str] = lambda account, row: ""


# By the word that stands in the page's address; the upper app adds its own.
RECORD_KINDS: dict[str, RecordKind] = {
    "operator": RecordKind(
        noun="operator",
        model=Operator,
        related=("state__site",),
        parts=(("competence.operatorstate", "operator"),),
        title=lambda row: f"{row.name} ({row.number})",
        sites=lambda row: (row.site,),
        about=lambda row: {"operator": row},
        page=lambda row: ("operator", row.number),
    ),
    "ticket": RecordKind(
        noun="ticket",
        model=Ticket,
        related=("category", "operator__state__site"),
        parts=(("competence.ticketevent", "ticket"),),
        title=lambda row: f"{row.number}, {row.category.name}, {row.operator.name}",
        sites=lambda row: (row.operator.site,),
        about=lambda row: {"operator": row.operator},
        page=lambda row: ("ticket", row.number),
    ),
    "evidence": RecordKind(
        noun="evidence",
        model=Evidence,
        related=("category", "operator__state__site"),
        parts=(("competence.evidence", "corrects"),),
        title=lambda row: f"{row.get_kind_display()}, {row.operator.name}, {row.occurred_on:%-d %B %Y}",
        sites=lambda row: (row.operator.site,),
        about=lambda row: {"operator": row.operator},
        page=lambda row: ("operator", row.operator.number),
    ),
    "check": RecordKind(
        noun="daily check",
        model=DailyCheck,
        related=("operator", "machine", "site"),
        parts=(("competence.finding", "daily_check"),),
        title=lambda row: f"{row.machine.fleet_number}, {row.operator.name}",
        sites=lambda row: (row.site,),
        about=lambda row: {"operator": row.operator, "machine": row.machine},
        page=lambda row: ("check-result", row.pk),
    ),
    "refusal": RecordKind(
        noun="refusal",
        model=Refusal,
        related=("operator", "machine", "site"),
        parts=(),
        title=lambda row: f"{row.operator.name} on {row.machine.fleet_number}",
        sites=lambda row: (row.site,),
        about=lambda row: {"operator": row.operator, "machine": row.machine},
        page=lambda row: ("refusal", row.pk),
    ),
    "defect": RecordKind(
        noun="defect",
        model=Defect,
        related=("machine__state__site", "site"),
        parts=(("competence.defectsighting", "defect"), ("competence.finding", "opened_defect")),
        title=lambda row: f"{row.point_title}, {row.machine.fleet_number}",
        sites=lambda row: (row.site, row.machine.site),
        about=lambda row: {"machine": row.machine},
        page=lambda row: ("defect", row.pk),
    ),
}


def record_asked(kind: str, key: str) -> tuple[RecordKind, Any]:
    """The record of that kind and key. One statement. Raises ``UnknownRecord``."""
    known = RECORD_KINDS.get(kind)
    if known is None:
        raise UnknownRecord(f"There is no page of proof for “{kind}”.")
    try:
        row = known.model._base_manager.select_related(*known.related).filter(pk=key).first()
    except (ValueError, ValidationError, OverflowError):
        row = None
    if row is None:
        raise UnknownRecord(f"There is no such {known.noun}.")
    return known, row


def rows_of_record(known: RecordKind, row: models.Model) -> set[tuple[str, str]]:
    """The record's own row and its parts, as the journal names rows: (kind, key). A statement a part."""
    found = {(known.model._meta.label_lower, str(row.pk))}
    for label, lookup in known.parts:
        keys = apps.get_model(label)._base_manager.filter(**{lookup: row.pk}).values_list("pk", flat=True)
        found.update((label, str(key)) for key in keys)
    return found


def entries_about(rows: set[tuple[str, str]]) -> list[JournalEntry]:
    """Every entry that speaks of one of ``rows``, the oldest first. A statement for each kind of row, and
    one."""
    spoken = Q(pk__in=[])
    for kind in sorted({kind for kind, _ in rows}):
        spoken |= Q(kind=kind, key__in=[key for of, key in rows if of == kind])
    numbers = JournalledRow.objects.filter(spoken).values("entry_id")
    return list(JournalEntry.objects.filter(pk__in=numbers).select_related("by").order_by("pk"))
