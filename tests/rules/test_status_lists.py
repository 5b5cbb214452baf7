"""Status lists as this register writes and reads them."""

import base64
import gzip

import pytest
from hypothesis import given
from hypothesis import strategies as st

from competence.rules.status_lists import LIST_LENGTH, NotAStatusList, decoded_list, encoded_list, is_set


@given(st.sets(st.integers(0, LIST_LENGTH - 1), max_size=20))
def test_what_was_set_is_set_and_nothing_else(places):
    bits = decoded_list(encoded_list(places))
    assert len(bits) * 8 == LIST_LENGTH
    assert sum(byte.bit_count() for byte in bits) == len(places)
    assert all(is_set(bits, place) for place in places)


def test_the_same_list_is_always_written_the_same_way():
    written = encoded_list([5])
    packed = base64.urlsafe_b64decode(written[1:] + "=" * (-len(written[1:]) % 4))
    # RFC 1952 section 2.3.1: MTIME, octets 4 to 7; 0 says that there is none.
    assert packed[4:8] == bytes(4)


@pytest.mark.parametrize("place", [-1, LIST_LENGTH])
def test_a_place_outside_the_list_is_refused_and_is_not_good(place):
    with pytest.raises(ValueError, match="not within"):
        encoded_list([place])
    with pytest.raises(IndexError):
        is_set(decoded_list(encoded_list([])), place)


def _encoded(octets):
    return "u" + base64.urlsafe_b64encode(octets).decode().rstrip("=")


@pytest.mark.parametrize(
    "text",
    [
        encoded_list([])[1:],
        "z" + encoded_list([])[1:],
        "u",
        "unot a list",
        _encoded(b"not gzip"),
        _encoded(gzip.compress(bytes(LIST_LENGTH // 8), mtime=0)[:-6]),
        _encoded(gzip.compress(bytes(LIST_LENGTH // 8 - 1), mtime=0)),
    ],
)
def test_what_is_no_list_is_refused(text):
    with pytest.raises(NotAStatusList):
        decoded_list(text)
