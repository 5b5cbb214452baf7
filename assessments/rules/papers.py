"""Papers: whether a bank can meet a blueprint, drawing from it, and what the answers amount to."""

from __future__ import annotations

import math
import random
import statistics
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any


@dataclass(frozen=True, slots=True)
class Line:
    """How many questions of one topic, and how many of those must be right (nought: not critical)."""

    topic: str
    questions: int
    must_be_right: int = 0


@dataclass(frozen=True, slots=True)
class BankItem:
    """A question that may be drawn. ``last_seen``: when this person saw it last, as a number that grows with
    time; ``None``, never."""

    code: str
    topic: str
    last_seen: float | None = None


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A topic of which the bank holds fewer questions than the blueprint asks."""

    topic: str
    needed: int
    held: int

    @property
    def missing(self) -> int:
        return self.needed - self.held


def shortfalls(bank: Iterable[BankItem], lines: Iterable[Line]) -> list[Shortfall]:
    """The topics that the bank cannot meet, in the blueprint's order; none where it can."""
    held: dict[str, int] = defaultdict(int)
    for item in bank:
        held[item.topic] += 1
    return [
        Shortfall(line.topic, line.questions, held[line.topic])
        for line in lines
        if held[line.topic] < line.questions
    ]


class BankTooSmall(ValueError):
    """The bank cannot meet the blueprint; ``shortfalls`` say where."""

    def __init__(self, short: Sequence[Shortfall]) -> None:
        super().__init__(", ".join(f"{one.topic}: {one.missing} short" for one in short))
        self.shortfalls = tuple(short)


def draw(bank: Iterable[BankItem], lines: Sequence[Line], seed: int) -> list[str]:
    """The codes of the questions of one sitting, in the order in which they are asked.

    The same bank, blueprint and seed give the same paper on any machine. Within a topic, what the person
    never saw comes before what they saw, and the longest unseen before the latest; between equals the seed
    decides, each as likely as any other. Raises ``BankTooSmall``.
    """
    items = sorted(bank, key=lambda item: item.code)
    if short := shortfalls(items, lines):
        raise BankTooSmall(short)
    rng = random.Random(seed)  # noqa: S311 -- to be repeated, not to be secret
    drawn: list[str] = []
    for line in lines:
        of_topic = [item for item in items if item.topic == line.topic]
        rng.shuffle(of_topic)
        of_topic.sort(key=lambda item: -math.inf if item.last_seen is None else item.last_seen)
        drawn += [item.code for item in of_topic[: line.questions]]
    rng.shuffle(drawn)
    return drawn


@dataclass(frozen=True, slots=True)
class TopicResult:
    topic: str
    right: int
    asked: int
    must_be_right: int

    @property
    def is_met(self) -> bool:
        return self.right >= self.must_be_right


@dataclass(frozen=True, slots=True)
class PaperResult:
    """What a sitting amounts to: passed when the cut is reached and every critical topic is met."""

    right: int
    asked: int
    cut: int
    topics: tuple[TopicResult, ...]

    @property
    def is_passed(self) -> bool:
        return self.right >= self.cut and all(topic.is_met for topic in self.topics)

    @property
    def unmet(self) -> tuple[TopicResult, ...]:
        return tuple(topic for topic in self.topics if not topic.is_met)

    def as_plain(self) -> dict[str, Any]:
        return {
            "right": self.right,
            "asked": self.asked,
            "cut": self.cut,
            "topics": [
                {
                    "topic": topic.topic,
                    "right": topic.right,
                    "asked": topic.asked,
                    "must_be_right": topic.must_be_right,
                }
                for topic in self.topics
            ],
        }

    @classmethod
    def from_plain(cls, plain: Mapping[str, Any]) -> PaperResult:
        topics = tuple(TopicResult(**topic) for topic in plain["topics"])
        return cls(plain["right"], plain["asked"], plain["cut"], topics)


def result(lines: Iterable[Line], answers: Iterable[tuple[str, bool]], cut: int) -> PaperResult:
    """The result of ``answers``: (topic, whether right) for every question drawn; unanswered is wrong."""
    right: dict[str, int] = defaultdict(int)
    asked: dict[str, int] = defaultdict(int)
    for topic, is_right in answers:
        asked[topic] += 1
        right[topic] += is_right
    topics = tuple(
        TopicResult(line.topic, right[line.topic], asked[line.topic], line.must_be_right) for line in lines
    )
    return PaperResult(sum(right.values()), sum(asked.values()), cut, topics)


# A panel of fewer says nothing of how far its judges differ.
FEWEST_JUDGES = 2


@dataclass(frozen=True, slots=True)
class PanelCut:
    """Modified Angoff: each judge's expected score, their mean, and how far they differ.

    ``sd`` and ``se`` are in questions. ``cut`` is the mean rounded up: doubt goes against passing.
    """

    judges: Mapping[str, float]
    questions: int
    mean: float
    sd: float
    se: float

    @property
    def cut(self) -> int:
        return max(1, math.ceil(round(self.mean, 6)))

    @property
    def share(self) -> float:
        return self.mean / self.questions


def angoff(ratings: Mapping[str, Mapping[str, Sequence[float]]], lines: Sequence[Line]) -> PanelCut:
    """The cut that a panel's ratings come to, for a paper drawn by ``lines``.

    ``ratings``: by judge, by topic, the share of barely competent people who would get each rated question
    right. A drawn question of a topic counts as that topic's mean rating. Raises ``ValueError`` with fewer
    than ``FEWEST_JUDGES``, or where a judge rated nothing of a topic that is asked. Source: Angoff 1971,
    modified by shares instead of yes and no.
    """
    if len(ratings) < FEWEST_JUDGES:
        raise ValueError(f"A panel has at least {FEWEST_JUDGES} judges; this one has {len(ratings)}.")
    scores: dict[str, float] = {}
    for judge, by_topic in ratings.items():
        unrated = [line.topic for line in lines if not by_topic.get(line.topic)]
        if unrated:
            raise ValueError(f"{judge} rated no question of {', '.join(unrated)}.")
        scores[judge] = sum(line.questions * statistics.fmean(by_topic[line.topic]) for line in lines)
    sd = statistics.stdev(scores.values())
    return PanelCut(
        scores,
        sum(line.questions for line in lines),
        statistics.fmean(scores.values()),
        sd,
        sd / math.sqrt(len(scores)),
    )


@dataclass(frozen=True, slots=True)
class NextAttempt:
    """When a paper may be sat next. ``on``: the first day; ``None``: not until a trainer says so.
    ``left``: attempts before a trainer is asked, the next one among them."""

    on: date | None
    left: int


def next_attempt(
    past: Iterable[tuple[date, bool]], *, attempts: int, wait_days: int, today: date
) -> NextAttempt:
    """When the next attempt may be made, after ``past``: days and whether passed, oldest first, since a
    trainer last allowed more.

    Failures count since the last pass. ``wait_days`` whole days lie between a failure and the next attempt.
    """
    failed: list[date] = []
    for on, is_passed in past:
        failed = [] if is_passed else [*failed, on]
    left = attempts - len(failed)
    if left <= 0:
        return NextAttempt(None, 0)
    if not failed:
        return NextAttempt(today, left)
    return NextAttempt(max(today, failed[-1] + timedelta(days=wait_days + 1)), left)
