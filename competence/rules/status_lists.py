"""Status lists: one bit a place, published for everybody, telling nothing but good or stopped.

Source: W3C Bitstring Status List v1.0 (Recommendation, 2025).
"""

from __future__ import annotations

import base64
import gzip
import zlib
from collections.abc import Iterable
from enum import StrEnum

# The least that the recommendation allows, so that a place is lost in the crowd: 16 KiB of bits.
LIST_LENGTH = 131_072
# A list that is half full is left as it is, and the next one begun: drawing a free place stays quick.
LIST_FULL_AT = LIST_LENGTH // 2


class Purpose(StrEnum):
    """What a set bit means. Revocation cannot be undone, suspension can; refresh says that there is a newer
    one, and stops nothing."""

    REVOCATION = "revocation"
    SUSPENSION = "suspension"
    REFRESH = "refresh"


class NotAStatusList(ValueError):
    """The text is no encoded list."""


def encoded_list(places: Iterable[int], length: int = LIST_LENGTH) -> str:
    """Multibase base64url (prefix ``u``, no padding) of the gzipped bits; place 0 is the left-most bit.

    The time in the gzip header is 0, so the same list is written the same way. Raises ``ValueError`` for a
    place that is not in the list.
    """
    bits = bytearray(length // 8)
    for place in places:
        if not 0 <= place < length:
            raise ValueError(f"place {place} is not within a list of {length}")
        bits[place // 8] |= 0x80 >> (place % 8)
    return "u" + base64.urlsafe_b64encode(gzip.compress(bytes(bits), mtime=0)).decode().rstrip("=")


def decoded_list(encoded: str) -> bytes:
    """The bits of an encoded list. Raises ``NotAStatusList``, also for one shorter than is allowed."""
    if not encoded.startswith("u"):
        raise NotAStatusList("a list begins with the multibase prefix u")
    text = encoded[1:]
    try:
        bits = gzip.decompress(base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)))
    except (ValueError, OSError, EOFError, zlib.error) as broken:
        raise NotAStatusList("the list is not gzip in base64url") from broken
    if len(bits) * 8 < LIST_LENGTH:
        raise NotAStatusList(f"a list has at least {LIST_LENGTH} places, this one {len(bits) * 8}")
    return bits


def is_set(bits: bytes, place: int) -> bool:
    """Whether the bit of a place is set; raises ``IndexError`` beyond the end, which is not "good"."""
    if place < 0:
        raise IndexError("a place is counted from 0")
    return bool(bits[place // 8] & (0x80 >> (place % 8)))
