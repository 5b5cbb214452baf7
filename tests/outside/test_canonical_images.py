"""What the journal commits to is RFC 8785, whichever encoder wrote it. Held against the rfc8785 package."""

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from competence.models.images import canonical

LEAVES = (
    st.none()
    | st.booleans()
    | st.integers(-(2**53) + 1, 2**53 - 1)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text()
)
VALUES = st.recursive(
    LEAVES, lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner), max_leaves=20
)


@given(VALUES)
def test_every_value_is_written_as_the_rfc_says(value):
    assert canonical(value) == rfc8785.dumps(value)


@given(st.dictionaries(st.text(st.characters(max_codepoint=127)), st.text() | st.integers(0, 9)))
def test_so_are_rows_as_the_journal_images_them(row):
    assert canonical(row) == rfc8785.dumps(row)


@pytest.mark.parametrize("text", ['\x00\x1f\x7f"\\/\b\f\n\r\t', "€ é 😀", "\u2028\u2029"])
def test_so_is_every_letter_that_json_may_escape(text):
    assert canonical({"said": text}) == rfc8785.dumps({"said": text})


@pytest.mark.parametrize("value", [2**53, -(2**53), 10**30, float("nan")])
def test_what_the_rfc_cannot_hold_is_refused_as_before(value):
    with pytest.raises(rfc8785.CanonicalizationError):
        canonical({"value": value})
