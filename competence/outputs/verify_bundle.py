#!/usr/bin/env python3
"""Check a bundle taken out of a competence register, without the register and without anything but Python.

    python3 verify_bundle.py bundle.json [--key HEX] [--checkpoint FILE] [--show]

--key         the register's public key (64 hexadecimal digits), as you got it from somewhere else
--checkpoint  a checkpoint that you kept: the bundle must agree with it, or be shown to extend it
--show        print what each disclosed row says

Exit: 0 everything holds; 1 something does not, and it is named; 2 this is not a bundle that can be read.

What is checked, and by which published rule:
  the signature of each checkpoint       Ed25519, RFC 8032 (section 5.1.7 and the shape of its appendix A)
  each entry is in the signed journal    RFC 6962 section 2.1; RFC 9162 section 2.1.3.2
  the journal extends an older one       RFC 9162 section 2.1.4.2
  each row is what its entry committed   SHA-256 (FIPS 180-4) of the salt, then the row's canonical JSON

This file reads nothing else, writes nothing and sends nothing. It needs Python 3.9 or newer.
"""

import argparse
import hashlib
import io
import json
import os
import sys
import zipfile
import zlib

FORMAT = "competence-register bundle 1"
ORIGIN = "competence-register"
MOST_BYTES = 500_000_000
HOLDS, DOES_NOT_HOLD, NOT_UNDERSTOOD = 0, 1, 2


class NotUnderstood(Exception):
    """The file is no bundle as a register writes it."""


# Ed25519, RFC 8032 section 5.1: only verification, so nothing has to be kept secret or take a fixed time.

