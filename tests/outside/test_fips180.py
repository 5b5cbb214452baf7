"""SHA-256. Source: FIPS 180-4, with the example messages of one block and of two."""

import hashlib

import pytest

from competence.rules.journal import commitment_hash


@pytest.mark.parametrize(
    ("message", "first", "last"),
    [
        (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", ""),
        (b"", "e3b0c442", "b855"),
        (b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq", "248d6a61", "06c1"),
    ],
)
def test_digests_are_the_published_ones(message, first, last):
    digest = hashlib.sha256(message).hexdigest()
    assert digest.startswith(first)
    assert digest.endswith(last)
    assert commitment_hash(b"", message).hex() == digest


def test_a_commitment_is_the_digest_of_salt_then_content():
    assert commitment_hash(b"a", b"bc").hex().startswith("ba7816bf8f01cfea414140de5dae2223")
