"""Ed25519 keys and signatures in JOSE. Source: RFC 8037 appendix A (the key is that of RFC 8032, test 1)."""

import jwt

from competence.queries.signing import card_key, public_jwk, thumbprint

SECRET = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60"
PUBLIC_X = "11qYAYKxCrfVS_7TyWQHOg7hcvPapiMlrwIaaPcHURo"
THUMBPRINT = "kPrK_qmxVWaYVA9wwBF6Iuo3vVzz7TxHCTwXBygrS4k"
PAYLOAD = b"Example of Ed25519 signing"
JWS = (
    "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc."
    "hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
)


def test_the_public_key_and_its_thumbprint_are_those_of_a_2_and_a_3(settings):
    settings.CARD_KEY = SECRET
    jwk = public_jwk()
    assert (jwk["kty"], jwk["crv"], jwk["x"]) == ("OKP", "Ed25519", PUBLIC_X)
    assert thumbprint({name: jwk[name] for name in ("crv", "kty", "x")}) == THUMBPRINT
    assert THUMBPRINT.startswith(jwk["kid"])


def test_the_cards_key_signs_as_a_4_does(settings):
    settings.CARD_KEY = SECRET
    signed = jwt.PyJWS().encode(PAYLOAD, card_key(), algorithm="EdDSA", headers={"typ": None})
    assert signed == JWS
