"""What is said of a change that the database did not take."""

import pytest

from competence.rules.unavailable import Cause, Unavailable


def said(cause, *, is_sent=True, is_begun=True, is_done=False):
    return Unavailable(cause, is_sent, is_begun, is_done).sentence


@pytest.mark.parametrize("cause", [Cause.FULL, Cause.READ_ONLY, Cause.BUSY])
def test_what_was_rolled_back_was_certainly_not_kept(cause):
    assert "Nothing was kept;" in said(cause)


def test_a_database_that_went_away_in_the_middle_may_have_kept_it():
    assert "not certain" in said(Cause.AWAY)
    assert "Nothing was kept;" in said(Cause.AWAY, is_begun=False)


@pytest.mark.parametrize("cause", Cause)
def test_a_door_that_had_done_its_work_may_have_kept_it(cause):
    assert "not certain" in said(cause, is_done=True)


@pytest.mark.parametrize("cause", Cause)
def test_who_only_looked_is_not_told_of_sending(cause):
    assert said(cause, is_sent=False).endswith("Nothing was changed.")
