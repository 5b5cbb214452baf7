"""One line of what runs out, in words, and the window that a list of them is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from assessments.rules.ends import APPOINTMENT, TICKET, Window
from competence.rules.reasons import long_date
from competence.rules.requirements import RequirementKind

DAY = timedelta(days=1)
# How far back what has ended is still somebody's work; older ends are on the person's own page.
PAST_DAYS = 30
HORIZONS = (30, 60, 90, 180, 365)
KINDS = (
    (TICKET, "Ticket"),
    (RequirementKind.MEDICAL.value, "Medical"),
    (RequirementKind.INDUCTION.value, "Site induction"),
    (RequirementKind.FAMILIARISATION.value, "Familiarisation"),
    (RequirementKind.REFRESHER.value, "Refresher"),
    (RequirementKind.RECALL.value, "Refresher questions"),
    (APPOINTMENT, "Appointment to assess"),
)
KIND_WORDS = dict(KINDS)
SHORT, NOBODY_LEFT, OTHERWISE = range(3)


@dataclass(frozen=True)
class EndsAsked:
    """What the list is narrowed to; an empty value narrows nothing. ``days``: how far ahead, or nought for
    what ended in the last ``PAST_DAYS``."""

    days: int = 60
    site: str = ""
    category: str = ""
    employer: int | None = None
    kind: str = ""
    text: str = ""

    def window(self, today: date) -> Window:
        if not self.days:
            return Window(today - PAST_DAYS * DAY, today - DAY)
        return Window(today, today + self.days * DAY)


@dataclass(frozen=True)
class Consequence:
    """What it means for the site that this ends: ``rank`` sorts, the words say."""

    rank: int
    words: str


@dataclass(frozen=True)
class End:
    """One line: who, what, when. ``number`` is empty for an assessor's appointment, ``account`` for the rest.
    ``about`` and ``categories`` are names. ``booked_on``: the first assessment booked for one of them;
    ``passed_on``: the day of the assessment on which the ticket of that number only waits to be renewed."""

    number: str
    account: str
    name: str
    employer: str
    site: str
    site_code: str
    kind: str
    about: str
    on: date
    days_left: int
    codes: frozenset[str]
    categories: tuple[str, ...]
    booked_on: date | None = None
    passed_on: date | None = None
    ticket: str = ""
    consequence: Consequence | None = None

    @property
    def what(self) -> str:
        """As a line names it: "Ticket, Loader, wheeled", "Site induction, Thornbeck Quarry"."""
        if self.kind in (TICKET, APPOINTMENT, RequirementKind.RECALL.value):
            return f"{KIND_WORDS[self.kind]}: {'; '.join(self.categories)}"
        return f"{KIND_WORDS[self.kind]}: {self.about}" if self.about else KIND_WORDS[self.kind]

    @property
    def needed_for(self) -> str:
        """Which tickets need it, where its name does not say so."""
        is_named = self.kind in (TICKET, APPOINTMENT, RequirementKind.RECALL.value)
        return "" if is_named else "; ".join(self.categories)

    @property
    def when_words(self) -> str:
        if self.days_left < 0:
            return "yesterday" if self.days_left == -1 else f"{-self.days_left} days ago"
        return ("today", "tomorrow")[self.days_left] if self.days_left < 2 else f"in {self.days_left} days"

    @property
    def ends_words(self) -> str:
        verb = "ended" if self.days_left < 0 else "ends"
        return f"{verb} on {long_date(self.on)}"

    @property
    def is_bookable(self) -> bool:
        """An assessment renews a ticket, once; a medical or an induction is arranged elsewhere."""
        return self.kind == TICKET and self.passed_on is None

    @property
    def is_short(self) -> bool:
        return self.consequence is not None and self.consequence.rank == SHORT

    @property
    def leaves_nobody(self) -> bool:
        return self.consequence is not None and self.consequence.rank == NOBODY_LEFT
