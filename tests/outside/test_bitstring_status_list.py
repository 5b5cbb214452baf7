"""The published sample and bit order. Source: W3C Bitstring Status List v1.0 (Recommendation, 2025)."""

from openbadgeslib.ob3.status import decode_encoded_list, set_indices
from openbadgeslib.ob3.status_list import encode_bitstring

from competence.rules.status_lists import decoded_list, encoded_list, is_set

# The recommendation's own encodedList of a list with nothing set.
SAMPLE = "uH4sIAAAAAAAAA-3BMQEAAADCoPVPbQwfoAAAAAAAAAAAAAAAAAAAAIC3AYbSVKsAQAAA"


def test_the_published_sample_is_16_kib_of_noughts():
    assert decoded_list(SAMPLE) == bytes(16_384)


def test_place_0_is_the_left_most_bit():
    bits = decoded_list(encoded_list([0, 7, 8, 131_071]))
    assert (bits[0], bits[1], bits[-1]) == (0x81, 0x80, 0x01)
    assert not any(bits[2:-1])
    assert [place for place in range(16) if is_set(bits, place)] == [0, 7, 8]


def test_another_reader_and_another_writer_agree():
    """By openbadgeslib; bits are compared, not text, since gzip may pack the same in other ways."""
    places = {0, 7, 8, 4711, 131_071}
    assert set_indices(decode_encoded_list(encoded_list(places))) == places
    assert decoded_list(encode_bitstring(places)) == decoded_list(encoded_list(places))
