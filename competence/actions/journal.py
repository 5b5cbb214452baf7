"""Writing the journal: one entry per action, in the action's own transaction; and sealing it."""

import secrets
from collections.abc import Iterable
from datetime import datetime

from django.db import models, transaction

from competence.actions.clock import now
from competence.models import Account, JournalEntry, JournalledRow
from competence.models.images import commitment_to, leaf_of, row_image


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
    images = [(row._meta.label_lower, str(row.pk), row_image(row), secrets.token_bytes(16)) for row in rows]
    commitments = [commitment_to(content, salt) for _, _, content, salt in images]
    entry = JournalEntry(at=at or now(), by=by, action=action, reason=reason)
    entry.leaf = leaf_of(
        entry, [(kind, key, one) for (kind, key, _, _), one in zip(images, commitments, strict=True)]
    )
    entry.save()
    JournalledRow.objects.bulk_create(
        JournalledRow(entry=entry, kind=kind, key=key, content=content, salt=salt, commitment=one)
        for (kind, key, content, salt), one in zip(images, commitments, strict=True)
    )
    return entry
