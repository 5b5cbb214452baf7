"""Ed25519 signatures. Source: RFC 8032 section 7.1, tests 1 and 2."""

import pytest
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from competence.queries.checkpoints import JournalKeyUnusable, Statement, public_key, signing_key

SECRET_1 = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
PUBLIC_1 = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
SIGNATURE_1 = (
    "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e06522490155"
    "5fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b"
)
SECRET_2 = "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb"


def test_test_1_signs_the_empty_message(settings):
    settings.JOURNAL_KEY = SECRET_1
    assert public_key().hex() == PUBLIC_1
    assert signing_key().sign(b"").hex() == SIGNATURE_1


def test_test_2_signs_one_byte():
    """The published beginnings and ends of the public key and the signature, and that they fit."""
    key = Ed25519PrivateKey.from_private_bytes(bytes.fromhex(SECRET_2))
    public, signature = key.public_key().public_bytes_raw().hex(), key.sign(b"\x72")
    assert (public[:8], public[-4:]) == ("3d4017c3", "660c")
    assert (signature.hex()[:8], signature.hex()[-4:]) == ("92a009a9", "0c00")
    key.public_key().verify(signature, b"\x72")
    with pytest.raises(InvalidSignature):
        key.public_key().verify(signature, b"\x73")


def test_a_checkpoint_with_test_1s_signature_is_not_signed():
    """A signature over something else is no signature of the checkpoint."""
    stated = Statement(1, bytes(32), "2026-01-01", bytes.fromhex(PUBLIC_1), bytes.fromhex(SIGNATURE_1))
    assert not stated.is_signed


@pytest.mark.parametrize("key", ["", "not a key", SECRET_1[:-2], SECRET_1 + "00"])
def test_a_key_of_the_wrong_shape_is_named(settings, key):
    settings.JOURNAL_KEY = key
    with pytest.raises(JournalKeyUnusable, match="64 hexadecimal digits"):
        signing_key()
