"""The journal's side of an evidence pack: which entries speak of what it tells, and the proof of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.apps import apps

from assessments.queries.evidence_pack import PackRows
from competence.models import ErasedRow, JournalEntry
from competence.queries.record_entries import RECORD_KINDS, entries_about
from competence.queries.record_rows import Mark, marks_of


@dataclass(frozen=True)
class PackProof:
    """``entries``: those that speak of the pack's rows by the moment of knowledge, the oldest first;
    ``unprovable``: those whose reason was erased, so that their words can be shown to nobody; ``shown``: the
    rows that the pack's bundle discloses; ``marks``: where each row was first written down."""

    entries: tuple[JournalEntry, ...]
    unprovable: frozenset[int]
    shown: frozenset[tuple[str, str]]
    marks: Mapping[tuple[str, str], Mark]

    @property
    def provable(self) -> Sequence[JournalEntry]:
        return [entry for entry in self.entries if entry.pk not in self.unprovable]

    def number_of(self, row: Any) -> str:
        """The number of the entry that first wrote the row down."""
        mark = self.marks.get((row._meta.label_lower, str(row.pk)))
        return str(mark.entry) if mark else "none"


def pack_proof(rows: PackRows) -> PackProof:
    """At most twelve statements, however many rows."""
    keys = rows.name_keys()
    entries = [entry for entry in entries_about(keys) if entry.at <= rows.asked.known_at]
    erased = ErasedRow.objects.filter(
        kind=JournalEntry._meta.label_lower, key__in=[str(entry.pk) for entry in entries]
    )
    return PackProof(
        tuple(entries),
        frozenset(int(key) for key in erased.values_list("key", flat=True)),
        frozenset(keys | _parts(rows)),
        marks_of(keys),
    )


def _parts(rows: PackRows) -> set[tuple[str, str]]:
    """The parts of the records told: a statement for each kind of part."""
    told: dict[str, list[Any]] = {
        "assessment": [record.assessment.pk for record in rows.records],
        "sitting": [sheet.sitting.pk for sheet in rows.sittings],
        "check": list(rows.findings),
    }
    found: set[tuple[str, str]] = set()
    for kind, keys in told.items():
        for label, lookup in RECORD_KINDS[kind].parts:
            # What is no part of the pack as it was known stays out, though its record is told.
            if label == "assessments.assessmentcorrection" or not keys:
                continue
            parts = apps.get_model(label)._base_manager.filter(**{f"{lookup}__in": keys})
            found.update((label, str(key)) for key in parts.values_list("pk", flat=True))
    return found
