"""What a ticket amounts to, in words: its state with a tone, and its conditions as sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from .conditions import Conditions
from .reasons import long_date
from .standing import Level, Standing, State

# A ticket with this many days left, or fewer, is shown as ending, and its holder is told at
# the daily check (common practice).
ENDING_DAYS = 30

LEVEL_WORDS = {Level.FULL: "Full", Level.TRAINEE: "Trainee, supervised"}


@dataclass(frozen=True, slots=True)
class StateWords:
    """A state for the screen. ``tone``: good, warn, stop, quiet or note; it chooses shape and colour."""

    state: State
    word: str
    tone: str
    detail: str = ""


def state_words(held: Standing | None, today: date) -> StateWords:
    """The state on a day of the site's calendar; ``None`` is a ticket whose issue was struck out."""
    if held is None:
        return StateWords(State.NOT_ISSUED, "Struck out", "quiet", "its issue was a mistake")
    state = held.state_on(today)
    if state is State.WITHDRAWN:
        return StateWords(state, "Withdrawn", "quiet", "for good")
    if state is State.SUSPENDED:
        return StateWords(state, "Suspended", "stop", f"it would run to {long_date(held.last_day)}")
    if state is State.NOT_STARTED:
        return StateWords(state, "Not started", "note", f"starts {long_date(held.first_day)}")
    if state is State.ENDED:
        return StateWords(state, "Ended", "stop", f"on {long_date(held.last_day)}")
    days = (held.last_day - today).days
    if days > ENDING_DAYS:
        return StateWords(state, "In force", "good", f"to {long_date(held.last_day)}")
    when = "today" if days == 0 else "tomorrow" if days == 1 else f"in {days} days"
    return StateWords(state, f"Ends {when}", "warn", f"to {long_date(held.last_day)}")


def condition_words(
    conditions: Conditions, site_names: Mapping[str, str], attachment_names: Mapping[str, str]
) -> list[str]:
    """Each condition as one sentence; an empty list limits nothing. A name that is not known stays a code."""
    words = []
    if conditions.sites is not None:
        words.append(f"Only at {_listed(conditions.sites, site_names) or 'no site at all'}.")
    if conditions.max_operating_mass_kg is not None:
        words.append(f"Operating mass up to {conditions.max_operating_mass_kg:,} kg.")
    if conditions.attachments is not None:
        named = _listed(conditions.attachments, attachment_names)
        words.append(f"With these attachments only: {named}." if named else "Without any attachment.")
    if conditions.daylight_only:
        words.append("In daylight only.")
    return words


def _listed(codes: frozenset[str], names: Mapping[str, str]) -> str:
    return ", ".join(sorted(names.get(code, code) for code in codes))
