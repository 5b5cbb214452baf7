"""The shape of an Open Badges credential. Source: 1EdTech Open Badges 3.0, its tables of required members."""

from copy import deepcopy
from datetime import UTC, datetime

import pytest

from competence.rules.credentials import (
    Achievement,
    Holder,
    achievement_credential,
    disagreements,
    faults,
    jwt_claims,
    profile,
    status_entry,
)
from competence.rules.status_lists import Purpose

ISSUER = "https://register.example/issuer/"


def whole():
    return achievement_credential(
        id="urn:uuid:1f0c1f4e-4a70-4b1e-9d1c-0d4d7f3d9a11",
        issuer=profile(ISSUER, "Competence register"),
        valid_from=datetime(2026, 11, 25, 9, tzinfo=UTC),
        valid_until=datetime(2027, 11, 25, tzinfo=UTC),
        holder=Holder("urn:uuid:5a0d8a3e-0c5e-4f0e-8c39-2f7f5c6b1d22", "Ada Ashworth"),
        achievement=Achievement(f"{ISSUER}a/1/", "Ticket: Dumper", "May operate.", "By the standard."),
        status=[status_entry(f"{ISSUER}status/1/revocation/", Purpose.REVOCATION, 4711)],
    )


def at(credential, path):
    for name in path:
        credential = credential[name]
    return credential


REQUIRED = [
    ("@context",),
    ("id",),
    ("type",),
    ("issuer",),
    ("issuer", "id"),
    ("issuer", "type"),
    ("validFrom",),
    ("credentialSubject",),
    ("credentialSubject", "type"),
    ("credentialSubject", "achievement"),
    ("credentialSubject", "achievement", "id"),
    ("credentialSubject", "achievement", "type"),
    ("credentialSubject", "achievement", "name"),
    ("credentialSubject", "achievement", "description"),
    ("credentialSubject", "achievement", "criteria"),
]


def test_what_is_built_is_whole():
    assert faults(whole()) == []


@pytest.mark.parametrize("path", REQUIRED, ids=".".join)
def test_without_any_one_required_member_it_is_refused(path):
    credential = whole()
    del at(credential, path[:-1])[path[-1]]
    assert len(faults(credential)) == 1


@pytest.mark.parametrize(
    "types", [["VerifiableCredential"], ["OpenBadgeCredential"], [], "OpenBadgeCredential", None]
)
def test_both_types_are_needed(types):
    assert faults(whole() | {"type": types})


@pytest.mark.parametrize(
    "change",
    [
        lambda contexts: contexts[::-1],
        lambda contexts: contexts[:1],
        lambda contexts: [contexts[0], "https://register.example/context"],
        lambda contexts: contexts[1],
    ],
    ids=["swapped", "one", "another", "no list"],
)
def test_contexts_out_of_order_or_missing_are_refused(change):
    credential = whole()
    credential["@context"] = change(credential["@context"])
    assert len(faults(credential)) == 1


def test_a_subject_is_told_by_its_id_or_by_an_identifier_and_not_by_nothing():
    without_id, without_identifier, without = whole(), whole(), whole()
    del without_id["credentialSubject"]["id"]
    del without_identifier["credentialSubject"]["identifier"]
    without["credentialSubject"].update(id="", identifier=[])
    assert (faults(without_id), faults(without_identifier)) == ([], [])
    assert faults(without) == ["credentialSubject: an id, or at least one identifier"]


@pytest.mark.parametrize("moment", ["2026-11-25", "2026-11-25T09:00:00", "yesterday", 1795597200])
def test_a_moment_has_its_offset(moment):
    assert faults(whole() | {"validFrom": moment})
    assert faults(whole() | {"validUntil": moment})


def test_an_issuer_may_be_named_by_its_address_alone():
    assert faults(whole() | {"issuer": ISSUER}) == []
    assert faults(whole() | {"issuer": "no address"})


def test_the_claims_repeat_the_body():
    payload = jwt_claims(whole())
    assert (payload["iss"], payload["jti"]) == (ISSUER, payload["id"])
    assert (payload["nbf"], payload["exp"]) == (1795597200, 1827100800)
    assert payload["sub"] == payload["credentialSubject"]["id"]
    assert disagreements(payload) == []


@pytest.mark.parametrize("claim", ["iss", "jti", "nbf", "sub", "exp"])
def test_a_claim_that_is_missing_or_says_something_else_makes_it_invalid(claim):
    payload = jwt_claims(whole())
    other = deepcopy(payload) | {claim: 7}
    del payload[claim]
    assert disagreements(payload) == disagreements(other) == [f"{claim} does not agree with the credential"]
