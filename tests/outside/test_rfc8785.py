"""Canonical JSON. Sources: RFC 8785 sections 3.2.2.3 (numbers) and 3.2.3 (order of names)."""

import json

import pytest
import rfc8785


@pytest.mark.parametrize(
    ("written", "canonical"),
    [
        ("333333333.33333329", "333333333.3333333"),
        ("1E30", "1e+30"),
        ("4.50", "4.5"),
        ("2e-3", "0.002"),
        ("1e21", "1e+21"),
        ("1e20", "100000000000000000000"),
        ("1e-6", "0.000001"),
        ("1e-7", "1e-7"),
        ("-0.0", "0"),
    ],
)
def test_numbers_have_one_form(written, canonical):
    assert rfc8785.dumps(json.loads(written)) == canonical.encode()


@pytest.mark.parametrize("number", [float("nan"), float("inf"), 2**53, -(2**53)])
def test_a_number_that_others_would_read_differently_is_refused(number):
    with pytest.raises(rfc8785.CanonicalizationError):
        rfc8785.dumps(number)


def test_names_are_sorted_by_utf_16_unit():
    """The example of section 3.2.3: the surrogates of an emoji sort before U+FB33."""
    names = ["\u20ac", "\r", "\ufb33", "1", "\U0001f600", "\u0080", "\u00f6"]
    in_order = ["\r", "1", "\u0080", "\u00f6", "\u20ac", "\U0001f600", "\ufb33"]
    assert list(json.loads(rfc8785.dumps(dict.fromkeys(names, 0)))) == in_order


def test_names_are_sorted_without_any_locale():
    """The French example of the published test data: the accents of one language decide nothing."""
    assert rfc8785.dumps({"pêche": 1, "péché": 2}) == '{"péché":2,"pêche":1}'.encode()
