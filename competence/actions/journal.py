"""Writing the journal: one entry per action, in the action's own transaction; and sealing it."""

import logging
import secrets
import time
from collections.abc import Iterable
from datetime import datetime

from django.conf import settings
from django.db import connection, models, transaction

from competence.actions.clock import now
from competence.models import Account, Checkpoint, JournalEntry, JournalledRow
from competence.models.images import canonical, leaf_of, row_image
from competence.queries.checkpoints import latest_checkpoint, signed_bytes, signing_key, written
from competence.queries.journal_tree import JournalBroken, append_sealed, tree_at
from competence.rules.journal import commitment_hash

log = logging.getLogger(__name__)

# Any number that nothing else in the database uses; it names the lock, and only here.
_SEALING_LOCK = 0x6A6F75726E616C
# When this process last began a sealing, on the monotonic clock.
_last_sealing: float | None = None


def record(
    *,
    by: Account | None,
    action: str,
    rows: Iterable[models.Model],
    reason: str = "",
    at: datetime | None = None,
) -> JournalEntry:
    """Append one entry that commits to ``rows`` as they now stand.

    Call it last, inside the action's transaction. ``action`` is a noun of the trade and a past participle
    with a full stop between, such as ``ticket.issued``. ``by`` is ``None`` only for what nobody did: the
    set-up of a new register.
    """
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("an entry is written in the transaction of the change that it records")
    written = [(row._meta.label_lower, str(row.pk), canonical(row_image(row))) for row in rows]
    salts = [secrets.token_bytes(16) for _ in written]
    committed = [
        (kind, key, commitment_hash(salt, image))
        for (kind, key, image), salt in zip(written, salts, strict=True)
    ]
    entry = JournalEntry(at=at or now(), by=by, action=action, reason=reason)
    entry.leaf = leaf_of(entry, committed)
    entry.save()
    _keep_images(
        (entry.pk, kind, key, image.decode(), salt, commitment)
        for (kind, key, image), salt, (_, _, commitment) in zip(written, salts, committed, strict=True)
    )
    transaction.on_commit(_seal_if_due)
    return entry


def _keep_images(rows: Iterable[tuple[int, str, str, str, bytes, bytes]]) -> None:
    """Add the rows of an entry as they are, past the models: the content is text already, and an import adds
    them by the hundred thousand."""
    columns = ("entry", "kind", "key", "content", "salt", "commitment")
    quoted = [connection.ops.quote_name(JournalledRow._meta.get_field(name).column) for name in columns]
    table = connection.ops.quote_name(JournalledRow._meta.db_table)
    with connection.cursor() as cursor:
        cursor.executemany(
            f"INSERT INTO {table} ({', '.join(quoted)}) VALUES (%s, %s, %s, %s, %s, %s)",  # noqa: S608
            rows,
        )


def _seal_if_due() -> None:
    """Seal after a change, unless this process did so less than JOURNAL_SEAL_SECONDS ago.

    The change itself is safe by now: a failure is logged, and the next change tries again.
    """
    global _last_sealing
    seconds, moment = settings.JOURNAL_SEAL_SECONDS, time.monotonic()
    if seconds < 0 or (_last_sealing is not None and moment - _last_sealing < seconds):
        return
    _last_sealing = moment
    try:
        seal()
    except Exception:
        log.exception("The journal could not be sealed; the change that came before it is kept.")


@transaction.atomic
def seal() -> Checkpoint | None:
    """Give unsealed entries their positions, in order, and sign the new head of the journal.

    With nothing to seal it returns the latest checkpoint, or ``None`` for an empty journal. Raises
    ``JournalBroken`` rather than sign over entries that are not those signed before.
    """
    _take_turn()
    latest = latest_checkpoint()
    size = latest.size if latest else 0
    if JournalEntry.objects.filter(position__gte=size).exists():
        raise JournalBroken(
            f"Entries stand at positions from {size} on that no checkpoint signed. "
            "Nothing was sealed. Run “journal verify”."
        )
    if not JournalEntry.objects.filter(position__isnull=True).exists():
        return latest
    tree = tree_at(latest)
    _give_positions(size)
    append_sealed(tree)
    at, root = now(), tree.get_root()
    key = signing_key()
    return Checkpoint.objects.create(
        size=tree.get_size(),
        root=root,
        at=at,
        public_key=key.public_key().public_bytes_raw(),
        signature=key.sign(signed_bytes(size=tree.get_size(), root=root, at=written(at))),
    )


def _take_turn() -> None:
    """One sealing at a time. SQLite's transactions are IMMEDIATE, which is the same lock."""
    if connection.vendor == "postgresql":
        with connection.cursor() as cursor:
            cursor.execute("SELECT pg_advisory_xact_lock(%s)", [_SEALING_LOCK])


def _give_positions(start: int) -> None:
    # One statement, so that an entry committed meanwhile is either in this sealing or in the next.
    table = connection.ops.quote_name(JournalEntry._meta.db_table)
    numbered = f"SELECT id, ROW_NUMBER() OVER (ORDER BY id) - 1 AS place FROM {table} WHERE position IS NULL"  # noqa: S608
    with connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {table} SET position = %s + numbered.place FROM ({numbered}) AS numbered "  # noqa: S608
            f"WHERE {table}.id = numbered.id",
            [start],
        )
