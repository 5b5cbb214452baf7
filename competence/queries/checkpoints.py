"""Checkpoints: what they state, who signed them, and how they are written down."""

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import rfc8785
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from django.conf import settings

from competence.models import Checkpoint, JournalEntry

ORIGIN = "competence-register"


class NotACheckpoint(ValueError):
    """The text is not a checkpoint as this register writes them."""


class JournalKeyUnusable(ValueError):
    """The setting of the journal's key is not 32 bytes in hexadecimal digits."""


@dataclass(frozen=True)
class Statement:
    """A checkpoint on its own, in the database or kept elsewhere."""

    size: int
    root: bytes
    at: str
    public_key: bytes
    signature: bytes

    @property
    def signed_bytes(self) -> bytes:
        return signed_bytes(size=self.size, root=self.root, at=self.at)

    @property
    def is_signed(self) -> bool:
        """Whether the signature is by the key that the statement names. Source: RFC 8032, Ed25519."""
        try:
            Ed25519PublicKey.from_public_bytes(self.public_key).verify(self.signature, self.signed_bytes)
        except (InvalidSignature, ValueError):
            return False
        return True


def signed_bytes(*, size: int, root: bytes, at: str) -> bytes:
    """The canonical JSON (RFC 8785) that a checkpoint's signature covers."""
    return rfc8785.dumps({"origin": ORIGIN, "size": size, "root": root.hex(), "at": at})


def written(moment: datetime) -> str:
    return moment.astimezone(UTC).isoformat(timespec="microseconds")


def signing_key() -> Ed25519PrivateKey:
    try:
        return Ed25519PrivateKey.from_private_bytes(bytes.fromhex(settings.JOURNAL_KEY))
    except ValueError:
        raise JournalKeyUnusable(
            "The journal's key is not 64 hexadecimal digits: put right REGISTER_JOURNAL_KEY or journal.key."
        ) from None


def public_key() -> bytes:
    """The key that a stranger checks the register's checkpoints with."""
    return signing_key().public_key().public_bytes_raw()


def latest_checkpoint() -> Checkpoint | None:
    return Checkpoint.objects.order_by("-size").first()


def journal_head() -> dict[str, Any]:
    """The latest checkpoint, what it states, and how many entries are not sealed yet. Two statements."""
    checkpoint = latest_checkpoint()
    return {
        "checkpoint": checkpoint,
        "stated": checkpoint_as_json(checkpoint) if checkpoint else None,
        "unsealed": JournalEntry.objects.filter(position__isnull=True).count(),
    }


def statement_of(checkpoint: Checkpoint) -> Statement:
    return Statement(
        size=checkpoint.size,
        root=octets(checkpoint.root),
        at=written(checkpoint.at),
        public_key=octets(checkpoint.public_key),
        signature=octets(checkpoint.signature),
    )


def checkpoint_as_json(checkpoint: Checkpoint) -> dict[str, Any]:
    """A checkpoint to keep away from the register, so that a later journal can be held against it."""
    return statement_as_json(statement_of(checkpoint))


def statement_as_json(stated: Statement) -> dict[str, Any]:
    return {
        "origin": ORIGIN,
        "size": stated.size,
        "root": stated.root.hex(),
        "at": stated.at,
        "public_key": stated.public_key.hex(),
        "signature": stated.signature.hex(),
    }


def checkpoint_from_json(text: str) -> Statement:
    """A kept checkpoint, read back. Raises ``NotACheckpoint`` with a sentence for the screen."""
    try:
        kept = json.loads(text)
        statement = Statement(
            size=kept["size"],
            root=bytes.fromhex(kept["root"]),
            at=kept["at"],
            public_key=bytes.fromhex(kept["public_key"]),
            signature=bytes.fromhex(kept["signature"]),
        )
        is_ours = kept["origin"] == ORIGIN
    except (KeyError, TypeError, ValueError, RecursionError):
        raise NotACheckpoint("This is not a checkpoint as “journal checkpoint” prints it.") from None
    is_whole = isinstance(statement.size, int) and statement.size > 0 and isinstance(statement.at, str)
    if not (is_ours and is_whole and not isinstance(statement.size, bool)):
        raise NotACheckpoint("This is not a checkpoint of this kind of register.")
    return statement


def octets(value: Any) -> bytes:
    """Bytes as the database gives them; what is no bytes at all can equal nothing that should be there."""
    if isinstance(value, bytes | memoryview | bytearray):
        return bytes(value)
    return b"" if value is None else str(value).encode()
