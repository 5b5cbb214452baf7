"""Merkle trees, against the published vectors of certificate transparency.

Sources: RFC 6962 section 2.1 (hashing), RFC 9162 section 2.1 (proofs, their verification); leaves, roots and
paths as in transparency-dev/merkle at 417fb0c, testonly/constants.go and its happy-path proofs. The paths
for 4 to 8, 3 to 7 and 4 to 7 were worked out apart from this program, from the RFC.
"""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymerkle import InmemoryTree

from competence.queries.journal_tree import LeafTree
from competence.rules.journal import is_consistent, is_included, leaf_hash, node_hash

LEAVES = [
    bytes.fromhex(leaf)
    for leaf in (
        "",
        "00",
        "10",
        "2021",
        "3031",
        "40414243",
        "5051525354555657",
        "606162636465666768696a6b6c6d6e6f",
    )
]
ROOTS = {
    size: bytes.fromhex(root)
    for size, root in {
        1: "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        2: "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
        3: "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
        4: "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        5: "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
        6: "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
        7: "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
        8: "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
    }.items()
}
NODES = {
    name: bytes.fromhex(node)
    for name, node in {
        "L0": "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
        "L1": "96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7",
        "L2": "0298d122906dcfc10892cb53a73992fc5b9f493ea4c9badb27b791b4127a7fe7",
        "L3": "07506a85fd9dd2f120eb694f86011e5bb4662e5c415a62917033d4a9624487e7",
        "L4": "bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b",
        "L6": "b08693ec2e721597130641e8211e7eedccb4c26413963eee6c1e2ed16ffb1a5f",
        "N01": "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
        "N23": "5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e",
        "N45": "0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a",
        "N67": "ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0",
        "N03": "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
        "N47": "6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4",
        "N46": "837dbb152e9b079010717e84e865da4ebc0fa198a806d59d31bf15accef22d0e",
    }.items()
}
# (index from 0, size): siblings from the leaf upwards.
INCLUSIONS = [
    (0, 1, ""),
    (0, 8, "L1 N23 N47"),
    (5, 8, "L4 N67 N03"),
    (2, 3, "N01"),
    (1, 5, "L0 N23 L4"),
]
CONSISTENCIES = [
    (1, 1, ""),
    (1, 8, "L1 N23 N47"),
    (6, 8, "N45 N67 N03"),
    (2, 5, "N23 L4"),
    (6, 7, "N45 L6 N03"),
    (4, 8, "N47"),
    (3, 7, "L2 L3 N01 N46"),
    (4, 7, "N46"),
]


def path_of(names: str) -> list[bytes]:
    return [NODES[name] for name in names.split()]


def tree_over(leaves: list[bytes]) -> LeafTree:
    tree = LeafTree()
    for leaf in leaves:
        tree.append_leaf(leaf_hash(leaf))
    return tree


@pytest.mark.parametrize("size", ROOTS)
def test_roots_are_the_published_ones(size):
    kept = InmemoryTree()
    kept.append_entries(LEAVES[:size])
    assert kept.get_root() == ROOTS[size]
    assert tree_over(LEAVES).get_root(size) == ROOTS[size]


def test_inner_nodes_are_hashed_as_published():
    assert node_hash(NODES["L2"], NODES["L3"]) == NODES["N23"]
    assert node_hash(NODES["N45"], NODES["L6"]) == NODES["N46"]


@pytest.mark.parametrize(("index", "size", "names"), INCLUSIONS)
def test_inclusion_is_proven_by_the_published_path(index, size, names):
    assert tree_over(LEAVES).inclusion_path(index, size) == path_of(names)
    assert is_included(
        leaf=leaf_hash(LEAVES[index]), index=index, size=size, path=path_of(names), root=ROOTS[size]
    )


@pytest.mark.parametrize(("old", "new", "names"), CONSISTENCIES)
def test_consistency_is_proven_by_the_published_path(old, new, names):
    assert tree_over(LEAVES).consistency_path(old, new) == path_of(names)
    assert is_consistent(
        old_size=old, old_root=ROOTS[old], new_size=new, new_root=ROOTS[new], path=path_of(names)
    )


GOOD_INCLUSION = {
    "leaf": leaf_hash(LEAVES[5]),
    "index": 5,
    "size": 8,
    "path": path_of("L4 N67 N03"),
    "root": ROOTS[8],
}
GOOD_CONSISTENCY = {
    "old_size": 6,
    "old_root": ROOTS[6],
    "new_size": 8,
    "new_root": ROOTS[8],
    "path": path_of("N45 N67 N03"),
}


@pytest.mark.parametrize(
    "wrong",
    [
        {"index": 4},
        {"index": 8},
        {"index": -1},
        {"size": 4},
        {"size": 16},
        {"size": 0, "index": 0},
        {"path": path_of("L4 N67")},
        {"path": path_of("N67 N03")},
        {"path": path_of("L4 N67 N03 N03")},
        {"path": path_of("L4 N03 N67")},
        {"path": []},
        {"path": [*path_of("L4 N67"), b""]},
        {"leaf": leaf_hash(LEAVES[4])},
        {"leaf": b""},
        {"root": ROOTS[7]},
        {"root": b""},
        {"leaf": b"", "root": b"", "path": [], "size": 1, "index": 0},
        # The second leaf of two passed off as the only one: the path goes on above the top.
        {"leaf": NODES["L1"], "index": 0, "size": 1, "path": path_of("L0"), "root": ROOTS[2]},
    ],
    ids=str,
)
def test_inclusion_is_refused_when_anything_is_wrong(wrong):
    assert is_included(**GOOD_INCLUSION)
    assert not is_included(**{**GOOD_INCLUSION, **wrong})


@pytest.mark.parametrize(
    "wrong",
    [
        {"old_size": 5},
        {"old_size": 0},
        {"old_size": 9},
        {"new_size": 7, "new_root": ROOTS[7]},
        {"new_size": 16},
        {"old_size": 8, "old_root": ROOTS[8]},
        {"path": path_of("N45 N67")},
        {"path": path_of("N67 N03")},
        {"path": path_of("N45 N67 N03 N03")},
        {"path": []},
        {"old_root": ROOTS[5]},
        {"old_root": b""},
        {"new_root": ROOTS[7]},
        {"old_root": ROOTS[8], "new_root": ROOTS[6]},
        # Parts of two larger trees passed off as whole ones: the path goes on above the top.
        {
            "old_size": 3,
            "old_root": node_hash(NODES["N47"], ROOTS[3]),
            "new_size": 4,
            "new_root": node_hash(NODES["N47"], ROOTS[4]),
            "path": path_of("L2 L3 N01 N47"),
        },
        # Edge of policy in the published negative vectors; refused here.
        {"old_size": 0, "new_size": 0, "path": []},
        {"old_size": 1, "new_size": 1, "old_root": b"", "new_root": b"", "path": []},
    ],
    ids=str,
)
def test_consistency_is_refused_when_anything_is_wrong(wrong):
    assert is_consistent(**GOOD_CONSISTENCY)
    assert not is_consistent(**{**GOOD_CONSISTENCY, **wrong})


def altered(node: bytes, bit: int) -> bytes:
    return (int.from_bytes(node) ^ (1 << bit)).to_bytes(len(node))


@given(st.data())
def test_a_proof_of_inclusion_holds_and_no_altered_one_does(data):
    leaves = data.draw(st.lists(st.binary(max_size=8), min_size=1, max_size=200))
    index = data.draw(st.integers(0, len(leaves) - 1))
    size = data.draw(st.integers(index + 1, len(leaves)))
    tree, kept = tree_over(leaves), InmemoryTree()
    kept.append_entries(leaves)
    path, root = kept.prove_inclusion(index + 1, size).path[1:], kept.get_root(size)
    assert tree.inclusion_path(index, size) == path
    whole = {"leaf": leaf_hash(leaves[index]), "index": index, "size": size, "path": path, "root": root}
    assert is_included(**whole)
    bit = data.draw(st.integers(0, 255))
    assert not is_included(**{**whole, "leaf": altered(whole["leaf"], bit)})
    assert not is_included(**{**whole, "root": altered(root, bit)})
    if path:
        at = data.draw(st.integers(0, len(path) - 1))
        assert not is_included(**{**whole, "path": [*path[:at], altered(path[at], bit), *path[at + 1 :]]})
        assert not is_included(**{**whole, "path": path[:-1]})


@given(st.data())
def test_a_proof_of_consistency_holds_and_no_altered_one_does(data):
    leaves = data.draw(st.lists(st.binary(max_size=8), min_size=2, max_size=200))
    new = data.draw(st.integers(2, len(leaves)))
    old = data.draw(st.integers(1, new - 1))
    tree = tree_over(leaves)
    path = tree.consistency_path(old, new)
    whole = {
        "old_size": old,
        "old_root": tree.get_root(old),
        "new_size": new,
        "new_root": tree.get_root(new),
        "path": path,
    }
    assert is_consistent(**whole)
    # pymerkle's verifier, on its own form of the proof, agrees.
    kept = InmemoryTree()
    kept.append_entries(leaves)
    kept.prove_consistency(old, new).verify(whole["old_root"], whole["new_root"], old, new)
    bit, at = data.draw(st.integers(0, 255)), data.draw(st.integers(0, len(path) - 1))
    assert not is_consistent(**{**whole, "path": [*path[:at], altered(path[at], bit), *path[at + 1 :]]})
    assert not is_consistent(**{**whole, "old_root": altered(whole["old_root"], bit)})
    assert not is_consistent(**{**whole, "new_root": altered(whole["new_root"], bit)})
    assert not is_consistent(**{**whole, "path": path[:-1]})


@given(st.lists(st.lists(st.binary(max_size=4), max_size=40), min_size=1, max_size=6))
def test_a_tree_that_is_asked_while_it_grows_is_the_one_made_at_once(runs):
    tree, so_far = LeafTree(), []
    kept = InmemoryTree()
    for run in runs:
        tree.append_leaves([leaf_hash(leaf) for leaf in run])
        so_far += run
        kept.append_entries(run)
        assert tree.get_root() == (kept.get_root() if so_far else hashlib.sha256().digest())
    for size in range(1, len(so_far) + 1):
        assert tree.get_root(size) == kept.get_root(size)
