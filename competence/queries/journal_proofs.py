"""Proving entries of the journal, and that one checkpoint extends another, to a stranger."""

from collections.abc import Collection, Iterable, Sequence
from typing import Any

import rfc8785
from django.db.models import prefetch_related_objects

from competence.models import Checkpoint, ErasedRow, JournalEntry, JournalledRow
from competence.models.images import entry_bytes
from competence.queries.checkpoints import (
    Statement,
    checkpoint_as_json,
    latest_checkpoint,
    octets,
)
from competence.queries.journal_tree import JournalBroken, LeafTree, tree_at
from competence.rules.journal import is_consistent, is_included, leaf_hash

# Which rows of an entry are disclosed: (kind, key); ``None`` for all.
Shown = Collection[tuple[str, str]] | None


class CannotProve(LookupError):
    """The journal does not hold what was asked about."""


class NotSealed(CannotProve):
    """The entry has no place in the tree yet, so nothing can be proven of it."""


def prove(entry: JournalEntry, *, kind: str | None = None, key: str | None = None) -> dict[str, Any]:
    """All that a stranger needs to check one entry against the latest checkpoint; see rules/journal.py.

    With ``kind`` and ``key`` the contents of only that row are disclosed. Two statements, and the leaves
    that this process has not read yet. Raises ``NotSealed``, or ``CannotProve`` for a row that the entry
    lacks.
    """
    checkpoint = latest_checkpoint()
    shown = None if kind is None else {(kind, str(key))}
    [proof] = prove_all([entry], checkpoint, shown=shown)
    if shown is not None and not proof["rows"]:
        raise CannotProve(f"Entry {entry.pk} says nothing of {kind} {key}.")
    return proof | {"checkpoint": checkpoint_as_json(checkpoint)} if checkpoint else proof


def prove_all(
    entries: Sequence[JournalEntry], checkpoint: Checkpoint | None, *, shown: Shown = None
) -> list[dict[str, Any]]:
    """For each entry its bytes, its place, its path under ``checkpoint``, the latest, and its rows.

    One statement, and the leaves that this process has not read yet. Raises ``NotSealed`` naming an entry
    without a place, and ``JournalBroken`` for one that is not what was sealed.
    """
    for entry in entries:
        if checkpoint is None or entry.position is None or entry.position >= checkpoint.size:
            raise NotSealed(f"Entry {entry.pk} is not sealed yet: run “journal seal” first.")
    if checkpoint is None:
        return []
    tree = tree_at(checkpoint)
    prefetch_related_objects(entries, "rows")
    return [_proven(tree, entry, checkpoint, shown) for entry in entries]


def _proven(tree: LeafTree, entry: JournalEntry, checkpoint: Checkpoint, shown: Shown) -> dict[str, Any]:
    rows = sorted(entry.rows.all(), key=lambda row: row.pk)
    content = entry_bytes(entry, [(row.kind, row.key, row.commitment) for row in rows])
    path = tree.inclusion_path(entry.position, checkpoint.size)
    if not is_included(
        leaf=leaf_hash(content),
        index=entry.position,
        size=checkpoint.size,
        path=path,
        root=octets(checkpoint.root),
    ):
        if ErasedRow.objects.filter(kind=entry._meta.label_lower, key=str(entry.pk)).exists():
            raise CannotProve(
                f"The reason given in entry {entry.pk} was erased, so its words can be shown to nobody. Its "
                "place in the tree stands, and every other entry is proven as before."
            )
        raise JournalBroken(f"Entry {entry.pk} is not what was sealed: run “journal verify”.")
    return {
        "entry": content.decode(),
        "index": entry.position,
        "path": [node.hex() for node in path],
        "rows": [_disclosed(row) for row in rows if shown is None or (row.kind, row.key) in shown],
    }


def _disclosed(row: JournalledRow) -> dict[str, Any]:
    """A row with its salt; both content and salt are null where the content was erased."""
    return {
        "kind": row.kind,
        "key": row.key,
        "commitment": octets(row.commitment).hex(),
        "content": None if row.content is None else rfc8785.dumps(row.content).decode(),
        "salt": None if row.salt is None else octets(row.salt).hex(),
    }


def prove_extension(older: Statement, newer: Checkpoint) -> list[str]:
    """The path, in hexadecimal digits, that shows the journal at ``newer`` to begin with all of that at
    ``older``, which may have been kept anywhere. Raises ``CannotProve`` where it does not."""
    if older.size > newer.size:
        raise CannotProve(f"The older checkpoint, at {older.size}, is beyond the newer one, at {newer.size}.")
    path = tree_at(latest_checkpoint()).consistency_path(older.size, newer.size)
    if not is_consistent(
        old_size=older.size,
        old_root=older.root,
        new_size=newer.size,
        new_root=octets(newer.root),
        path=path,
    ):
        raise CannotProve(
            f"The journal at {newer.size} does not extend the checkpoint at {older.size}: that one is not of "
            "this register, or the journal was rewritten. Run “journal verify”."
        )
    return [node.hex() for node in path]


def checkpoint_of_size(size: int) -> Checkpoint:
    """Raises ``CannotProve`` where none of that size was signed."""
    found = Checkpoint.objects.filter(size=size).first()
    if found is None:
        raise CannotProve(f"No checkpoint was signed at {size} entries.")
    return found


def entries_numbered(numbers: Iterable[int]) -> list[JournalEntry]:
    """The entries of those numbers, in order. Raises ``CannotProve`` naming one that is not there."""
    wanted = sorted(set(numbers))
    found = {entry.pk: entry for entry in JournalEntry.objects.filter(pk__in=wanted)}
    for number in wanted:
        if number not in found:
            raise CannotProve(f"There is no entry {number}.")
    return [found[number] for number in wanted]
