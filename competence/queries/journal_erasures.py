"""What the journal itself says was erased: without that, an image that lost its content is an alteration."""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, field

from django.db.models import Count, Sum, TextField
from django.db.models.functions import Cast, Coalesce

from competence.models import ErasedRow, Erasure, JournalEntry, JournalledRow
from competence.models.images import entry_bytes

OF_ENTRIES = JournalEntry._meta.label_lower


@dataclass
class Explained:
    """``rows``: by kind and key the newest entry that erased what older ones held; ``left_as``: by the number
    of an entry whose reason was erased, what is left of it."""

    rows: dict[tuple[str, str], int] = field(default_factory=dict)
    left_as: dict[int, str] = field(default_factory=dict)

    def explains(self, kind: str, key: str, entry: int) -> bool:
        """Whether a later entry says that it erased the image of this row in ``entry``."""
        return entry < self.rows.get((kind, key), 0)


def explained() -> Explained:
    """Every row that the journal says was erased, from its own committed images. One statement."""
    found = Explained()
    told = JournalledRow.objects.filter(kind=ErasedRow._meta.label_lower).annotate(
        text=Cast("content", TextField())
    )
    for entry, text in told.values_list("entry_id", "text").order_by("entry_id").iterator(chunk_size=2000):
        try:
            row = json.loads(text)
            kind, key = row["kind"], row["key"]
            if kind == OF_ENTRIES:
                found.left_as[int(key)] = row["left_as"]
            else:
                found.rows[kind, key] = max(entry, found.rows.get((kind, key), 0))
        except (TypeError, ValueError, KeyError):
            # An image that cannot be read explains nothing; that it was altered is told of the image itself.
            continue
    return found


def left_of(entry: JournalEntry, rows: Iterable[tuple[str, str, bytes]]) -> str:
    """SHA-256 of an entry without its reason, and of its leaf: what an erasure commits to."""
    return hashlib.sha256(entry_bytes(entry, rows) + bytes(entry.leaf)).hexdigest()


@dataclass(frozen=True)
class ErasureLine:
    """One act of erasing, with how many rows and images of the journal it overwrote."""

    erasure: Erasure
    rows: int
    images: int

    def as_json(self) -> dict[str, object]:
        return {
            "erasure": self.erasure.pk,
            "at": self.erasure.at.isoformat(),
            "by": self.erasure.by_id,
            "kind": self.erasure.kind,
            "why": self.erasure.why,
            "rows": self.rows,
            "images": self.images,
        }


def erasure_lines(limit: int | None = None) -> list[ErasureLine]:
    """What was erased, the newest first. One statement."""
    found = Erasure.objects.select_related("by", "operator").annotate(
        row_count=Count("rows"), image_count=Coalesce(Sum("rows__images"), 0)
    )
    return [ErasureLine(one, one.row_count, one.image_count) for one in found.order_by("-pk")[:limit]]