P = 2**255 - 19
L = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, P - 2, P) % P
ROOT_OF_MINUS_ONE = pow(2, (P - 1) // 4, P)


def _x_of(y, sign):
    """The x of a point with this y, or None where there is none (section 5.1.3)."""
    if y >= P:
        return None
    x2 = (y * y - 1) * pow(D * y * y + 1, P - 2, P) % P
    if x2 == 0:
        return None if sign else 0
    x = pow(x2, (P + 3) // 8, P)
    if (x * x - x2) % P:
        x = x * ROOT_OF_MINUS_ONE % P
    if (x * x - x2) % P:
        return None
    return P - x if x & 1 != sign else x


def _point(encoded):
    number = int.from_bytes(encoded, "little")
    y, sign = number & (1 << 255) - 1, number >> 255
    x = _x_of(y, sign)
    return None if x is None else (x, y, 1, x * y % P)


def _add(one, other):
    a, b = (one[1] - one[0]) * (other[1] - other[0]) % P, (one[1] + one[0]) * (other[1] + other[0]) % P
    c, d = 2 * one[3] * other[3] * D % P, 2 * one[2] * other[2] % P
    e, f, g, h = b - a, d - c, d + c, b + a
    return e * f % P, g * h % P, f * g % P, e * h % P


def _times(number, point):
    total = (0, 1, 1, 0)
    while number:
        if number & 1:
            total = _add(total, point)
        point, number = _add(point, point), number >> 1
    return total


def _are_equal(one, other):
    return not (one[0] * other[2] - other[0] * one[2]) % P and not (one[1] * other[2] - other[1] * one[2]) % P


BASE_Y = 4 * pow(5, P - 2, P) % P
BASE = (_x_of(BASE_Y, 0), BASE_Y, 1, _x_of(BASE_Y, 0) * BASE_Y % P)


def is_signed(public_key, message, signature):
    """Whether the signature over the message is by the key. Source: RFC 8032 section 5.1.7."""
    if len(public_key) != 32 or len(signature) != 64:
        return False
    key, nonce = _point(public_key), _point(signature[:32])
    s = int.from_bytes(signature[32:], "little")
    if key is None or nonce is None or s >= L:
        return False
    h = int.from_bytes(hashlib.sha512(signature[:32] + public_key + message).digest(), "little") % L
    return _are_equal(_times(s, BASE), _add(nonce, _times(h, key)))


# The tree, RFC 6962 section 2.1.


def leaf_hash(content):
    return hashlib.sha256(b"\x00" + content).digest()


def node_hash(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


def is_included(leaf, index, size, path, root):
    """RFC 9162 section 2.1.3.2. A size of zero is refused."""
    if not 0 <= index < size:
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


def is_consistent(old_size, old_root, new_size, new_root, path):
    """RFC 9162 section 2.1.4.2; two equal sizes need equal roots and an empty path, and zero is refused."""
    if not 0 < old_size <= new_size:
        return False
    if old_size == new_size:
        return not path and old_root == new_root
    # An old tree that is whole is itself the first node of the path, and left out of it.
    nodes = [old_root, *path] if old_size & (old_size - 1) == 0 else list(path)
    if not path:
        return False
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


# Reading. A bundle has one way of being written, so that nothing in it can be changed without being seen.


def as_written(bundle):
    """The bytes of a bundle's file."""
    return (json.dumps(bundle, indent=1, sort_keys=True, ensure_ascii=False) + "\n").encode()


def _read(content):
    try:
        value = json.loads(content.decode())
    except (ValueError, RecursionError):
        raise NotUnderstood("This is no JSON: the file was cut short, or is something else.") from None
    if not isinstance(value, dict):
        raise NotUnderstood("This is JSON, and no bundle.")
    return value


def _has(value, *names):
    if not isinstance(value, dict) or set(value) != set(names):
        raise NotUnderstood("A part of the bundle is missing, or one is there that does not belong to it.")
    return [value[name] for name in names]


def _text(value):
    if not isinstance(value, str):
        raise NotUnderstood("Text was expected where the bundle has something else.")
    return value


def _number(value):
    if type(value) is not int:
        raise NotUnderstood("A whole number was expected where the bundle has something else.")
    return value


def _list(value):
    if not isinstance(value, list):
        raise NotUnderstood("A list was expected where the bundle has something else.")
    return value


def _hex(value, length):
    try:
        octets = bytes.fromhex(_text(value))
    except ValueError:
        octets = b""
    if len(octets) != length or octets.hex() != value:
        raise NotUnderstood(f"{2 * length} hexadecimal digits were expected, and {value!r:.80} is not that.")
    return octets


class Checkpoint:
    """A signed statement of how many entries the journal had and what root they make."""

    def __init__(self, value):
        origin, size, root, self.at, key, signature = _has(
            value, "origin", "size", "root", "at", "public_key", "signature"
        )
        if origin != ORIGIN:
            raise NotUnderstood("A checkpoint in it is not of a competence register.")
        self.size, self.root, self.root_hex = _number(size), _hex(root, 32), root
        self.key, self.signature = _hex(key, 32), _hex(signature, 64)
        self.name = f"the checkpoint over {self.size} entries of {_text(self.at)}"

    def is_signed(self):
        stated = {"at": self.at, "origin": ORIGIN, "root": self.root_hex, "size": self.size}
        message = json.dumps(stated, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        return is_signed(self.key, message, self.signature)


class Row:
    """One row of the register as an entry left it, disclosed or not."""

    def __init__(self, value):
        self.kind, self.key, commitment, self.content, self.salt = _has(
            value, "kind", "key", "commitment", "content", "salt"
        )
        self.name = f"{_text(self.kind)} {_text(self.key)}"
        self.commitment = _hex(commitment, 32)
        # Both are null where the law had the content erased.
        self.is_erased = self.content is None and self.salt is None
        if not self.is_erased:
            self.salt, self.content = _hex(self.salt, 16), _text(self.content)
        self.fault = ""

    def check(self, committed):
        if (self.kind, self.key, self.commitment.hex()) not in committed:
            self.fault = "the entry says nothing of such a row"
        elif self.is_erased:
            return
        elif hashlib.sha256(self.salt + self.content.encode()).digest() != self.commitment:
            self.fault = "what is shown is not what the entry committed to"


class Entry:
    """One entry of the journal: who, when, what, and the rows that it speaks of."""

    def __init__(self, value):
        written, self.index, path, rows = _has(value, "entry", "index", "path", "rows")
        self.content = _text(written).encode()
        self.path = [_hex(one, 32) for one in _list(path)]
        self.rows = [Row(one) for one in _list(rows)]
        _number(self.index)
        try:
            says = json.loads(written)
            self.at, self.action, self.reason = says["at"], says["action"], says["reason"]
            self.committed = {(kind, key, commitment) for kind, key, commitment in says["rows"]}
        except (ValueError, TypeError, KeyError, RecursionError):
            raise NotUnderstood(f"The entry at place {self.index} cannot be read.") from None
        self.fault = ""

    @property
    def name(self):
        return f"Entry at place {self.index}, {self.action} at {self.at}"

    @property
    def holds(self):
        return not self.fault and not any(row.fault for row in self.rows)

    def check(self, checkpoint):
        leaf = leaf_hash(self.content)
        if not is_included(leaf, self.index, checkpoint.size, self.path, checkpoint.root):
            self.fault = "it is not in the journal that was signed: it, its place or its path was altered"
        for row in self.rows:
            row.check(self.committed)


class Findings:
    """What holds and what does not. ``faults`` are about the bundle as a whole; entries have their own."""

    def __init__(self, checkpoint, older, entries):
        self.checkpoint, self.older, self.entries = checkpoint, older, entries
        self.faults, self.says = [], []

    @property
    def holds(self):
        return not self.faults and all(entry.holds for entry in self.entries)


def check(content, key=None, kept=None):
    """Check the bytes of a bundle's file; ``key`` (32 bytes) and ``kept`` (the bytes of a checkpoint's file)
    are what a stranger has from elsewhere. Raises ``NotUnderstood``."""
    value = _read(content)
    try:
        return _check(content, value, key, kept)
    except UnicodeEncodeError:
        raise NotUnderstood("The bundle holds letters that no register writes.") from None


def _check(content, value, key, kept):
    what, stated_key, checkpoint, older, entries = _has(
        value, "format", "public_key", "checkpoint", "older", "entries"
    )
    if what != FORMAT:
        raise NotUnderstood("This is no bundle of a kind that this program knows.")
    checkpoint, stated_key = Checkpoint(checkpoint), _hex(stated_key, 32)
    entries = [Entry(one) for one in _list(entries)]
    path = None
    if older is not None:
        older, path = _has(older, "checkpoint", "path")
        older, path = Checkpoint(older), [_hex(one, 32) for one in _list(path)]
    if as_written(value) != content:
        raise NotUnderstood("The file is not written as a register writes it: something in it was changed.")
    findings = Findings(checkpoint, older, entries)
    _check_signatures(findings, stated_key, key)
    if older is not None:
        _check_extends(findings, older, path)
    if kept is not None:
        _check_kept(findings, Checkpoint(_read(kept)))
    for entry in entries:
        entry.check(checkpoint)
    return findings


def _check_signatures(findings, stated_key, key):
    if key is not None and key != stated_key:
        findings.faults.append(
            f"Wrong key: the bundle says that {stated_key.hex()} signed it. That is not the key you gave."
        )
    for one in filter(None, (findings.checkpoint, findings.older)):
        if one.key != stated_key:
            findings.faults.append(f"Wrong key: {one.name} names another key than the bundle does.")
        if not one.is_signed():
            findings.faults.append(f"The signature of {one.name} does not fit what it states.")
    if key is None:
        findings.says.append(
            f"Checked with the key that the bundle itself names, {stated_key.hex()}. Compare it with the "
            "register's key as you got it elsewhere, or give that one with --key."
        )


def _check_extends(findings, older, path):
    newer = findings.checkpoint
    if is_consistent(older.size, older.root, newer.size, newer.root, path):
        findings.says.append(f"The journal begins with all that {older.name} signed, unaltered.")
    else:
        findings.faults.append(
            f"The journal does not begin with what {older.name} signed, or the path between was altered."
        )


def _check_kept(findings, kept):
    if not kept.is_signed():
        findings.faults.append("The checkpoint that you kept: its signature does not fit what it states.")
    if kept.key != findings.checkpoint.key:
        findings.faults.append("Wrong key: the checkpoint that you kept was signed with another key.")
    for one in filter(None, (findings.checkpoint, findings.older)):
        if one.size == kept.size:
            if one.root == kept.root:
                findings.says.append("It agrees with the checkpoint that you kept.")
            else:
                findings.faults.append(
                    f"At {kept.size} entries the checkpoint that you kept has another root: "
                    "the journal was rewritten."
                )
            return
    findings.faults.append(
        f"The bundle does not reach back to the checkpoint that you kept, over {kept.size} entries. "
        "Ask for a bundle since that checkpoint."
    )


# Telling.


def sentences(findings, show=False):
    """The findings in plain words, a line each."""
    for entry in findings.entries:
        yield f"{entry.name}: {'holds' if entry.holds else 'DOES NOT HOLD'}."
        if entry.fault:
            yield f"  - {entry.fault}"
        if not isinstance(entry.reason, str) or entry.reason:
            yield f"  reason given: {entry.reason}"
        for row in entry.rows:
            if row.fault:
                yield f"  row {row.name}: DOES NOT HOLD: {row.fault}."
            elif row.is_erased:
                yield f"  row {row.name}: holds; its content was erased."
            else:
                yield f"  row {row.name}: holds."
            if show and row.content is not None:
                yield f"    {row.content}"
        hidden = len(entry.committed) - len(entry.rows)
        if hidden > 0:
            yield f"  {hidden} more row{'s' if hidden > 1 else ''} of this entry not disclosed here."
    yield from (*findings.says, *findings.faults)
    if findings.holds:
        yield f"Everything holds under {findings.checkpoint.name}."
    else:
        bad = [f"place {entry.index}" for entry in findings.entries if not entry.holds]
        named = f" Entries that do not hold: {', '.join(bad)}." if bad else ""
        yield f"SOMETHING DOES NOT HOLD.{named}"


def main(arguments=None):
    parser = argparse.ArgumentParser(description="Check a bundle taken out of a competence register.")
    parser.add_argument("bundle", metavar="bundle.json", help="or the .zip that it came in")
    parser.add_argument("--key", metavar="HEX", help="the register's public key, from elsewhere")
    parser.add_argument("--checkpoint", metavar="FILE", help="a checkpoint that you kept")
    parser.add_argument("--show", action="store_true", help="print what each disclosed row says")
    given = parser.parse_args(arguments)
    try:
        key = None if given.key is None else _hex(given.key.strip().lower(), 32)
        kept = None if given.checkpoint is None else _content(given.checkpoint)
        findings = check(_unpacked(_content(given.bundle)), key, kept)
    except NotUnderstood as error:
        print(f"Not understood: {error}", file=sys.stderr)
        return NOT_UNDERSTOOD
    except OSError as error:
        print(f"{error.filename} could not be read: {error.strerror}.", file=sys.stderr)
        return NOT_UNDERSTOOD
    try:
        for line in sentences(findings, given.show):
            print(line)
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever reads has read enough; nothing more is written at the end either.
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115
    return HOLDS if findings.holds else DOES_NOT_HOLD


def _content(path):
    with open(path, "rb") as file:
        return file.read()


def _unpacked(content):
    """The bundle out of the .zip that a register hands over; anything else as it is."""
    if not content.startswith(b"PK"):
        return content
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            if packed.getinfo("bundle.json").file_size > MOST_BYTES:
                raise NotUnderstood("the bundle in this .zip is larger than a register makes them")
            return packed.read("bundle.json")
    except (zipfile.BadZipFile, KeyError, EOFError, RuntimeError, NotImplementedError, zlib.error) as error:
        raise NotUnderstood("this .zip is damaged, or holds no bundle.json") from error


if __name__ == "__main__":
    if hasattr(sys.stdout, "reconfigure"):
        # A terminal that cannot write a letter must not stop the check.
        sys.stdout.reconfigure(errors="backslashreplace")
        sys.stderr.reconfigure(errors="backslashreplace")
    sys.exit(main())
