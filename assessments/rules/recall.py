"""Recall: how likely somebody still knows a topic on a day, and when they should be asked again.

The model of memory is FSRS-6, by the library ``fsrs`` with its published parameters: what is known fades
along ``(1 + f·t/S)^(−w20)``, where ``t`` is whole days and ``S``, the stability, is the number of days after
which nine in ten still know it. What is ours is how the register feeds it and how far it is believed: a miss
is believed at once, and only a right answer takes it back.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from enum import StrEnum
from zoneinfo import ZoneInfo

from fsrs import Card, Rating, Scheduler, State

from .papers import Line


class How(StrEnum):
    """How a topic was seen: in an answer, at the machine, or in a daily check.

    ``RIGHT`` and ``WRONG`` are answers to questions. ``SHOWN`` is a point done unprompted in a practical
    assessment, ``PROMPTED`` one done when it was asked for, ``MISSED`` one missed or done unsafely.
    ``NOT_REACHED`` is a point that a daily check left out.
    """

    RIGHT = "right"
    SHOWN = "shown"
    NOT_REACHED = "not_reached"
    PROMPTED = "prompted"
    WRONG = "wrong"
    MISSED = "missed"


MISSES = frozenset({How.WRONG, How.MISSED})
# Half a miss: the point was done in the end, or nobody knows whether it would have been.
HALF_MISSES = frozenset({How.PROMPTED, How.NOT_REACHED})

# At one moment the worse comes last, whatever order the rows came in, so that it is the one that holds.
_ORDER = {how: place for place, how in enumerate(How)}

# Chance only spreads work over days; the same history must give the same date. No steps: the register asks by
# days, and how far apart answers are is all that the stability depends on.
_MODEL = Scheduler(enable_fuzzing=False, learning_steps=(), relearning_steps=())
# Rounding in the tenth place must not cost a day: recall is nine in ten exactly where t is S.
_ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class Seen:
    """A topic was seen once, at an aware moment."""

    topic: str
    at: datetime
    how: How


@dataclass(frozen=True, slots=True)
class Memory:
    """What the model holds of one topic since ``day``: stability in days, difficulty from 1 to 10."""

    day: date
    stability: float
    difficulty: float

    def recall(self, on: date) -> float:
        """The likelihood that it is still known on a day, by whole days since; 1 on the day itself."""
        return _MODEL.get_card_retrievability(self._card(), _noon(on))

    def due_on(self, level: float) -> date:
        """The last day on which recall is ``level`` or more; no further off than the model's longest."""
        first_below = bisect_left(
            range(_MODEL.maximum_interval + 1),
            True,
            key=lambda days: self.recall(self.day + timedelta(days=days)) < level - _ROUNDING,
        )
        return self.day + timedelta(days=first_below - 1)

    def after(self, rating: Rating, day: date) -> Memory:
        return _reviewed(self._card(), rating, max(day, self.day))

    def _card(self) -> Card:
        noon = _noon(self.day)
        return Card(0, State.Review, None, self.stability, self.difficulty, due=noon, last_review=noon)


@dataclass(frozen=True, slots=True)
class TopicRecall:
    """What is believed of one topic, by everything that was seen of it.

    ``memory`` is the fold of all of it and ``hits`` of the right answers alone. ``believed`` are the memories
    that recall is read from: the one after the last right answer, and one for each miss since; the least of
    them counts. It is empty until a question of the topic has been answered right.
    """

    topic: str
    memory: Memory | None = None
    hits: Memory | None = None
    believed: tuple[Memory, ...] = ()
    last_shown_on: date | None = None

    @property
    def is_known(self) -> bool:
        """Whether a question of the topic was ever answered right."""
        return bool(self.believed)

    def recall(self, on: date) -> float:
        """How likely the topic is known on a day, from the last day on which it was seen; 0 where no question
        of it was ever answered right."""
        return min((memory.recall(on) for memory in self.believed), default=0.0)

    def due_on(self, level: Decimal | float) -> date | None:
        """The last day on which recall is at least ``level``; ``None`` where it never was.

        Raises ``ValueError`` for a level that is not between 0 and 1.
        """
        share = float(level)
        if not 0 < share < 1:
            raise ValueError(f"A level of recall lies between 0 and 1, not at {level}.")
        return min((memory.due_on(share) for memory in self.believed), default=None)


