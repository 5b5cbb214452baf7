"""What a dry run came to, as plain values: for the page, and to be kept where a process worked it out."""

from collections.abc import Iterable
from typing import Any

from competence.queries.import_steps import Plan, Step

# Of a long file so many doubtful rows are kept for the page; its marked copy holds every one.
MOST_TOLD = 2_000


def told_of(plan: Plan, remarks: Iterable[str], *, most: int | None = None) -> dict[str, Any]:
    """``most``: of the doubtful rows, those left out first."""
    doubtful = plan.doubtful
    return {
        "counts": plan.counts,
        "changes_nothing": plan.changes_nothing,
        "pairs": [list(pair) for pair in plan.pairs],
        "names": {number: plan.names[number] for pair in plan.pairs for number in pair},
        "doubtful": [_line_told(step) for step in doubtful[:most]],
        "doubtful_count": len(doubtful),
        "remarks": list(remarks),
    }


def _line_told(step: Step) -> dict[str, Any]:
    line = step.line
    return {
        "row": line.row,
        "who": " ".join(filter(None, [line.name, f"({line.number})" if line.number else ""])),
        "is_left_out": bool(line.problems),
        "sentences": list(line.problems or line.remarks),
    }


def marks_of(plan: Plan) -> tuple[dict[int, str], dict[int, str]]:
    """By row of the sheet: what is wrong with it, and what to look at; each sentence once."""
    problems: dict[int, list[str]] = {}
    remarks: dict[int, list[str]] = {}
    for step in plan.steps:
        for kind, sentences in ((problems, step.line.problems), (remarks, step.line.remarks)):
            told = kind.setdefault(step.line.row, []) if sentences else []
            told += [one for one in sentences if one not in told]
    return (
        {row: " ".join(told) for row, told in problems.items()},
        {row: " ".join(told) for row, told in remarks.items()},
    )
