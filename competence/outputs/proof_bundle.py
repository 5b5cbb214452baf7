"""Bundles: entries of the journal with all that a stranger needs to check them, and the program that does."""

import zipfile
from collections.abc import Sequence
from datetime import UTC, datetime
from importlib import resources
from io import BytesIO
from typing import Any

from competence.actions.journal import seal
from competence.actions.looks import note_look
from competence.models import Account, Checkpoint, JournalEntry, Look
from competence.outputs.verify_bundle import FORMAT, as_written
from competence.permissions import Right, require_everywhere
from competence.queries.checkpoints import (
    Statement,
    checkpoint_as_json,
    latest_checkpoint,
    statement_as_json,
    statement_of,
)
from competence.queries.journal_proofs import (
    CannotProve,
    Shown,
    entries_numbered,
    prove_all,
    prove_extension,
)

# One bundle is read as a whole by whoever checks it.
MOST_ENTRIES = 5000

README = """\
A bundle of proof from a competence register

bundle.json       {entries} of the register's journal, what {they} of records,
                  and where {stand} in the journal that the register signed
verify_bundle.py  checks it; needs nothing but Python 3.9 or newer

    python3 verify_bundle.py bundle.json

says of every entry, and of every row that it shows, whether it holds. With --show
it also prints what each row says.

What "holds" means: the entry stood in the register's journal, at that place, when
the register signed its checkpoint over {size} entries ({at});
and each row is, letter for letter, what was written into the journal then. It does
not mean that what was written is true: people wrote it.

Do not take the key from this bundle alone. Whoever made the whole bundle up could
put a key of their own in it. Ask the firm, or whoever kept it, for the register's
public key, and give it:

    python3 verify_bundle.py bundle.json --key THE-KEY

If you kept a checkpoint of an earlier day (a small file), give it too: then it is
also checked that nothing written before that day was altered since.

    python3 verify_bundle.py bundle.json --checkpoint YOUR-FILE

It ends with 0 when everything holds, 1 when something does not (and names it), and
2 when the file cannot be read as a bundle: it was cut short or changed.
{since}
The rules it checks by are published: RFC 8032 (signatures), RFC 6962 and RFC 9162
(the journal's tree), FIPS 180-4 (SHA-256). Read verify_bundle.py, or write your own.

What is shown of people here is personal. Hand it on with the same care as the
record itself.
"""


def bundle(
    entries: Sequence[JournalEntry],
    *,
    since: Checkpoint | Statement | None = None,
    until: Checkpoint | None = None,
    shown: Shown = None,
) -> dict[str, Any]:
    """What a stranger checks ``entries`` with, by ``verify_bundle.py`` and nothing else.

    Each entry comes with its canonical bytes, its path to the latest checkpoint, and its rows with content
    and salt: those named by ``shown`` ((kind, key) pairs), or all. ``since``: an older checkpoint, of the
    register or kept elsewhere, with the path that shows the journal to extend it. ``until`` is for a bundle
    without entries: the newer of two checkpoints. Four statements, and the leaves that this process has not
    read yet. Write it down by ``verify_bundle.as_written``, byte for byte, or ``bundle_file``.

    Raises ``NotSealed`` for an entry without a place (seal first), ``CannotProve`` where there is nothing to
    prove it under or ``since`` is not extended, ``JournalBroken`` where the journal was altered.
    """
    if len(entries) > MOST_ENTRIES:
        raise CannotProve(f"A bundle holds at most {MOST_ENTRIES} entries; {len(entries)} were asked for.")
    checkpoint = latest_checkpoint() if until is None or entries else until
    if checkpoint is None:
        raise CannotProve("Nothing has been sealed yet: run “journal seal” first.")
    stated = checkpoint_as_json(checkpoint)
    return {
        "format": FORMAT,
        "public_key": stated["public_key"],
        "checkpoint": stated,
        "older": None if since is None else _older(since, checkpoint),
        "entries": prove_all(entries, checkpoint, shown=shown),
    }


def _older(since: Checkpoint | Statement, newer: Checkpoint) -> dict[str, Any]:
    kept = statement_of(since) if isinstance(since, Checkpoint) else since
    return {"checkpoint": statement_as_json(kept), "path": prove_extension(kept, newer)}


def bundle_file(made: dict[str, Any]) -> bytes:
    """A bundle as one .zip: ``bundle.json``, ``README.txt`` and the program that checks it. The same bundle
    makes the same bytes."""
    file, moment = BytesIO(), datetime.fromisoformat(made["checkpoint"]["at"]).astimezone(UTC)
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as kept:
        for name, content in (
            ("README.txt", _readme(made).encode()),
            ("bundle.json", as_written(made)),
            ("verify_bundle.py", verifier()),
        ):
            one = zipfile.ZipInfo(name, moment.timetuple()[:6])
            one.external_attr = 0o644 << 16
            kept.writestr(one, content, zipfile.ZIP_DEFLATED)
    return file.getvalue()


def take_out(
    *,
    by: Account,
    numbers: Sequence[int],
    since: Checkpoint | Statement | None = None,
    shown: Shown = None,
    noted: dict[str, Any],
) -> bytes:
    """The entries of those numbers as a bundle's file, noted before it is handed over.

    ``noted``: what the note says, as ``note_look`` takes it; the entries' numbers are added. What is not
    sealed yet is sealed first, so that everything can be proven. Raises what ``bundle`` and ``note_look`` do.
    """
    entries = entries_numbered(numbers)
    asked = {**noted.get("asked", {}), "entries": list(numbers), "since": since.size if since else None}
    note_look(by=by, kind=Look.Kind.BUNDLE, **{**noted, "asked": asked})
    if any(entry.position is None for entry in entries):
        seal()
        entries = entries_numbered(numbers)
    return bundle_file(bundle(entries, since=since, shown=shown))


def take_out_entries(
    *, by: Account, numbers: Sequence[int], since: Checkpoint | Statement | None = None
) -> bytes:
    """Entries with all that they say. They may concern any site, so the role must be held for every site."""
    require_everywhere(by, Right.SEE_JOURNAL)
    return take_out(by=by, numbers=numbers, since=since, noted={})


def verifier() -> bytes:
    """The stand-alone program, as it is handed over."""
    return (resources.files("competence.outputs") / "verify_bundle.py").read_bytes()


def _readme(made: dict[str, Any]) -> str:
    count, checkpoint = len(made["entries"]), made["checkpoint"]
    since = ""
    if made["older"]:
        older = made["older"]["checkpoint"]
        since = (
            f"\nThis bundle also shows that the journal begins with all that was signed at {older['size']}\n"
            f"entries, {older['at']}.\n"
        )
    return README.format(
        entries="1 entry" if count == 1 else f"{count} entries",
        they="it says" if count == 1 else "they say",
        stand="it stands" if count == 1 else "they stand",
        size=checkpoint["size"],
        at=checkpoint["at"],
        since=since,
    )
