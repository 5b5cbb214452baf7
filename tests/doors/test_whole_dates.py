"""A date on a screen does not part across two lines."""

from datetime import date

import pytest
from django.template.loader import render_to_string

from competence.rules.reasons import long_date
from competence.templatetags.whole_dates import whole_dates


@pytest.mark.parametrize("month", range(1, 13))
def test_every_date_of_a_sentence_is_whole_and_the_rest_may_break(month):
    said = long_date(date(2029, month, 4))
    kept = whole_dates(f"to {said}, or 12 May")
    assert kept == f"to {said.replace(' ', chr(0xA0))}, or 12 May"


def test_a_state_keeps_its_date_whole_and_stays_escaped():
    shown = render_to_string(
        "components/state.html", {"word": "In force", "tone": "good", "detail": "to 4 November 2029 <b>"}
    )
    assert "to 4\N{NO-BREAK SPACE}November\N{NO-BREAK SPACE}2029 &lt;b&gt;" in shown
