"""The stand-alone verifier: the published vectors, and that nothing altered is ever taken for good.

Sources: RFC 8032 section 7.1 tests 1 and 2; RFC 6962 section 2.1 and RFC 9162 section 2.1 by the vectors of
test_rfc6962; RFC 8785 for the bytes that a checkpoint's signature covers.
"""

import json
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from hypothesis import example, given, settings
from hypothesis import strategies as st

from competence.outputs import verify_bundle
from competence.outputs.verify_bundle import FORMAT, NotUnderstood, as_written, check
from competence.queries.journal_tree import LeafTree
from competence.rules import journal
from tests.outside.test_rfc6962 import (
    CONSISTENCIES,
    GOOD_CONSISTENCY,
    GOOD_INCLUSION,
    INCLUSIONS,
    LEAVES,
    ROOTS,
    path_of,
)
from tests.outside.test_rfc8032 import PUBLIC_1, SECRET_1, SECRET_2, SIGNATURE_1

PROGRAM = Path(verify_bundle.__file__)
KEY = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET_1))


# Signatures.


def test_test_1_of_rfc_8032_is_signed():
    assert verify_bundle.is_signed(bytes.fromhex(PUBLIC_1), b"", bytes.fromhex(SIGNATURE_1))
    assert not verify_bundle.is_signed(bytes.fromhex(PUBLIC_1), b"\x00", bytes.fromhex(SIGNATURE_1))


def test_test_2_of_rfc_8032_is_signed():
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET_2))
    public, signature = key.public_key().public_bytes_raw(), key.sign(b"\x72")
    assert (public.hex()[:8], signature.hex()[:8], signature.hex()[-4:]) == ("3d4017c3", "92a009a9", "0c00")
    assert verify_bundle.is_signed(public, b"\x72", signature)
    assert not verify_bundle.is_signed(public, b"\x73", signature)


@settings(max_examples=25)
@given(st.binary(min_size=32, max_size=32), st.binary(max_size=80), st.integers(0, 511))
def test_it_agrees_with_the_library_and_no_altered_signature_passes(secret, message, bit):
    key = Ed25519PrivateKey.from_private_bytes(secret)
    public, signature = key.public_key().public_bytes_raw(), key.sign(message)
    assert verify_bundle.is_signed(public, message, signature)
    altered = (int.from_bytes(signature, "big") ^ 1 << bit).to_bytes(64, "big")
    assert not verify_bundle.is_signed(public, message, altered)
    assert not verify_bundle.is_signed(public, message + b"!", signature)


@pytest.mark.parametrize("length", [0, 31, 33])
def test_a_key_of_the_wrong_length_signed_nothing(length):
    assert not verify_bundle.is_signed(bytes(length), b"", bytes.fromhex(SIGNATURE_1))


def test_a_signature_beyond_the_groups_order_is_refused():
    """RFC 8032 section 5.1.7 step 1: S must be below L, or a second signature could be made of the first."""
    signature = bytes.fromhex(SIGNATURE_1)
    s = int.from_bytes(signature[32:], "little") + verify_bundle.L
    malleable = signature[:32] + s.to_bytes(32, "little")
    assert not verify_bundle.is_signed(bytes.fromhex(PUBLIC_1), b"", malleable)


@pytest.mark.parametrize("encoded", ["02" + "00" * 31, "ff" * 32, "01" + "00" * 30 + "80"])
def test_what_is_no_point_of_the_curve_is_no_key(encoded):
    """y = 2 has no x; y beyond the prime; x = 0 with a sign. RFC 8032 section 5.1.3."""
    assert not verify_bundle.is_signed(bytes.fromhex(encoded), b"", bytes.fromhex(SIGNATURE_1))


# The tree.


@pytest.mark.parametrize(("index", "size", "names"), INCLUSIONS)
def test_the_published_inclusions_hold(index, size, names):
    leaf = verify_bundle.leaf_hash(LEAVES[index])
    assert verify_bundle.is_included(leaf, index, size, path_of(names), ROOTS[size])


