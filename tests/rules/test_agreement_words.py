"""What a trainer reads of a kappa: hundredths, an interval, and when the figures say little."""

import pytest

from assessments.rules.agreement import DoubleMark, Kappa, agreement
from assessments.rules.agreement_words import (
    FEW_POINTS,
    caution,
    kappa_figure,
    kappa_range,
    kappa_sentence,
    percent_agreed,
)


def compared(pairs):
    marks = [DoubleMark(place, f"Point {place}", *pair) for place, pair in enumerate(pairs)]
    return agreement(marks, ("no", "half", "yes"))


def test_a_kappa_is_told_in_hundredths_with_what_would_fit():
    kappa = Kappa(0.624, 0.1, (0.41, 0.83))
    assert kappa_sentence(kappa) == (
        "Of the agreement that chance does not bring anyway, they reached 62 in 100; "
        "from 41 to 83 would fit these marks."
    )
    assert (kappa_figure(kappa), kappa_range(kappa)) == ("62", "41 to 83")


def test_below_nought_is_no_better_than_chance():
    kappa = Kappa(-0.1, 0.1, (-0.3, 0.1))
    assert kappa_sentence(kappa) == (
        "No more alike than chance alone would bring; from none to 10 would fit these marks."
    )
    assert (kappa_figure(kappa), kappa_range(kappa)) == ("\N{MINUS SIGN}10", "\N{MINUS SIGN}30 to 10")
    assert "hardly give better" in kappa_sentence(Kappa(-0.5, 0.1, (-0.7, -0.3)))


def test_without_a_value_or_an_interval_it_says_why():
    nothing = compared([])
    assert kappa_sentence(nothing.kappa) == nothing.kappa.why_not != ""
    assert (kappa_figure(nothing.kappa), kappa_range(nothing.kappa)) == ("", "")
    whole = compared([("no", "no"), ("yes", "yes")])
    assert kappa_sentence(whole.kappa).endswith(f"100 in 100. {whole.kappa.why_not}")
    assert kappa_range(whole.kappa) == ""


@pytest.mark.parametrize(("agreed", "percent"), [(0, 0), (199, 99), (200, 100)])
def test_only_full_agreement_is_a_hundred(agreed, percent):
    pairs = [("yes", "yes")] * agreed + [("yes", "no")] * (200 - agreed)
    assert percent_agreed(compared(pairs)) == percent
    assert percent_agreed(compared([])) is None


def test_few_points_are_said_to_say_little():
    pairs = [("no", "no"), ("yes", "yes")] * (FEW_POINTS // 2)
    assert caution(compared(pairs)) == ""
    assert caution(compared(pairs[1:])) == (
        f"Few points say little: {FEW_POINTS - 1} points so far, at least {FEW_POINTS} are needed."
    )
    assert caution(compared(pairs[:1])).startswith("Few points say little: 1 point so far")


def test_a_wide_interval_is_said_to_be_wide():
    pairs = [("yes", "yes")] * (FEW_POINTS - 2) + [("no", "no"), ("yes", "no")]
    assert "interval is wide" in caution(compared(pairs))
