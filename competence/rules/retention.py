"""How long each kind of record must be kept, from when, and by which rule.

A rule is a set of clauses, each an anchor day and a length. A record may go when every clause that speaks of
it has run out: so a further rule, such as the firm's own policy, can only lengthen the time, never shorten
it. Where a clause's anchor has not come (nobody left, a defect is open) its end is not known yet, and the
record is kept. Nothing here reads a clock.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from enum import StrEnum

from .dates import add_months
from .reasons import long_date


class RecordKind(StrEnum):
    """What is kept, by the kinds that rules of keeping tell apart."""

    TRAINING = "training"
    REFRESHER = "refresher"
    MEDICAL = "medical"
    TICKET = "ticket"
    ASSESSMENT = "assessment"
    SITTING = "sitting"
    CHECK = "check"
    DEFECT = "defect"
    REFUSAL = "refusal"
    BOOKING = "booking"
    IMPORT = "import"
    PHOTOGRAPH = "photograph"
    # Free text beside a record, without which the record still says what it must.
    WORDS = "words"
    MAIL = "mail"
    LOOK = "look"
    ACCOUNT = "account"
    PARTICULARS = "particulars"


class Anchor(StrEnum):
    """The day from which a clause counts."""

    MADE = "made"
    LEFT = "left"
    CLOSED = "closed"


class Holds(StrEnum):
    """Of whom a clause speaks."""

    ALWAYS = "always"
    WHILE_HERE = "while_here"
    ONCE_LEFT = "once_left"


class Basis(StrEnum):
    LAW = "law"
    OWN = "own"
    POLICY = "policy"


@dataclass(frozen=True, slots=True)
class Clause:
    """Keep to the day that is ``months`` calendar months and ``days`` days after the anchor, that day
    included. ``source``: where the rule stands; ``site``: the code of the one site that it speaks of."""

    anchor: Anchor
    source: str
    months: int = 0
    days: int = 0
    holds: Holds = Holds.ALWAYS
    basis: Basis = Basis.LAW
    site: str | None = None

    def end(self, anchor: date) -> date:
        return add_months(anchor, self.months) + timedelta(days=self.days)

    @property
    def words(self) -> str:
        """The clause for reading: "2 years from the day itself"."""
        length = _length(self.months, self.days)
        if self.holds is Holds.ONCE_LEFT and self.anchor is Anchor.LEFT:
            return f"{length or 'no time'} after the person has left"
        if self.anchor is Anchor.LEFT:
            words = f"while the person works here, and {length} after" if length else "while they work here"
        elif self.anchor is Anchor.CLOSED:
            words = f"until put right, and {length} after" if length else "from its day until it is put right"
        else:
            words = f"{length or 'no time'} from the day itself"
        limits = {Holds.WHILE_HERE: ", of somebody who works here", Holds.ONCE_LEFT: ", of somebody who left"}
        return words + limits.get(self.holds, "")


def _length(months: int, days: int) -> str:
    years, rest = divmod(months, 12)
    parts = [(years, "year"), (rest, "month"), (days, "day")]
    return " and ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in parts if n)


@dataclass(frozen=True, slots=True)
class Kept:
    """What the rules ask of one record. ``until``: its last day; ``None``: no end is known yet. ``by``: the
    clauses that make it so, none where no rule asks for the record."""

    until: date | None
    by: tuple[Clause, ...] = ()
    is_asked_for: bool = field(default=True)

    def is_past(self, today: date) -> bool:
        """Whether its time is over: the last day itself still counts."""
        return not self.is_asked_for or (self.until is not None and today > self.until)

    @property
    def words(self) -> str:
        if not self.is_asked_for:
            return "no rule asks for it to be kept"
        sources = "; ".join(dict.fromkeys(one.source for one in self.by))
        if self.until is not None:
            return f"kept to {long_date(self.until)}: {sources}"
        return f"kept, and no end is known yet: {sources}"


PART_46 = "30 CFR 46.9 (from memory)"
PART_48 = "30 CFR 48.9(c)"
DEFECTS = "30 CFR 56.14100(d)"
# A person's standing rests on these while they work here; of mail, somebody may ask what they were told.
OWN_RULE = "the register's own rule"

# Of a training record: while employed, then at least 60 calendar days; and by Part 48 two years, or 60 days
# once the person has left. Both are asked together, since the register does not know which Part a site is
# under: whichever runs longer holds.
_TRAINING = (
    Clause(Anchor.LEFT, PART_46, days=60),
    Clause(Anchor.MADE, PART_48, months=24, holds=Holds.WHILE_HERE),
    Clause(Anchor.LEFT, PART_48, days=60, holds=Holds.ONCE_LEFT),
)
# Of a refresher two years only; once the person has left, no less than 60 calendar days either.
_REFRESHER = (
    Clause(Anchor.MADE, PART_46, months=24),
    Clause(Anchor.LEFT, PART_46, days=60, holds=Holds.ONCE_LEFT),
    Clause(Anchor.MADE, PART_48, months=24, holds=Holds.WHILE_HERE),
    Clause(Anchor.LEFT, PART_48, days=60, holds=Holds.ONCE_LEFT),
)
_OWN = (Clause(Anchor.LEFT, OWN_RULE, days=60, basis=Basis.OWN),)

FLOORS: dict[RecordKind, tuple[Clause, ...]] = {
    RecordKind.TRAINING: _TRAINING,
    RecordKind.REFRESHER: _REFRESHER,
    # No rule of law for these is stated here; what the law of the place asks is entered as policy.
    RecordKind.MEDICAL: _OWN,
    RecordKind.TICKET: _TRAINING,
    RecordKind.ASSESSMENT: _TRAINING,
    RecordKind.SITTING: _TRAINING,
    RecordKind.CHECK: _OWN,
    RecordKind.DEFECT: (Clause(Anchor.CLOSED, DEFECTS),),
    RecordKind.REFUSAL: _OWN,
    RecordKind.BOOKING: _OWN,
    RecordKind.IMPORT: _OWN,
    RecordKind.PHOTOGRAPH: (),
    RecordKind.WORDS: (),
    RecordKind.MAIL: (Clause(Anchor.MADE, OWN_RULE, months=3, basis=Basis.OWN),),
    RecordKind.LOOK: _OWN,
    RecordKind.ACCOUNT: _OWN,
    # The full name belongs to a training record: 30 CFR 46.9(b).
    RecordKind.PARTICULARS: _TRAINING[:1],
}


@dataclass(frozen=True, slots=True)
class RecordFacts:
    """What the rules ask about one record: the day it was made or is of, the day on which its person left
    (``None``: still here), the day on which what it speaks of was put right, and the sites it concerns."""

    kind: RecordKind
    made_on: date
    left_on: date | None = None
    closed_on: date | None = None
    sites: frozenset[str] = frozenset()

    def anchor(self, anchor: Anchor) -> date | None:
        return {Anchor.MADE: self.made_on, Anchor.LEFT: self.left_on, Anchor.CLOSED: self.closed_on}[anchor]


def applies(clause: Clause, facts: RecordFacts) -> bool:
    """Whether a clause speaks of this record at all."""
    if clause.site is not None and clause.site not in facts.sites:
        return False
    has_left = facts.left_on is not None
    return {Holds.ALWAYS: True, Holds.WHILE_HERE: not has_left, Holds.ONCE_LEFT: has_left}[clause.holds]


def keep(facts: RecordFacts, policy: Iterable[Clause] = ()) -> Kept:
    """To which day a record must be kept: the latest end of every clause of the law, of the register's own
    rule and of ``policy`` that speaks of it.

    Sources: 30 CFR 46.9 (from memory), 30 CFR 48.9(c), 30 CFR 56.14100(d); for other kinds the register's
    own rule. Days are calendar days; the day after the anchor is the first (common practice).
    """
    asked = [one for one in (*FLOORS[facts.kind], *policy) if applies(one, facts)]
    if not asked:
        return Kept(None, is_asked_for=False)
    ends = [(one, facts.anchor(one.anchor)) for one in asked]
    waiting = tuple(one for one, anchor in ends if anchor is None)
    if waiting:
        return Kept(None, waiting)
    reached = [(one.end(anchor), one) for one, anchor in ends if anchor is not None]
    last = max(end for end, _ in reached)
    return Kept(last, tuple(one for end, one in reached if end == last))


def latest_past(clause: Clause, today: date) -> date:
    """The latest anchor day for which ``clause`` has run out by ``today``: what a count of many records
    compares with."""
    anchor = add_months(today, -clause.months) - timedelta(days=clause.days)
    while clause.end(anchor) >= today:
        anchor -= timedelta(days=1)
    while clause.end(anchor + timedelta(days=1)) < today:
        anchor += timedelta(days=1)
    return anchor
