"""The RFC 6962 tree over the journal's sealed entries, kept in this process and caught up from the rows."""

import threading
from collections.abc import Iterator

from django.db import connection
from pymerkle import BaseMerkleTree

from competence.models import Checkpoint, JournalEntry
from competence.queries.checkpoints import octets
from competence.rules.journal import HASH_BYTES


class JournalBroken(Exception):
    """The sealed entries are not those that the latest checkpoint signed; nothing more is signed."""


class LeafTree(BaseMerkleTree):
    """A tree over leaf hashes that were made before; they lie end to end, 32 bytes each."""

    def __init__(self) -> None:
        super().__init__("sha256")
        self._hashes = bytearray()

    def append_leaf(self, leaf: bytes) -> None:
        if len(leaf) != HASH_BYTES:
            raise ValueError(f"a leaf hash has {HASH_BYTES} bytes, not {len(leaf)}")
        self._hashes += leaf

    def inclusion_path(self, index: int, size: int) -> list[bytes]:
        """The siblings of the leaf at ``index``, from 0, upwards (RFC 6962 section 2.1.1)."""
        # pymerkle counts leaves from one and puts the leaf itself first.
        return self.prove_inclusion(index + 1, size).path[1:]

    def consistency_path(self, old_size: int, new_size: int) -> list[bytes]:
        """The nodes of PROOF(old, D[new]) of RFC 6962 section 2.1.2.

        pymerkle's own path goes down to a leaf where the RFC stops at a whole subtree, so the walk is the
        RFC's and each node is pymerkle's.
        """
        if not 0 < old_size <= new_size <= self.get_size():
            raise ValueError("the older tree has at least one leaf and no more than the newer one")
        nodes: list[bytes] = []
        start, end, is_old_root = 0, new_size, True
        while old_size != end:
            # The largest power of two below the width: the leaves of the left subtree.
            middle = start + (1 << (end - start - 1).bit_length() - 1)
            if old_size <= middle:
                nodes.append(self._get_root(middle, end))
                end = middle
            else:
                nodes.append(self._get_root(start, middle))
                start, is_old_root = middle, False
        if not is_old_root:
            nodes.append(self._get_root(start, end))
        return nodes[::-1]

    def _encode_entry(self, data: bytes) -> bytes:
        return data

    def _store_leaf(self, data: bytes, digest: bytes) -> int:
        self.append_leaf(digest)
        return self._get_size()

    def _get_leaf(self, index: int) -> bytes:
        return bytes(self._hashes[(index - 1) * HASH_BYTES : index * HASH_BYTES])

    def _get_leaves(self, offset: int, width: int) -> Iterator[bytes]:
        run = bytes(self._hashes[offset * HASH_BYTES : (offset + width) * HASH_BYTES])
        return (run[at : at + HASH_BYTES] for at in range(0, len(run), HASH_BYTES))

    def _get_size(self) -> int:
        return len(self._hashes) // HASH_BYTES


# One tree per process; ``_turn`` is only ever taken inside a transaction's lock or around plain reads.
_kept: dict[str, LeafTree] = {}
_turn = threading.RLock()


def tree_at(checkpoint: Checkpoint | None) -> LeafTree:
    """The tree of the sealed entries up to ``checkpoint``, the latest, whose root it is known to have.

    Raises ``JournalBroken`` when the rows do not make that root.
    """
    size = checkpoint.size if checkpoint else 0
    with _turn:
        name = str(connection.settings_dict["NAME"])
        tree = _kept.get(name)
        # A larger tree holds a sealing that was rolled back.
        if tree is None or tree.get_size() > size or not _catch_up(tree, checkpoint):
            tree = LeafTree()
            _kept.pop(name, None)
            if not _catch_up(tree, checkpoint):
                raise JournalBroken(
                    f"The journal's entries do not make the root of its latest checkpoint, at {size}. "
                    "Nothing was sealed. Run “journal verify” to see what was altered."
                )
        _kept[name] = tree
        return tree


def _catch_up(tree: LeafTree, checkpoint: Checkpoint | None) -> bool:
    """Read the leaves that ``tree`` lacks; whether it then has the checkpoint's size and root."""
    if checkpoint is None:
        return tree.get_size() == 0
    leaves = (
        JournalEntry.objects.filter(position__gte=tree.get_size(), position__lt=checkpoint.size)
        .order_by("position")
        .values_list("position", "leaf")
    )
    for position, leaf in leaves.iterator(chunk_size=5000):
        if position != tree.get_size() or len(octets(leaf)) != HASH_BYTES:
            return False
        tree.append_leaf(octets(leaf))
    return tree.get_size() == checkpoint.size and tree.get_root() == octets(checkpoint.root)


def append_sealed(tree: LeafTree) -> None:
    """Add the leaves of entries that were just given the positions after the tree's last."""
    with _turn:
        fresh = JournalEntry.objects.filter(position__gte=tree.get_size()).order_by("position")
        for leaf in fresh.values_list("leaf", flat=True).iterator(chunk_size=5000):
            tree.append_leaf(octets(leaf))
