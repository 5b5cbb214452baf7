"""What verifying the journal found."""

from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime
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
    # When the first entry was written; and the last checkpoint before anything was wrong, if any is: how many
    # entries it signed and when, as it states them.
    first_at: datetime | None = None
    right_until: tuple[int, str] | None = None
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
            "first_at": self.first_at.isoformat() if self.first_at else None,
            "right_until": self.right_until[0] if self.right_until else 0,
            "counts": self.counts(),
            "problems": [
                {"kind": one.kind, "subject": one.subject, "sentence": one.sentence} for one in self.problems
            ],
            "unlisted_problems": self.unlisted_problems,
            "erasures": [one.as_json() for one in self.erasures],
        }


# What each kind of problem means, for whoever reads it for the first time.
MEANINGS = {
    "altered row": "A record in the register was changed and no entry of the journal says so.",
    "deleted row": "A record that the journal tells of is gone from the register.",
    "inserted row": "A record stands in the register that nobody entered by way of it.",
    "altered entry": "An entry of the journal is not what was written.",
    "altered journal row": "What the journal kept of a record is not what its entry committed to.",
    "deleted entry": "An entry of the journal is gone.",
    "inserted entry": "Entries stand in the journal that no checkpoint signed.",
    "swapped entries": "Entries of the journal changed places.",
    "altered checkpoint": "A signed checkpoint cannot be read any more.",
    "wrong root": "The journal is not the one that was signed.",
    "wrong key": "A checkpoint was signed with a key that is not the register's.",
    "bad signature": "A checkpoint states something else than what was signed.",
    "inconsistent checkpoints": "Two checkpoints contradict one another.",
    "unexplained erasure": "What the journal kept of a record was wiped, and no erasure says so.",
    "missing photograph": "A photograph is gone.",
    "altered photograph": "A photograph is not the one that was taken.",
}


@dataclass(frozen=True)
class Words:
    """What verifying found, for people: a paragraph, since when, and a line for each kind of problem."""

    said: str
    since: str
    kinds: tuple[tuple[str, int], ...]


def words_of(report: Report) -> Words:
    if report.is_well and not report.entries:
        return Words(
            "There is nothing in the journal yet, and nothing in the register that it lacks.", "", ()
        )
    if report.is_well:
        said = (
            f"Every one of {report.compared_rows:,} rows in the register is as the journal says it was "
            f"left, and all {report.entries:,} entries of the journal are as they were written."
        )
    else:
        total = report.found.total()
        said = f"{total:,} thing{'s are' if total > 1 else ' is'} not as written."
    return Words(
        said, _since(report), tuple((MEANINGS.get(kind, kind), n) for kind, n in sorted(report.found.items()))
    )


def _since(report: Report) -> str:
    began = (
        f"since the first entry, of {report.first_at:%-d %B %Y}" if report.first_at else "since the beginning"
    )
    if report.is_well:
        unsealed = ""
        if report.unsealed:
            unsealed = f" {report.unsealed:,} of the entries are not sealed yet."
        return f"Nothing was altered {began}.{unsealed}"
    if report.right_until is None:
        return "No checkpoint vouches for any part of the journal: all of it may have been altered."
    size, at = report.right_until
    return (
        f"The journal’s first {size:,} entries still make what was signed on "
        f"{datetime.fromisoformat(at):%-d %B %Y at %H:%M} UTC: up to there the entries themselves are whole. "
        "What a record was changed from stands in the sentence about it."
    )
