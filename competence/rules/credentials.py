"""Open Badges 3.0 credentials: their shape, what is wrong with one, and the claims of its VC-JWT.

Sources: 1EdTech Open Badges Specification 3.0 (common credentials, integrity), W3C Verifiable Credentials
Data Model 2.0, W3C Bitstring Status List 1.0.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from .status_lists import Purpose

W3C_CONTEXT = "https://www.w3.org/ns/credentials/v2"
OB_CONTEXT = "https://purl.imsglobal.org/spec/ob/v3p0/context-3.0.3.json"
_OB_CONTEXTS = re.compile(r"https://purl\.imsglobal\.org/spec/ob/v3p0/context-3\.\d+\.\d+\.json")
_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:\S+")
# The two that stop a credential; a newer one does not.
STOPPING = (Purpose.REVOCATION, Purpose.SUSPENSION)


@dataclass(frozen=True, slots=True)
class Achievement:
    """What was shown to hold: published, and about nobody."""

    id: str
    name: str
    description: str
    criteria: str
    kind: str = "License"

    def as_json(self) -> dict[str, Any]:
        return {
            "id": self.id,
            "type": ["Achievement"],
            "achievementType": self.kind,
            "name": self.name,
            "description": self.description,
            "criteria": {"narrative": self.criteria},
        }


@dataclass(frozen=True, slots=True)
class Holder:
    """Whose it is. ``id`` is opaque and of this credential alone, so two credentials of one person cannot be
    joined by it; ``name`` stands in clear, since whoever is shown the credential must be able to tell whether
    it is of the person before them. A digest of a name or a number is guessed in no time and hides nothing,
    so there is none."""

    id: str
    name: str


def profile(issuer: str, name: str) -> dict[str, Any]:
    """The issuer as a Profile; ``issuer`` is the address where it is published, and its id."""
    return {"id": issuer, "type": ["Profile"], "name": name, "url": issuer}


def status_entry(list_address: str, purpose: Purpose, place: int) -> dict[str, Any]:
    """Where the bit of a credential stands (Bitstring Status List 1.0, BitstringStatusListEntry)."""
    return {
        "id": f"{list_address}#{place}",
        "type": "BitstringStatusListEntry",
        "statusPurpose": purpose.value,
        "statusListIndex": str(place),
        "statusListCredential": list_address,
    }


def written(moment: datetime) -> str:
    """A moment as the data model writes it: with its offset, to the second."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def achievement_credential(
    *,
    id: str,
    issuer: Mapping[str, Any],
    valid_from: datetime,
    valid_until: datetime | None,
    holder: Holder,
    achievement: Achievement,
    status: Iterable[Mapping[str, Any]],
    description: str = "",
    licence_number: str = "",
    evidence: str = "",
) -> dict[str, Any]:
    """An AchievementCredential with every member that is required, and those of use. ``description``: what
    limits it, in words, for whoever is shown it."""
    subject: dict[str, Any] = {
        "id": holder.id,
        "type": ["AchievementSubject"],
        "identifier": [
            {
                "type": "IdentityObject",
                "hashed": False,
                "identityHash": holder.name,
                "identityType": "name",
            }
        ],
        "achievement": achievement.as_json(),
    }
    if licence_number:
        subject["licenseNumber"] = licence_number
    credential: dict[str, Any] = {
        "@context": [W3C_CONTEXT, OB_CONTEXT],
        "id": id,
        "type": ["VerifiableCredential", "OpenBadgeCredential"],
        "name": achievement.name,
        "issuer": dict(issuer),
        "validFrom": written(valid_from),
        "credentialSubject": subject,
        "credentialStatus": [dict(entry) for entry in status],
    }
    if description:
        credential["description"] = description
    if valid_until is not None:
        credential["validUntil"] = written(valid_until)
    if evidence:
        credential["evidence"] = [{"type": ["Evidence"], "name": "How it was shown", "narrative": evidence}]
    return credential


def status_list_credential(
    *, address: str, issuer: str, purpose: Purpose, encoded: str, valid_from: datetime, valid_until: datetime
) -> dict[str, Any]:
    """A published list (BitstringStatusListCredential). It ends, so that an old copy cannot be handed out for
    ever."""
    return {
        "@context": [W3C_CONTEXT],
        "id": address,
        "type": ["VerifiableCredential", "BitstringStatusListCredential"],
        "issuer": issuer,
        "validFrom": written(valid_from),
        "validUntil": written(valid_until),
        "credentialSubject": {
            "id": f"{address}#list",
            "type": "BitstringStatusList",
            "statusPurpose": purpose.value,
            "encodedList": encoded,
        },
    }


