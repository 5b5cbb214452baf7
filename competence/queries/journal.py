"""Verifying the whole journal, and with it every row of the register."""

from bisect import bisect_right
from collections.abc import Iterator
from contextlib import suppress
from typing import Any

from django.db.models import Exists, OuterRef, QuerySet

from competence.models import Checkpoint, JournalEntry, JournalledRow
from competence.models.images import entry_bytes
from competence.queries.checkpoints import (
    Statement,
    octets,
    public_key,
    statement_of,
)
from competence.queries.journal_erasures import Explained, erasure_lines, explained, left_of
from competence.queries.journal_quick import Glance, glance
from competence.queries.journal_report import Report
from competence.queries.journal_rows import UNREADABLE, compare_rows, readable
from competence.queries.journal_tree import LeafTree
from competence.queries.one_snapshot import one_snapshot
from competence.rules.journal import HASH_BYTES, is_consistent, leaf_hash

# A gap of more missing entries than this is told as one entry out of place.
FILLED_GAP = 1000
# Of so many entries that do not pass at a glance, reading all of them is as quick.
MOST_DOUBTFUL = 5000


def verify(*, kept: Statement | None = None, with_photographs: bool = True) -> Report:
    """Hold every entry, checkpoint, journalled row and photograph against one another.

    ``kept`` is a checkpoint that was kept away from the register: the journal must extend it, which is how
    a tail that was cut off is found. Reads in one snapshot of the database and changes nothing. The number
    of statements depends on the number of models and of problems, not of rows; what is held in memory is
    32 bytes an entry, and a line for each row that was erased.
    """
    report = Report()
    with one_snapshot():
        erased = check_journal(report, kept)
        compare_rows(report, erased, with_photographs=with_photographs)
        report.erasures = erasure_lines()
    return report


def check_journal(report: Report, kept: Statement | None = None) -> Explained:
    """The journal by itself: every entry, the tree, the checkpoints. What it says was erased comes back."""
    seen = glance()
    if seen is not None and seen.tree is not None:
        tree, out_of_order = seen.tree, []
        report.sealed = tree.get_size()
    else:
        tree, out_of_order = _read_positions(report)
    _check_checkpoints(report, tree, out_of_order)
    if kept is not None:
        _check_kept(report, tree, kept)
    erased = explained()
    _check_entries(report, erased, seen)
    return erased


def _read_positions(report: Report) -> tuple[LeafTree, list[tuple[int, int]]]:
    """The tree of the stored leaves, and (position, entry) of each that stands after a younger one."""
    tree, out_of_order, newest = LeafTree(), [], 0
    sealed = JournalEntry.objects.filter(position__isnull=False).order_by("position")
    for position, number, leaf in sealed.values_list("position", "id", "leaf").iterator(chunk_size=5000):
        report.sealed += 1
        if not isinstance(position, int) or position - tree.get_size() > FILLED_GAP:
            report.problem(
                "altered entry",
                f"entry {number}",
                f"Entry {number} stands at position {position}: it was moved, or all before it deleted.",
            )
            continue
        while position > tree.get_size():
            report.problem(
                "deleted entry",
                f"position {tree.get_size()}",
                f"No entry stands at position {tree.get_size()} of the journal: it was deleted or moved.",
            )
            tree.append_leaf(bytes(HASH_BYTES))
        leaf = octets(leaf)
        tree.append_leaf(leaf if len(leaf) == HASH_BYTES else bytes(HASH_BYTES))
        if number < newest:
            out_of_order.append((position, number))
        newest = max(newest, number)
    return tree, out_of_order


def _check_checkpoints(report: Report, tree: LeafTree, out_of_order: list[tuple[int, int]]) -> None:
    key = public_key()
    previous: Statement | None = None
    was_right, is_any_wrong, sizes = True, False, [0]
    for size, checkpoint in readable(Checkpoint.objects.all(), by="size"):
        report.checkpoints += 1
        stated = _stated(checkpoint)
        if stated is None:
            report.problem(
                "altered checkpoint", f"checkpoint at {size}", f"The checkpoint at {size} cannot be read."
            )
            continue
        _check_signature(report, stated, key)
        is_right = _check_root(report, tree, stated, previous if was_right else None)
        if is_right and not is_any_wrong:
            report.right_until = (stated.size, stated.at)
        is_any_wrong = is_any_wrong or not is_right
        if previous and stated.size <= tree.get_size() and (is_right or was_right):
            _check_pair(report, tree, previous, stated)
        sizes.append(stated.size)
        previous, was_right = stated, is_right
    signed = previous.size if previous else 0
    if tree.get_size() > signed:
        report.problem(
            "inserted entry",
            f"positions {signed} to {tree.get_size() - 1}",
            f"{tree.get_size() - signed} entries stand from position {signed} on, "
            "and no checkpoint signed them.",
        )
    _name_swaps(report, out_of_order, sizes, is_any_wrong)


def _stated(checkpoint: Checkpoint | None) -> Statement | None:
    try:
        stated = statement_of(checkpoint) if checkpoint else None
    except UNREADABLE:
        return None
    return stated if stated and isinstance(stated.size, int) and stated.size > 0 else None


def _check_root(report: Report, tree: LeafTree, stated: Statement, right_before: Statement | None) -> bool:
    """Whether the entries make the root stated; ``right_before`` narrows down where they stop doing so."""
    subject, stand = f"checkpoint at {stated.size}", tree.get_size()
    if stated.size > stand:
        report.problem(
            "deleted entry",
            subject,
            f"The {subject} signed {stated.size} entries; {stand} stand in the journal. The end was cut off.",
        )
        return False
    if tree.get_root(stated.size) == stated.root:
        return True
    since = f" They made the root at {right_before.size}." if right_before else ""
    report.problem(
        "wrong root",
        subject,
        f"The first {stated.size} entries do not make the root that the {subject} states.{since}",
    )
    return False