@pytest.mark.parametrize(("old", "new", "names"), CONSISTENCIES)
def test_the_published_consistencies_hold(old, new, names):
    assert verify_bundle.is_consistent(old, ROOTS[old], new, ROOTS[new], path_of(names))


@st.composite
def altered_arguments(draw, good):
    """The arguments of a good proof with one of them altered."""
    name = draw(st.sampled_from(sorted(good)))
    value = good[name]
    if isinstance(value, int):
        value = draw(st.integers(-1, 2 * value + 2))
    elif isinstance(value, list):
        pieces = [*good["path"], *ROOTS.values()]
        value = draw(st.lists(st.sampled_from(pieces), max_size=5))
    else:
        value = draw(st.sampled_from(list(ROOTS.values())))
    return {**good, name: value}


@given(altered_arguments(GOOD_INCLUSION))
def test_it_answers_of_inclusion_as_the_registers_own_rule_does(arguments):
    own = journal.is_included(**arguments)
    assert verify_bundle.is_included(**arguments) == own
    # A size is bound by the checkpoint's signature, not by a path.
    if all(arguments[name] == GOOD_INCLUSION[name] for name in arguments if "size" in name):
        assert own == (arguments == GOOD_INCLUSION)


@given(altered_arguments(GOOD_CONSISTENCY))
def test_it_answers_of_consistency_as_the_registers_own_rule_does(arguments):
    own = journal.is_consistent(**arguments)
    assert verify_bundle.is_consistent(**arguments) == own
    # A size is bound by the checkpoint's signature, not by a path.
    if all(arguments[name] == GOOD_CONSISTENCY[name] for name in arguments if "size" in name):
        assert own == (arguments == GOOD_CONSISTENCY)


# Whole bundles, made here by hand from the published rules.

SALTS = [bytes([n]) * 16 for n in range(4)]
CONTENTS = [
    rfc8785.dumps({"id": n, "name": name}).decode() for n, name in enumerate(("Ana", "Zoë", "“q”", ""))
]
COMMITMENTS = [journal.commitment_hash(s, c.encode()).hex() for s, c in zip(SALTS, CONTENTS, strict=True)]
ENTRIES = [
    rfc8785.dumps(
        {
            "at": f"2026-03-0{n + 1}T06:00:00.000000+00:00",
            "by": n,
            "action": "site.entered",
            "reason": "Neu: Straße" if n == 2 else "",
            "rows": [["competence.site", str(n), COMMITMENTS[n % 4]], ["competence.site", "x", "00" * 32]],
        }
    )
    for n in range(7)
]


def tree():
    made = LeafTree()
    made.append_leaves([journal.leaf_hash(one) for one in ENTRIES])
    return made


def checkpoint(size, *, key=KEY, root=None):
    root = tree().get_root(size) if root is None else root
    at = "2026-03-09T12:00:00.000000+00:00"
    stated = {"origin": "competence-register", "size": size, "root": root.hex(), "at": at}
    return stated | {
        "public_key": key.public_key().public_bytes_raw().hex(),
        "signature": key.sign(rfc8785.dumps(stated)).hex(),
    }


def entry_at(index):
    row = {
        "kind": "competence.site",
        "key": str(index),
        "commitment": COMMITMENTS[index % 4],
        "content": CONTENTS[index % 4],
        "salt": SALTS[index % 4].hex(),
    }
    path = [node.hex() for node in tree().inclusion_path(index, 7)]
    return {"entry": ENTRIES[index].decode(), "index": index, "path": path, "rows": [row]}


def good():
    return {
        "format": FORMAT,
        "public_key": PUBLIC_1,
        "checkpoint": checkpoint(7),
        "older": {
            "checkpoint": checkpoint(3),
            "path": [node.hex() for node in tree().consistency_path(3, 7)],
        },
        "entries": [entry_at(index) for index in (1, 2, 6)],
    }


GOOD = as_written(good())


