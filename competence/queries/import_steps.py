"""What becomes of each line and each person of a file, as the plan of an import says it."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from competence.models import Category, Operator, StandardVersion, Ticket
from competence.queries.import_known import Known, Raw
from competence.rules.import_people import Person
from competence.rules.import_rows import Line

Triple = tuple[str, date | None, date | None]
# A fact as evidence has it: kind, site or None, make and model, the day, and the day it counts to.
Fact = tuple[str, int | None, str, date, date | None]


@dataclass(slots=True)
class PersonStep:
    """What becomes of one person: ``columns`` holds what is new or other than on the register."""

    person: Person
    operator: Operator | None
    columns: dict[str, Any] = field(default_factory=dict)

    @property
    def is_new(self) -> bool:
        return self.operator is None


@dataclass(slots=True)
class Step:
    """What becomes of one line. ``ticket`` is the one held already; ``grant`` the level and days that a new
    or changed ticket gets; ``facts`` what is new, each with the pk of the evidence that it corrects."""

    line: Line
    category: Category | None = None
    ticket: Ticket | None = None
    grant: tuple[str, date, date] | None = None
    standard: StandardVersion | None = None
    facts: list[tuple[Fact, int | None]] = field(default_factory=list)
    brings_person: bool = False
    changes_person: bool = False
    repeats: int | None = None
    # Each fact as the file says it, also what is on record already.
    raws: list[Raw] = field(default_factory=list)

    @property
    def outcome(self) -> str:
        if self.line.problems:
            return "left_out"
        if self.changes_person or (self.grant and self.ticket) or any(old for _, old in self.facts):
            return "changed"
        return "made" if self.brings_person or self.grant or self.facts else "same"


@dataclass(slots=True)
class Plan:
    steps: list[Step]
    people: dict[str, PersonStep]
    pairs: list[tuple[str, str]]
    names: dict[str, str]
    known: Known

    @property
    def counts(self) -> dict[str, int]:
        outcomes = Counter(step.outcome for step in self.steps)
        good = [step for step in self.steps if step.outcome != "left_out"]
        return {
            "rows": len({step.line.row for step in self.steps}),
            "made": outcomes["made"],
            "changed": outcomes["changed"],
            "same": outcomes["same"],
            "left_out": outcomes["left_out"],
            "remarked": sum(bool(step.line.remarks) for step in good),
            "people_new": sum(step.is_new for step in self.people.values()),
            "people_changed": sum(bool(step.columns) and not step.is_new for step in self.people.values()),
            "tickets_new": sum(step.grant is not None and step.ticket is None for step in good),
            "tickets_changed": sum(step.grant is not None and step.ticket is not None for step in good),
            "facts_new": sum(len(step.facts) for step in good),
        }

    @property
    def changes_nothing(self) -> bool:
        return all(step.outcome in ("same", "left_out") for step in self.steps)

    @property
    def doubtful(self) -> list[Step]:
        """Left out first, then what was read in one way and could be meant in another."""
        left_out = [step for step in self.steps if step.line.problems]
        return left_out + [step for step in self.steps if step.line.remarks and not step.line.problems]
