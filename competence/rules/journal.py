"""What a stranger needs to check the journal: RFC 6962 hashing, and proofs after RFC 9162.

Only the standard library, so that the file can be handed over with a proof. Hashes are 32 bytes. Nothing
is ever taken as proven by default: sizes of zero, an empty hash and a path of the wrong length are refused.
"""

import hashlib
import json
from collections.abc import Sequence
from typing import Any

HASH_BYTES = 32


def leaf_hash(content: bytes) -> bytes:
    """The hash of a leaf. Source: RFC 6962 section 2.1."""
    return hashlib.sha256(b"\x00" + content).digest()


def node_hash(left: bytes, right: bytes) -> bytes:
    """The hash of two subtrees put together. Source: RFC 6962 section 2.1."""
    return hashlib.sha256(b"\x01" + left + right).digest()


def commitment_hash(salt: bytes, canonical: bytes) -> bytes:
    """What the journal keeps of a row: SHA-256 (FIPS 180-4) of the salt, then the row's canonical JSON."""
    return hashlib.sha256(salt + canonical).digest()


def is_included(*, leaf: bytes, index: int, size: int, path: Sequence[bytes], root: bytes) -> bool:
    """Whether ``path`` proves that ``leaf`` stands at ``index``, from 0, of the tree of ``size`` leaves.

    ``path`` holds the siblings only, from the leaf upwards. Source: RFC 9162 section 2.1.3.2.
    """
    if not (0 <= index < size) or not _are_hashes(leaf, root, *path):
        return False
    here, last, reached = index, size - 1, leaf
    for sibling in path:
        if last == 0:
            return False
        if here & 1 or here == last:
            reached = node_hash(sibling, reached)
            while not here & 1 and here:
                here, last = here >> 1, last >> 1
        else:
            reached = node_hash(reached, sibling)
        here, last = here >> 1, last >> 1
    return last == 0 and reached == root


def is_consistent(
    *, old_size: int, old_root: bytes, new_size: int, new_root: bytes, path: Sequence[bytes]
) -> bool:
    """Whether ``path`` proves that the newer tree begins with every leaf of the older one, in order.

    Source: RFC 9162 section 2.1.4.2; for two equal sizes, equal roots and an empty path.
    """
    if not (0 < old_size <= new_size) or not _are_hashes(old_root, new_root, *path):
        return False
    if old_size == new_size:
        return not path and old_root == new_root
    if not path:
        return False
    # An old tree that is whole is itself the first node of the path, and left out of it.
    nodes = [old_root, *path] if old_size & (old_size - 1) == 0 else list(path)
    here, last = old_size - 1, new_size - 1
    while here & 1:
        here, last = here >> 1, last >> 1
    old_reached = new_reached = nodes[0]
    for node in nodes[1:]:
        if last == 0:
            return False
        if here & 1 or here == last:
            old_reached, new_reached = node_hash(node, old_reached), node_hash(node, new_reached)
            while not here & 1 and here:
                here, last = here >> 1, last >> 1
        else:
            new_reached = node_hash(new_reached, node)
        here, last = here >> 1, last >> 1
    return last == 0 and old_reached == old_root and new_reached == new_root


def _are_hashes(*values: bytes) -> bool:
    return all(isinstance(value, bytes) and len(value) == HASH_BYTES for value in values)


def faults_of_proof(proof: dict[str, Any]) -> list[str]:
    """Everything wrong with the proof of one entry, except its checkpoint's signature, in plain words.

    ``proof`` is what ``journal prove`` prints. An empty list means: the entry is in the tree that the
    checkpoint states, and each row shown is what the entry committed to. Raises ``KeyError``,
    ``TypeError`` or ``ValueError`` for what is not such a proof.
    """
    entry, checkpoint = proof["entry"], proof["checkpoint"]
    faults = []
    if not is_included(
        leaf=leaf_hash(entry.encode()),
        index=proof["index"],
        size=checkpoint["size"],
        path=[bytes.fromhex(one) for one in proof["path"]],
        root=bytes.fromhex(checkpoint["root"]),
    ):
        faults.append("The entry is not in the tree that the checkpoint states.")
    committed = {(kind, key, commitment) for kind, key, commitment in json.loads(entry)["rows"]}
    for row in proof["rows"]:
        name = f"{row['kind']} {row['key']}"
        if (row["kind"], row["key"], row["commitment"]) not in committed:
            faults.append(f"The entry says nothing of {name} as shown.")
        elif row["content"] is not None:
            shown = commitment_hash(bytes.fromhex(row["salt"]), row["content"].encode())
            if shown.hex() != row["commitment"]:
                faults.append(f"The content shown for {name} is not what the entry committed to.")
    return faults