def jwt_claims(credential: Mapping[str, Any]) -> dict[str, Any]:
    """The payload of a credential's VC-JWT: the body, and the registered claims that repeat it.

    Source: Open Badges 3.0 section 8.2.4, ``iss`` = issuer, ``jti`` = id, ``nbf`` = validFrom, ``sub`` =
    subject, ``exp`` = validUntil.
    """
    return {**credential, **_registered(credential)}


def _registered(credential: Mapping[str, Any]) -> dict[str, Any]:
    claimed: dict[str, Any] = {
        "iss": id_of(credential["issuer"]),
        "jti": credential["id"],
        "nbf": _seconds(credential["validFrom"]),
    }
    subject = id_of(credential["credentialSubject"])
    if subject:
        claimed["sub"] = subject
    if "validUntil" in credential:
        claimed["exp"] = _seconds(credential["validUntil"])
    return claimed


def disagreements(payload: Mapping[str, Any]) -> list[str]:
    """The registered claims of a VC-JWT that do not say what its body says; any makes it invalid."""
    return [
        f"{name} does not agree with the credential"
        for name, value in _registered(payload).items()
        if payload.get(name) != value
    ]


def id_of(one: Any) -> str:
    """The id of what is named by its id alone or given whole; empty where there is none."""
    found = one if isinstance(one, str) else one.get("id", "") if isinstance(one, Mapping) else ""
    return found if isinstance(found, str) else ""


def _seconds(text: str) -> int:
    return int(datetime.fromisoformat(text).timestamp())


def faults(credential: Mapping[str, Any]) -> list[str]:
    """What is missing or wrong in an AchievementCredential, in words; empty for a whole one.

    Source: Open Badges 3.0, AchievementCredential, AchievementSubject, Achievement; the order of contexts
    by the VC Data Model 2.0.
    """
    contexts = credential.get("@context")
    found = []
    if not (
        isinstance(contexts, list)
        and len(contexts) >= 2
        and contexts[0] == W3C_CONTEXT
        and isinstance(contexts[1], str)
        and _OB_CONTEXTS.fullmatch(contexts[1])
    ):
        found.append("@context: first that of the W3C's credentials, then that of Open Badges")
    if not _URI.fullmatch(id_of(credential)):
        found.append("id: a URI")
    if not _has_types(credential, "VerifiableCredential") or not (
        _has_types(credential, "OpenBadgeCredential") or _has_types(credential, "AchievementCredential")
    ):
        found.append("type: VerifiableCredential with OpenBadgeCredential or AchievementCredential")
    issuer = credential.get("issuer")
    is_untyped = isinstance(issuer, Mapping) and not _has_types(issuer, "Profile")
    if not _URI.fullmatch(id_of(issuer)) or is_untyped:
        found.append("issuer: a URI, or a Profile with its id and type")
    found += [f"{name}: a moment with its offset" for name in _bad_moments(credential)]
    subject = credential.get("credentialSubject")
    return found + (_subject_faults(subject) if isinstance(subject, Mapping) else ["credentialSubject"])


def _bad_moments(credential: Mapping[str, Any]) -> list[str]:
    asked = ["validFrom", *(["validUntil"] if "validUntil" in credential else [])]
    return [name for name in asked if not _is_moment(credential.get(name))]


def _is_moment(value: Any) -> bool:
    if not isinstance(value, str) or "T" not in value:
        return False
    try:
        return datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return False


def _subject_faults(subject: Mapping[str, Any]) -> list[str]:
    found = []
    if not _has_types(subject, "AchievementSubject"):
        found.append("credentialSubject.type: AchievementSubject")
    if not id_of(subject) and not subject.get("identifier"):
        found.append("credentialSubject: an id, or at least one identifier")
    achievement = subject.get("achievement")
    if not isinstance(achievement, Mapping):
        return [*found, "credentialSubject.achievement"]
    if not _URI.fullmatch(id_of(achievement)):
        found.append("achievement.id: a URI")
    if not _has_types(achievement, "Achievement"):
        found.append("achievement.type: Achievement")
    found += [
        f"achievement.{name}"
        for name in ("name", "description")
        if not isinstance(achievement.get(name), str) or not achievement[name]
    ]
    criteria = achievement.get("criteria")
    if not isinstance(criteria, Mapping) or not (criteria.get("narrative") or criteria.get("id")):
        found.append("achievement.criteria: a narrative or an id")
    return found


def _has_types(one: Mapping[str, Any], wanted: str) -> bool:
    types = one.get("type")
    return types == wanted or (isinstance(types, list) and wanted in types)
