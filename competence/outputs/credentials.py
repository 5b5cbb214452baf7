"""What the register publishes for strangers: its key, its status lists, what its credentials stand for."""

from datetime import datetime, timedelta
from typing import Any

from competence.queries.signing import (
    address_of,
    public_jwk,
    signed_credential,
    signed_stopped_cards,
    status_list_address,
)
from competence.queries.status_lists import places_set, stopped_places
from competence.rules.credentials import W3C_CONTEXT, Achievement, jwt_claims, status_list_credential
from competence.rules.status_lists import Purpose, encoded_list

# After this a copy of a list is too old to rely on.
LIST_LASTS = timedelta(hours=24)


def jwk_set() -> dict[str, Any]:
    """The key that checks cards and credentials (JWK set, RFC 7517)."""
    return {"keys": [public_jwk()]}


def status_list(list_number: int, purpose: Purpose, *, at: datetime) -> str:
    """A status list credential as a signed JWT, as the register stands."""
    body = status_list_credential(
        address=status_list_address(list_number, purpose),
        issuer=address_of("issuer"),
        purpose=purpose,
        encoded=encoded_list(places_set(list_number, purpose)),
        valid_from=at,
        valid_until=at + LIST_LASTS,
    )
    return signed_credential(jwt_claims(body))


def stopped_cards(*, at: datetime) -> str:
    """The places whose bit is set because their card was stopped, each with the day: ``stopped``. It is asked
    for where a bit is set, to say what happened; whether the card counts rests on the bit alone."""
    claims = {
        "iat": int(at.timestamp()),
        "exp": int((at + LIST_LASTS).timestamp()),
        # No calendar is more than a day behind this one.
        "stopped": stopped_places((at - timedelta(days=1)).date()),
    }
    return signed_stopped_cards(claims)


def achievement_document(achievement: Achievement) -> dict[str, Any]:
    return {"@context": [W3C_CONTEXT], **achievement.as_json()}
