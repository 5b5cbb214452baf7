"""What verifying the journal found."""

from collections import Counter
from dataclasses import dataclass, field
from typing import Any

# A journal that is wrong everywhere is told in so many sentences; the rest are counted.
LISTED_PROBLEMS = 500


@dataclass(frozen=True)
class Problem:
    """One thing that is not as it was written: its kind, what it is about, and a sentence."""

    kind: str
    subject: str
    sentence: str


@dataclass
class Report:
    entries: int = 0
    sealed: int = 0
    unsealed: int = 0
    checkpoints: int = 0
    journalled_rows: int = 0
    compared_rows: int = 0
    erased: int = 0
    drafts: int = 0
    photographs: int = 0
    erased_photographs: int = 0
    problems: list[Problem] = field(default_factory=list)
    found: Counter[str] = field(default_factory=Counter)
    # What was erased, by whom and why: each with ``as_json``.
    erasures: list[Any] = field(default_factory=list)

    @property
    def is_well(self) -> bool:
        return not self.found

    @property
    def unlisted_problems(self) -> int:
        return self.found.total() - len(self.problems)

    def problem(self, kind: str, subject: str, sentence: str) -> None:
        self.found[kind] += 1
        if len(self.problems) < LISTED_PROBLEMS:
            self.problems.append(Problem(kind, subject, sentence))

    def counts(self) -> dict[str, int]:
        return {
            "entries": self.entries,
            "sealed": self.sealed,
            "not sealed yet": self.unsealed,
            "checkpoints": self.checkpoints,
            "journalled rows": self.journalled_rows,
            "rows compared": self.compared_rows,
            "erased": self.erased,
            "drafts": self.drafts,
            "photographs": self.photographs,
            "erased photographs": self.erased_photographs,
        }

    def as_json(self) -> dict[str, Any]:
        return {
            "is_well": self.is_well,
            "counts": self.counts(),
            "problems": [
                {"kind": one.kind, "subject": one.subject, "sentence": one.sentence} for one in self.problems
            ],
            "unlisted_problems": self.unlisted_problems,
            "erasures": [one.as_json() for one in self.erasures],
        }
