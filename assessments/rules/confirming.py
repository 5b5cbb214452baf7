"""When a finished assessment may become final although the operator has not confirmed it."""

from datetime import date, timedelta

# Whole days that an operator has, after the assessor's own confirmation and before anybody may record that
# they did not confirm (common practice: a week reaches everybody once, whatever their shift).
DAYS_TO_CONFIRM = 7


def first_day_without_operator(assessor_confirmed_on: date) -> date:
    """The first day on which that may be recorded: ``DAYS_TO_CONFIRM`` whole days lie between.

    Counted from the assessor's confirmation and not from the finish, because lowering or raising an outcome
    gives the operator another one to read. ``assessor_confirmed_on`` is the day at the site.
    """
    return assessor_confirmed_on + timedelta(days=DAYS_TO_CONFIRM + 1)
