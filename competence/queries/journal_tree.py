"""The RFC 6962 tree over the journal's sealed entries, kept in this process and caught up from the rows."""

import hashlib
import threading
from collections.abc import Sequence

from django.db import connection

from competence.models import Checkpoint, JournalEntry
from competence.queries.checkpoints import octets
from competence.rules.journal import HASH_BYTES, node_hash

_sha256 = hashlib.sha256
# So many bytes are hashed at one go; a multiple of two hashes.
_RUN = 2 * HASH_BYTES << 14


class JournalBroken(Exception):
    """The sealed entries are not those that the latest checkpoint signed; nothing more is signed."""


class LeafTree:
    """A tree over leaf hashes that were made before, 32 bytes each. Every whole subtree's root is kept, so a
    root or a path at any size takes some tens of hashes, whatever the number of leaves; 64 bytes a leaf."""

    def __init__(self) -> None:
        # The leaves end to end, then the nodes over two, four, eight of them and so on.
        self._levels = [bytearray()]
        self._turn = threading.Lock()

    def append_leaf(self, leaf: bytes) -> None:
        if len(leaf) != HASH_BYTES:
            raise ValueError(f"a leaf hash has {HASH_BYTES} bytes, not {len(leaf)}")
        with self._turn:
            self._levels[0] += leaf

    def append_leaves(self, leaves: Sequence[bytes]) -> None:
        """Many at once."""
        if any(len(leaf) != HASH_BYTES for leaf in leaves):
            raise ValueError(f"a leaf hash has {HASH_BYTES} bytes")
        with self._turn:
            self._levels[0] += b"".join(leaves)

    def get_size(self) -> int:
        return len(self._levels[0]) // HASH_BYTES

    def get_root(self, size: int | None = None) -> bytes:
        """The root over the first ``size`` leaves, or over all (RFC 6962 section 2.1)."""
        size = self.get_size() if size is None else size
        self._grow()
        return self._root(0, size) if size else hashlib.sha256().digest()

    def inclusion_path(self, index: int, size: int) -> list[bytes]:
        """The siblings of the leaf at ``index``, from 0, upwards (RFC 6962 section 2.1.1)."""
        if not 0 <= index < size <= self.get_size():
            raise ValueError("the leaf stands in the tree, and the tree is no larger than its leaves")
        self._grow()
        path, start, end = [], 0, size
        while end - start > 1:
            middle = _middle(start, end)
            if index < middle:
                path.append(self._root(middle, end))
                end = middle
            else:
                path.append(self._root(start, middle))
                start = middle
        return path[::-1]

    def consistency_path(self, old_size: int, new_size: int) -> list[bytes]:
        """The nodes of PROOF(old, D[new]) of RFC 6962 section 2.1.2."""
        if not 0 < old_size <= new_size <= self.get_size():
            raise ValueError("the older tree has at least one leaf and no more than the newer one")
        self._grow()
        nodes: list[bytes] = []
        start, end, is_old_root = 0, new_size, True
        while old_size != end:
            middle = _middle(start, end)
            if old_size <= middle:
                nodes.append(self._root(middle, end))
                end = middle
            else:
                nodes.append(self._root(start, middle))
                start, is_old_root = middle, False
        if not is_old_root:
            nodes.append(self._root(start, end))
        return nodes[::-1]

    def _grow(self) -> None:
        """Hash what came since into whole subtrees, level by level."""
        with self._turn:
            for level, below in enumerate(self._levels):
                if len(below) < 2 * HASH_BYTES:
                    return
                if level + 1 == len(self._levels):
                    self._levels.append(bytearray())
                above = self._levels[level + 1]
                for start in range(2 * len(above), len(below) - len(below) % (2 * HASH_BYTES), _RUN):
                    run = bytes(below[start : start + _RUN])
                    pairs = range(0, len(run) - len(run) % (2 * HASH_BYTES), 2 * HASH_BYTES)
                    # Two hashes that lie side by side are what the node over them is made from.
                    above += b"".join(
                        [_sha256(b"\x01" + run[at : at + 2 * HASH_BYTES]).digest() for at in pairs]
                    )

    def _root(self, start: int, end: int) -> bytes:
        """The root over the leaves from ``start``, a multiple of the width that ``end`` leaves room for."""
        width = end - start
        if width & (width - 1) == 0:
            level = width.bit_length() - 1
            at = (start >> level) * HASH_BYTES
            return bytes(self._levels[level][at : at + HASH_BYTES])
        middle = _middle(start, end)
        return node_hash(self._root(start, middle), self._root(middle, end))


def _middle(start: int, end: int) -> int:
    """Where the left subtree ends: after the largest power of two below the width."""
    return start + (1 << (end - start - 1).bit_length() - 1)


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
