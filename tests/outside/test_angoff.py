"""The modified Angoff cut against a worked example of 4 judges and 5 questions.

Cut 3.40 (68 %), SD .21602, SE .10801, recomputed by hand from the judges' four sums. Method: W. H. Angoff,
"Scales, norms, and equivalent scores", in R. L. Thorndike (ed.), Educational Measurement, 2nd edition, 1971,
with shares instead of yes and no.
"""

import pytest

from assessments.rules.papers import Line, angoff

RATINGS = {
    "first": [0.7, 0.8, 0.6, 0.5, 0.9],
    "second": [0.6, 0.9, 0.5, 0.6, 0.8],
    "third": [0.8, 0.7, 0.7, 0.5, 0.9],
    "fourth": [0.7, 0.8, 0.4, 0.4, 0.8],
}


def test_the_worked_example_comes_out_when_each_question_is_a_topic_of_its_own():
    by_topic = {
        judge: {str(n): [share] for n, share in enumerate(shares)} for judge, shares in RATINGS.items()
    }
    found = angoff(by_topic, [Line(str(n), 1) for n in range(5)])
    assert found.judges == pytest.approx({"first": 3.5, "second": 3.4, "third": 3.6, "fourth": 3.1})
    assert found.mean == pytest.approx(3.40)
    assert found.share == pytest.approx(0.68)
    assert found.sd == pytest.approx(0.21602, abs=5e-6)
    assert found.se == pytest.approx(0.10801, abs=5e-6)
    assert found.cut == 4


def test_it_comes_out_the_same_when_all_five_are_of_one_topic():
    found = angoff({judge: {"all": shares} for judge, shares in RATINGS.items()}, [Line("all", 5)])
    assert (found.mean, found.sd) == pytest.approx((3.40, 0.21602), abs=5e-6)
