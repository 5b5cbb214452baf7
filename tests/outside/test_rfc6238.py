"""The codes of the second factor against RFC 6238, appendix B (SHA-1, eight digits; values from memory)."""

import pytest
from django_otp.oath import TOTP

SECRET = b"12345678901234567890"


@pytest.mark.parametrize(
    ("seconds", "code"),
    [
        (59, 94287082),
        (1111111109, 7081804),
        (1111111111, 14050471),
        (1234567890, 89005924),
        (2000000000, 69279037),
        (20000000000, 65353130),
    ],
)
def test_the_published_values(seconds, code):
    made = TOTP(SECRET, digits=8)
    made.time = seconds
    assert made.token() == code
