"""The key of what leaves the register, what it signs, and the addresses at which strangers check it."""

import base64
import hashlib
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

import jwt
import rfc8785
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.conf import settings
from django.urls import reverse

from competence.rules.cards import STATEMENT_TYPE, STOPPED_TYPE
from competence.rules.credentials import profile
from competence.rules.status_lists import Purpose

# What the register calls itself to strangers.
ISSUER_NAME = "Competence register"
# A code has little room: of the thumbprint (RFC 7638) these many letters tell one register's keys apart.
KEY_ID_LENGTH = 10


class CardKeyUnusable(ValueError):
    """The setting of the cards' key is not 32 bytes in hexadecimal digits."""


def card_key() -> Ed25519PrivateKey:
    try:
        return Ed25519PrivateKey.from_private_bytes(bytes.fromhex(settings.CARD_KEY))
    except ValueError:
        raise CardKeyUnusable(
            "The cards' key is not 64 hexadecimal digits: put right REGISTER_CARD_KEY or card.key."
        ) from None


def leads_nowhere() -> str:
    """The address that every card's code would lead to, where that is this machine alone; else nothing."""
    host = urlsplit(settings.REGISTER_ADDRESS).hostname or ""
    is_here = host in ("", "localhost") or host.startswith("127.") or host == "::1"
    return settings.REGISTER_ADDRESS if is_here else ""


def public_jwk() -> dict[str, str]:
    """The public half as an OKP JWK (RFC 8037 section 2), with its key id."""
    public = _base64url(card_key().public_key().public_bytes_raw())
    required = {"crv": "Ed25519", "kty": "OKP", "x": public}
    return {**required, "kid": thumbprint(required)[:KEY_ID_LENGTH], "use": "sig", "alg": "EdDSA"}


def key_id() -> str:
    return public_jwk()["kid"]


def thumbprint(required: Mapping[str, str]) -> str:
    """The JWK thumbprint of a key's required members: SHA-256 of their canonical JSON (RFC 7638)."""
    return _base64url(hashlib.sha256(rfc8785.dumps(dict(required))).digest())


def _base64url(octets: bytes) -> str:
    return base64.urlsafe_b64encode(octets).rstrip(b"=").decode()


def signed_statement(claims: Mapping[str, Any]) -> str:
    """A card's statement as a compact JWS."""
    return _signed(claims, STATEMENT_TYPE)


def signed_stopped_cards(claims: Mapping[str, Any]) -> str:
    """Which places stand on cards that were stopped, as a compact JWS."""
    return _signed(claims, STOPPED_TYPE)


def _signed(claims: Mapping[str, Any], type_: str) -> str:
    return jwt.encode(dict(claims), card_key(), algorithm="EdDSA", headers={"kid": key_id(), "typ": type_})


def signed_credential(claims: Mapping[str, Any]) -> str:
    """A credential as a VC-JWT. The header brings the key along, as Open Badges 3.0 section 8.2.3 asks, and
    names the address where the same key is published: only the second is a ground for trust."""
    jwk = {name: value for name, value in public_jwk().items() if name in ("crv", "kty", "x")}
    headers = {"kid": f"{address_of('issuer-keys')}#{key_id()}", "jwk": jwk, "typ": "JWT"}
    return jwt.encode(dict(claims), card_key(), algorithm="EdDSA", headers=headers)


def address_of(name: str, *arguments: Any) -> str:
    """A whole address of this register: what was signed yesterday points to the same place tomorrow, whatever
    name somebody reached it by."""
    return f"{settings.REGISTER_ADDRESS}{reverse(name, args=arguments)}"


def issuer_profile() -> dict[str, Any]:
    return profile(address_of("issuer"), ISSUER_NAME)


def status_list_address(list_number: int, purpose: Purpose) -> str:
    return address_of("issuer-status", list_number, purpose.value)


def statement_address(statement: str) -> str:
    """What a card's code holds. What follows the # never leaves the reader's phone (RFC 3986 section 3.5)."""
    return f"{address_of('card-check')}#{statement}"