def recall_of(seen: Iterable[Seen], zone: ZoneInfo) -> dict[str, TopicRecall]:
    """What is believed of each topic that was seen, by topic, folded in the order of time.

    The order in which the rows come does not matter. Days are those of the site's calendar in ``zone``, and
    what lies between two of them is whole days. How each way of being seen counts:

    - ``RIGHT`` is recalled ("good" to the model) and takes back every miss before it.
    - ``WRONG`` and ``MISSED`` are forgotten ("again").
    - ``PROMPTED`` and ``NOT_REACHED`` are half a miss: the stability goes halfway to a miss's, on the scale
      of ratios on which stabilities grow, and the difficulty is that of "hard". The model's own "hard" would
      be a success and put the date off.
    - ``SHOWN`` moves no date, either way. A topic has many points and questions; one point done unprompted
      says little of the others, and as a paper never stands for a practical (29 CFR 1910.178, and OSHA's
      letter of 1 August 2005), so watching never stands for a question. The day is kept.

    Two promises, both held whatever the model says. A miss never moves the date on which a topic falls due
    later than it was before, for any level: what was believed before goes on beside it until the next right
    answer. And nobody is asked later for having missed: after a right answer the stability is at most that of
    the same right answers with no miss among them, since the model lets a memory that nearly faded grow more.

    Raises ``ValueError`` for a moment without a zone.
    """
    recalls: dict[str, TopicRecall] = {}
    for one in sorted(seen, key=lambda one: (_aware(one.at), _ORDER[one.how])):
        before = recalls.get(one.topic, TopicRecall(one.topic))
        recalls[one.topic] = _after(before, one.how, one.at.astimezone(zone).date())
    return recalls


def due_on(
    recalls: Mapping[str, TopicRecall],
    topics: Iterable[str],
    level: Decimal | float,
    latest: date | None = None,
) -> date | None:
    """The last day before the refresher questions fall due: the soonest of these critical ``topics``, or the
    standard's ``latest`` date if that is sooner.

    ``None`` is never met: a topic of which no question was ever answered right, or no topic at all and no
    latest date, so that nothing says how long. It fails closed; evidence of it is that it was not met. So is
    evidence whose date, which may have passed, lies before the day on which it is written.
    """
    days = [latest] if latest is not None else []
    for topic in topics:
        day = recalls[topic].due_on(level) if topic in recalls else None
        if day is None:
            return None
        days.append(day)
    return min(days, default=None)


def weakest(
    recalls: Mapping[str, TopicRecall],
    topics: Mapping[str, int],
    critical: Collection[str],
    on: date,
    questions: int,
) -> list[Line]:
    """What a refresher of so many questions asks, weakest first, each line a topic and how many of it.

    ``topics``: those that may be asked, with the number of questions that the bank holds of each. Critical
    topics come before the others, and among each the least known on the day first, so that a critical one
    never answered leads; between equals those never shown at the machine, then by code. Every topic is given
    one question before the weakest is given a second. Fewer than asked for come back where the bank is short.
    """

    def weakness(topic: str) -> tuple[bool, float, bool, str]:
        known = recalls.get(topic, TopicRecall(topic))
        return topic not in critical, known.recall(on), known.last_shown_on is not None, topic

    ranked, given, left = sorted(topics, key=weakness), dict.fromkeys(topics, 0), questions
    for round_ in range(max(topics.values(), default=0)):
        for topic in ranked:
            if left and topics[topic] > round_:
                given[topic] += 1
                left -= 1
    return [Line(topic, given[topic]) for topic in ranked if given[topic]]


def _after(before: TopicRecall, how: How, day: date) -> TopicRecall:
    if how is How.SHOWN:
        return replace(before, last_shown_on=day)
    if how is How.RIGHT:
        hits = _next(before.hits, Rating.Good, day)
        memory = _next(before.memory, Rating.Good, day)
        memory = replace(memory, stability=min(memory.stability, hits.stability))
        return replace(before, memory=memory, hits=hits, believed=(memory,))
    memory = _next(before.memory, Rating.Again, day) if how in MISSES else _half_missed(before.memory, day)
    # Nothing was known before the first right answer, so there is nothing yet for a miss to lower.
    believed = _least((*before.believed, memory)) if before.believed else ()
    return replace(before, memory=memory, believed=believed)


def _half_missed(memory: Memory | None, day: date) -> Memory:
    hard = _next(memory, Rating.Hard, day)
    if memory is None:
        return hard
    missed = memory.after(Rating.Again, day)
    return replace(hard, stability=math.sqrt(memory.stability * missed.stability))


def _least(memories: tuple[Memory, ...]) -> tuple[Memory, ...]:
    """Without those that stand on every day above another: no older and no less stable."""
    kept: list[Memory] = []
    for memory in memories:
        if not any(other.day <= memory.day and other.stability <= memory.stability for other in kept):
            kept.append(memory)
    return tuple(kept)


def _next(memory: Memory | None, rating: Rating, day: date) -> Memory:
    return memory.after(rating, day) if memory else _reviewed(Card(0, due=_noon(day)), rating, day)


def _reviewed(card: Card, rating: Rating, day: date) -> Memory:
    card, _ = _MODEL.review_card(card, rating, _noon(day))
    if card.stability is None or card.difficulty is None:
        raise ValueError("The model of recall gave no stability.")
    return Memory(day, card.stability, card.difficulty)


def _noon(day: date) -> datetime:
    """One moment for each day: the model takes UTC only, and cuts what lies between two to whole days."""
    return datetime.combine(day, time(12), UTC)


def _aware(at: datetime) -> datetime:
    if at.tzinfo is None:
        raise ValueError(f"A moment without a zone is no moment: {at}.")
    return at