def _check_signature(report: Report, stated: Statement, key: bytes) -> None:
    subject = f"checkpoint at {stated.size}"
    if stated.public_key != key:
        report.problem("wrong key", subject, f"The {subject} names another key than the register's own.")
    if not stated.is_signed:
        report.problem(
            "bad signature", subject, f"The signature of the {subject} does not fit what it states."
        )


def _check_pair(report: Report, tree: LeafTree, older: Statement, newer: Statement) -> None:
    path = tree.consistency_path(older.size, newer.size)
    if not is_consistent(
        old_size=older.size, old_root=older.root, new_size=newer.size, new_root=newer.root, path=path
    ):
        report.problem(
            "inconsistent checkpoints",
            f"checkpoints at {older.size} and {newer.size}",
            f"The journal signed at {newer.size} does not extend the one signed at {older.size}.",
        )


def _name_swaps(
    report: Report, out_of_order: list[tuple[int, int]], sizes: list[int], is_root_wrong: bool
) -> None:
    """A sealing gives positions in the order of entry numbers; across two sealings a slow transaction may
    bring an older number later, so that alone is no problem."""
    for position, number in out_of_order:
        start = sizes[bisect_right(sizes, position) - 1]
        together = JournalEntry.objects.filter(position__gte=start, position__lt=position, id__gt=number)
        were_sealed_together = together.exists()
        if were_sealed_together or is_root_wrong:
            swapped = "were swapped" if were_sealed_together else "may have been swapped"
            report.problem(
                "swapped entries",
                f"entry {number}",
                f"Entry {number} stands at position {position}, after an entry with a higher number: "
                f"their places {swapped}.",
            )


def _check_kept(report: Report, tree: LeafTree, kept: Statement) -> None:
    subject = f"kept checkpoint at {kept.size}"
    _check_signature(report, kept, public_key())
    if kept.size > tree.get_size():
        report.problem(
            "deleted entry",
            subject,
            f"The {subject} signed {kept.size} entries; {tree.get_size()} are sealed in the journal now. "
            "The end was cut off.",
        )
    elif tree.get_root(kept.size) != kept.root:
        report.problem("wrong root", subject, f"The journal does not extend the {subject}.")


def _check_entries(report: Report, erased: Explained, seen: Glance | None) -> None:
    """Each entry's leaf against its own columns and its rows' commitments: of those that did not pass at a
    glance, or of all."""
    with suppress(*UNREADABLE):
        report.first_at = JournalEntry.objects.order_by("id").values_list("at", flat=True).first()
    if seen is None or len(seen.doubtful) > MOST_DOUBTFUL:
        for entry in _read_in_full(report, erased, JournalEntry.objects.all(), JournalledRow.objects.all()):
            report.entries += 1
            report.unsealed += entry is not None and entry.position is None
        return
    report.entries, report.unsealed = seen.entries, seen.unsealed
    if seen.doubtful:
        entries = JournalEntry.objects.filter(pk__in=seen.doubtful)
        rows = JournalledRow.objects.filter(entry__in=seen.doubtful)
        for _ in _read_in_full(report, erased, entries, rows):
            pass
    if seen.rows != JournalledRow.objects.count():
        has_entry = Exists(JournalEntry.objects.filter(pk=OuterRef("entry_id")))
        _Commitments(report, JournalledRow.objects.filter(~has_entry)).of(None)


def _read_in_full(
    report: Report, erased: Explained, entries: QuerySet, rows_read: QuerySet
) -> Iterator[JournalEntry | None]:
    """Entries and the rows that they speak of, read in step. Of an entry whose reason was erased the rest is
    held against what the erasure said it left."""
    rows = _Commitments(report, rows_read)
    for number, entry in readable(entries, by="id"):
        yield entry
        if not _is_as_written(entry, rows.of(number), erased.left_as.get(number)):
            told = f" ({entry.action})" if entry else ""
            report.problem(
                "altered entry",
                f"entry {number}",
                f"Entry {number}{told} is not what was written: who, when, what, why, or the rows that it "
                "lists were altered.",
            )
    rows.of(None)


def _is_as_written(
    entry: JournalEntry | None, rows: list[tuple[str, str, bytes]], left_as: str | None
) -> bool:
    try:
        if entry is not None and left_as:
            return left_of(entry, rows) == left_as
        return entry is not None and leaf_hash(entry_bytes(entry, rows)) == octets(entry.leaf)
    except UNREADABLE:
        return False


class _Commitments:
    """The journal's rows in order of entry, handed out one entry at a time."""

    def __init__(self, report: Report, rows: QuerySet) -> None:
        self._report = report
        rows = rows.order_by("entry_id", "id")
        self._rows = rows.values_list("entry_id", "kind", "key", "commitment").iterator(chunk_size=5000)
        self._next = next(self._rows, None)

    def of(self, entry: int | None) -> list[tuple[str, str, bytes]]:
        """Those of ``entry``; what is passed over on the way belongs to no entry. ``None``: to the end."""
        mine = []
        while self._next and (entry is None or _is_up_to(self._next[0], entry)):
            belongs_to, kind, key, commitment = self._next
            if belongs_to == entry:
                mine.append((kind, key, octets(commitment)))
            else:
                self._report.problem(
                    "deleted entry",
                    f"entry {belongs_to}",
                    f"The journal holds {kind} {key} under entry {belongs_to}, which is not there.",
                )
            self._next = next(self._rows, None)
        return mine


def _is_up_to(number: Any, entry: int) -> bool:
    # SQLite would keep a word where a number belongs, and puts it last.
    return isinstance(number, int) and number <= entry