def test_a_good_bundle_holds():
    findings = check(GOOD, key=bytes.fromhex(PUBLIC_1), kept=json.dumps(checkpoint(3)).encode())
    assert findings.holds
    said = list(verify_bundle.sentences(findings))
    assert said[0].startswith("Entry at place 1, site.entered at 2026-03-02")
    assert "It agrees with the checkpoint that you kept." in said
    assert said[-1].startswith("Everything holds")


def answer_to(content, **given_):
    try:
        return check(content, **given_).holds
    except NotUnderstood:
        return None


@settings(max_examples=400, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(1, 255))
@example(GOOD.index(b"\n"), ord("\n") ^ ord(" "))
@example(GOOD.index(b'"root": "') + 9, 0x20)
def test_no_bundle_with_one_byte_changed_holds(at, change):
    altered = GOOD[:at] + bytes([GOOD[at] ^ change]) + GOOD[at + 1 :]
    assert answer_to(altered) is not True


@settings(max_examples=100, deadline=None)
@given(st.integers(0, len(GOOD) - 1), st.integers(0, 5), st.binary(max_size=3))
def test_no_bundle_with_bytes_put_in_or_taken_out_holds(at, out, put_in):
    altered = GOOD[:at] + put_in + GOOD[at + out :]
    assert altered == GOOD or answer_to(altered) is not True


def altered(*path, to):
    bundle = good()
    place = bundle
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = to(place[path[-1]]) if callable(to) else to
    return as_written(bundle)


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (altered("entries", 1, "rows", 0, "content", to=CONTENTS[0]), "row competence.site 2: DOES NOT HOLD"),
        (altered("entries", 1, "rows", 0, "salt", to="00" * 16), "row competence.site 2: DOES NOT HOLD"),
        (altered("entries", 1, "rows", 0, "key", to="5"), "says nothing of such a row"),
        (altered("entries", 1, "index", to=3), "Entry at place 3, site.entered at 2026-03-03"),
        (altered("entries", 1, "path", to=lambda path: path[:-1]), "Entries that do not hold: place 2"),
        (altered("entries", 1, "path", to=[]), "Entries that do not hold: place 2"),
        (
            altered("entries", 1, "entry", to=lambda e: e.replace("Neu", "Alt")),
            "Entries that do not hold: place 2",
        ),
        (altered("checkpoint", "size", to=8), "signature of the checkpoint over 8 entries"),
        (altered("checkpoint", "at", to="2026-03-10T12:00:00.000000+00:00"), "does not fit what it states"),
        (altered("older", "path", to=[]), "does not begin with what the checkpoint over 3 entries"),
        (altered("older", "checkpoint", to=checkpoint(4)), "does not begin with"),
        (altered("public_key", to="00" * 32), "Wrong key"),
    ],
)
def test_what_does_not_hold_is_named(content, told):
    findings = check(content)
    assert not findings.holds
    assert any(told in one for one in verify_bundle.sentences(findings))


def test_only_the_altered_entry_is_named():
    findings = check(altered("entries", 1, "rows", 0, "content", to=CONTENTS[0]))
    assert [entry.holds for entry in findings.entries] == [True, False, True]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"[]",
        b"{}",
        b"null",
        b"\xff",
        b"[" * 100_000,
        GOOD[:-20],
        GOOD[:-1],
        GOOD + b" ",
        json.dumps(good()).encode(),
        altered("format", to="something else"),
        altered("entries", to=None),
        altered("entries", to={}),
        altered("entries", 0, to=[]),
        altered("entries", 0, "index", to=1.0),
        altered("entries", 0, "index", to=True),
        altered("entries", 0, "entry", to="{}"),
        altered("entries", 0, "entry", to='{"rows": [[[], 1, 2]], "at": 1, "action": 1, "reason": 1}'),
        altered("entries", 0, "entry", to=7),
        altered("entries", 0, "rows", 0, "salt", to=None),
        altered("entries", 0, "rows", 0, "salt", to="0" * 31),
        altered("entries", 0, "rows", 0, "commitment", to=str.upper),
        altered("entries", 0, "path", to="0000"),
        altered("checkpoint", "origin", to="elsewhere"),
        altered("checkpoint", "root", to=" " + "00" * 32),
        altered("older", to={"path": []}),
    ],
    ids=range(26),
)
def test_what_is_no_bundle_is_not_understood(content):
    with pytest.raises(NotUnderstood):
        check(content)


