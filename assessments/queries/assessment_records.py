"""A finished assessment as its pages and its paper show it: the outcome, and what made it."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

from assessments.models import Assessment, AssessmentCorrection, PointNote, Tap
from assessments.queries.practical import Sheet, sheets_of
from assessments.rules.confirming import first_day_without_operator
from assessments.rules.scoring_words import percents
from competence.models import Category, Operator, Ticket
from competence.rules.dates import day_at

COMPETENT, NOT_YET = "Competent", "Not yet competent"
TONES = {"unprompted": "good", "prompted": "note", "missed": "quiet", "unsafe": "stop"}
LABELS = dict(Tap.Mark.choices)


def outcome_word(is_competent: bool | None) -> str:
    return COMPETENT if is_competent else NOT_YET


@dataclass(frozen=True)
class RecordPoint:
    """One point as it was marked, and what that cost."""

    title: str
    is_critical: bool
    weight: int
    mark: str
    tone: str
    place: int | None
    earned: str
    cost: str
    notes: tuple[PointNote, ...]


@dataclass(frozen=True)
class RecordZone:
    name: str
    points: tuple[RecordPoint, ...]


@dataclass(frozen=True)
class BrokenOrder:
    earlier: str
    later: str
    is_safety: bool
    says: str


@dataclass(frozen=True)
class Record:
    """What an assessment found. ``score``, ``pass_mark`` and ``margin`` are words; empty while unfinished."""

    assessment: Assessment
    zones: tuple[RecordZone, ...]
    failed_criticals: tuple[RecordPoint, ...]
    broken: tuple[BrokenOrder, ...]
    corrections: tuple[AssessmentCorrection, ...]
    reasons: tuple[str, ...] = ()
    score: str = ""
    pass_mark: str = ""
    margin: str = ""
    by_marks: str = ""

    @property
    def is_competent(self) -> bool:
        """What holds today: the newest correction, else what was found."""
        held = self.corrections[-1].is_competent if self.corrections else self.assessment.is_competent
        return bool(held)

    @property
    def word(self) -> str:
        return outcome_word(self.is_competent)

    @property
    def is_decided_otherwise(self) -> bool:
        """Whether a person found otherwise than the marks do."""
        return bool(self.assessment.decided_why)

    @property
    def in_short(self) -> str:
        """One sentence beside the word: what decided it, and not a score that did not."""
        return self.decided_whatever_the_score or f"{self.margin[:1].upper()}{self.margin[1:]}."

    @property
    def decided_whatever_the_score(self) -> str:
        """A person, a critical point or a safety order; empty where the score decided."""
        if self.word != self.by_marks:
            return f"The marks alone say {self.by_marks.lower()}."
        safety = sum(each.is_safety for each in self.broken)
        failed = [
            _counted(len(self.failed_criticals), "critical point failed", "critical points failed"),
            _counted(safety, "safety order broken", "safety orders broken"),
        ]
        if any(failed):
            return f"Whatever the score: {', '.join(filter(None, failed))}."
        return ""

    @property
    def first_day_without_operator(self) -> date | None:
        """From when it may be recorded that the operator did not confirm, where only they are missing."""
        one = self.assessment
        if (
            one.status != Assessment.Status.FINISHED
            or one.operator_confirmed_at
            or not one.assessor_confirmed_at
        ):
            return None
        return first_day_without_operator(day_at(one.assessor_confirmed_at, ZoneInfo(one.site.zone)))

    @property
    def costing(self) -> tuple[RecordPoint, ...]:
        return tuple(point for zone in self.zones for point in zone.points if point.cost)


def _counted(number: int, one: str, several: str) -> str:
    return f"{number} {one if number == 1 else several}" if number else ""


def holds_ticket(operator: Operator, category: Category) -> bool:
    """Whether the operator has a ticket for this category, in whatever state. One statement."""
    return Ticket.objects.filter(operator=operator, category=category).exists()


def record_of(assessment: Assessment) -> Record:
    """Five statements."""
    return records_of([assessment])[0]


def records_of(assessments: Sequence[Assessment], known_at: datetime | None = None) -> list[Record]:
    """The record of each, without the corrections written down after ``known_at``. Five statements, however
    many."""
    corrections: dict[Any, list[AssessmentCorrection]] = defaultdict(list)
    written = AssessmentCorrection.objects.filter(assessment__in=assessments).select_related("recorded_by")
    if known_at is not None:
        written = written.filter(recorded_at__lte=known_at)
    for one in written.order_by("pk"):
        corrections[one.assessment_id].append(one)
    return [
        _record(sheet.assessment, sheet, tuple(corrections[sheet.assessment.pk]))
        for sheet in sheets_of(assessments)
    ]


def _record(assessment: Assessment, sheet: Sheet, corrections: tuple[AssessmentCorrection, ...]) -> Record:
    outcome = assessment.outcome or {}
    lines = {line["key"]: line for line in outcome.get("points", ())}
    points = {point.listed.pk: _record_point(point, lines.get(point.listed.pk)) for point in sheet.points}
    zones = tuple(
        RecordZone(zone.name, tuple(points[point.listed.pk] for point in zone.points)) for zone in sheet.zones
    )
    record = {
        "assessment": assessment,
        "zones": zones,
        "failed_criticals": tuple(points[key] for key in outcome.get("failed_criticals", ())),
        "broken": _broken(sheet, outcome),
        "corrections": corrections,
    }
    if not outcome:
        return Record(**record)
    share, needed = Fraction(outcome["score"]), Fraction(outcome["pass_mark"])
    score, pass_mark = percents(share, needed)
    return Record(
        **record,
        reasons=tuple(outcome["reasons"]),
        score=score,
        pass_mark=pass_mark,
        margin=_margin(share, needed),
        by_marks=outcome_word(outcome["is_competent"]),
    )


def _margin(share: Fraction, needed: Fraction) -> str:
    if share == needed:
        return "exactly the pass mark"
    points = float(abs(share - needed) * 100)
    size = f"{points:.1f}".removesuffix(".0") if points >= 0.05 else "less than 0.1"
    unit = "percentage point" if size == "1" else "percentage points"
    return f"{size} {unit} {'above' if share > needed else 'below'} the pass mark"


def _record_point(point: Any, line: dict[str, Any] | None) -> RecordPoint:
    mark = point.standing.mark if point.standing else ""
    written = point.listed.point
    cost = Fraction(line["cost"]) if line and line["cost"] else Fraction(0)
    return RecordPoint(
        title=written.title,
        is_critical=written.is_critical,
        weight=written.weight,
        mark=LABELS.get(mark, ""),
        tone=TONES.get(mark, "quiet"),
        place=point.place,
        earned=f"{float(Fraction(line['earned'])):g} of {written.weight}" if line and line["earned"] else "",
        cost=f"{float(cost * 100):.1f} %" if cost else "",
        notes=point.notes,
    )


def _broken(sheet: Sheet, outcome: dict[str, Any]) -> tuple[BrokenOrder, ...]:
    titles = {point.listed.pk: point.listed.point.title for point in sheet.points}
    found = []
    for breach in sorted(outcome.get("breaches", ()), key=lambda one: not one["is_safety"]):
        earlier, later = titles[breach["earlier"]], titles[breach["later"]]
        how = (
            f"{later} was done before {earlier}."
            if breach["how"] == "out_of_order"
            else f"{later} was done, and {earlier} never was."
        )
        found.append(BrokenOrder(earlier, later, breach["is_safety"], f"{how} {breach['why']}".strip()))
    return tuple(found)
