"""Forty-six facts of the trade: which points carry each, on which checklists, how grave, in what words and
in what order. Every one is common practice; none has a citation.

Severity: STOP, a defect stops use; DEGREE, it stops use from a named degree on; REPORT, it is reported, and
may name a degree all the same; CLOSING, the fact names no severity.
"""

from dataclasses import dataclass

from tests.content.reference import CATEGORIES

STOP, DEGREE, REPORT, CLOSING = "stop", "degree", "report", "closing"
ALL = frozenset(CATEGORIES)
DUMPERS = frozenset({"dumper-articulated", "dumper-rigid", "dumper-compact"})
EXCAVATORS = frozenset({"excavator-crawler", "excavator-compact"})
TRACKED = EXCAVATORS | {"dozer-crawler"}
HINGED = frozenset({"dumper-articulated", "dumper-compact", "loader-wheel", "grader", "roller"})
TYRED = DUMPERS | {"loader-wheel", "grader", "handler-telescopic"}
GEARED = frozenset(
    {"dumper-articulated", "dumper-rigid", "loader-wheel", "dozer-crawler", "grader", "handler-telescopic"}
)
CABBED = ALL - {"dumper-compact"}


@dataclass(frozen=True)
class Carried:
    """One point that carries a fact: on which checklists, how grave, and the words that it cannot lack."""

    code: str
    on: frozenset[str]
    severity: str
    words: tuple[str, ...] = ()
    degree: str = ""


@dataclass(frozen=True)
class Fact:
    name: str
    points: tuple[Carried, ...]
    safety: tuple[tuple[str, str], ...] = ()
    practice: tuple[tuple[str, str], ...] = ()


def one(code, on, severity, *words, degree=""):
    return Carried(code, frozenset(on), severity, words, degree)