def test_an_erased_row_holds_without_its_content():
    bundle = good()
    bundle["entries"][0]["rows"][0] |= {"content": None, "salt": None}
    findings = check(as_written(bundle))
    assert findings.holds
    assert any("its content was erased" in one for one in verify_bundle.sentences(findings))


def test_a_bundle_re_signed_with_another_key_is_told_by_the_strangers_own():
    other = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET_2))
    bundle = good()
    bundle["checkpoint"], bundle["older"] = checkpoint(7, key=other), None
    bundle["public_key"] = bundle["checkpoint"]["public_key"]
    assert check(as_written(bundle)).holds
    findings = check(as_written(bundle), key=bytes.fromhex(PUBLIC_1))
    assert [fault.partition(":")[0] for fault in findings.faults] == ["Wrong key"]


@pytest.mark.parametrize(
    ("kept", "told"),
    [
        (checkpoint(3, root=bytes(32)), "the journal was rewritten"),
        (checkpoint(5), "does not reach back"),
        (checkpoint(3) | {"signature": "00" * 64}, "does not fit what it states"),
        (
            checkpoint(3, key=Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET_2))),
            "signed with another key",
        ),
    ],
)
def test_a_kept_checkpoint_that_does_not_agree_is_told(kept, told):
    findings = check(GOOD, kept=json.dumps(kept).encode())
    assert not findings.holds
    assert any(told in fault for fault in findings.faults)


# As a program, in an empty folder, with nothing of ours and no site packages in reach.


def run(folder, *arguments):
    done = subprocess.run(
        [sys.executable, "-I", "-S", "verify_bundle.py", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "verify_bundle.py").write_bytes(PROGRAM.read_bytes())
    (tmp_path / "bundle.json").write_bytes(GOOD)
    (tmp_path / "kept.json").write_text(json.dumps(checkpoint(3), indent=2))
    return tmp_path


def test_it_runs_alone_and_ends_as_it_says(folder):
    code, out, err = run(folder, "bundle.json", "--key", PUBLIC_1, "--checkpoint", "kept.json", "--show")
    assert (code, err) == (0, "")
    assert "Everything holds" in out
    assert "Zoë" in out
    code, out, _ = run(folder, "bundle.json", "--key", "00" * 32)
    assert code == 1
    assert "Wrong key" in out
    (folder / "bundle.json").write_bytes(altered("entries", 1, "rows", 0, "salt", to="00" * 16))
    code, out, _ = run(folder, "bundle.json")
    assert code == 1
    assert "Entries that do not hold: place 2." in out
    (folder / "bundle.json").write_bytes(GOOD[:900])
    code, out, err = run(folder, "bundle.json")
    assert (code, out) == (2, "")
    assert err.startswith("Not understood: ")
    assert "Traceback" not in err
    assert run(folder, "nowhere.json")[0] == 2
    assert run(folder, "bundle.json", "--key", "xyz")[0] == 2


def test_it_takes_the_zip_as_it_was_handed_over_and_no_damaged_one(folder):
    packed = folder / "bundle.zip"
    with zipfile.ZipFile(packed, "w") as file:
        file.write(folder / "bundle.json", "bundle.json")
    assert run(folder, "bundle.zip", "--key", PUBLIC_1)[0] == 0
    packed.write_bytes(packed.read_bytes()[:-30])
    code, _, err = run(folder, "bundle.zip")
    assert (code, "Traceback" in err) == (2, False)
    with zipfile.ZipFile(packed, "w") as file:
        file.writestr("else.json", "{}")
    assert "holds no bundle.json" in run(folder, "bundle.zip")[2]


def test_a_reader_that_has_read_enough_is_no_error(folder):
    command = f"{sys.executable} -I -S verify_bundle.py bundle.json --show | head -1"
    done = subprocess.run(["sh", "-c", command], cwd=folder, capture_output=True, text=True, timeout=60)
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr
