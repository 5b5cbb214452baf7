"""How severe every assessor is, over all the marks that count."""

from array import array
from dataclasses import dataclass

import numpy as np

from assessments.queries.agreement import last_taps, settled_assessments
from assessments.rules.scoring import Mark
from assessments.rules.severity import BEST_MARK, AssessorSeverity, assessor_severities
from competence.models import Account

# As the severity rule counts a mark: missed and unsafe are nothing, a prompt halves.
WORTH = {mark.value: int(mark.worth * BEST_MARK) for mark in Mark}
ROWS_AT_A_TIME = 5_000


@dataclass(frozen=True)
class Severities:
    """Every assessor whose marks count.

    ``compared``: from the harshest to the most lenient, and after them those of whom it cannot be told yet.
    ``apart``: those who cannot be compared with anybody, by name.
    """

    compared: tuple[AssessorSeverity, ...]
    apart: tuple[AssessorSeverity, ...]
    marks: int


def severities() -> Severities:
    """Fit the marks of all finished and confirmed assessments that nobody still marks alongside.

    Two statements, however many marks: the marks, streamed, and the assessors' names.
    """
    assessors, operators, points, marks = (array("q") for _ in range(4))
    code_numbers: dict[str, int] = {}
    # A point whose wording was changed is still the same point to do.
    rows = last_taps(settled_assessments()).values_list(
        "assessment__assessor_id", "assessment__operator_id", "listed__point__code", "mark"
    )
    for assessor, operator, code, mark in rows.iterator(chunk_size=ROWS_AT_A_TIME):
        assessors.append(assessor)
        operators.append(operator)
        points.append(code_numbers.setdefault(code, len(code_numbers)))
        marks.append(WORTH[mark])
    people, numbers = np.unique(np.asarray(assessors, np.int64), return_inverse=True)
    names = {account.pk: account.name for account in Account.objects.filter(pk__in=people.tolist())}
    found = assessor_severities(
        numbers,
        np.asarray(operators, np.int64),
        np.asarray(points, np.int64),
        np.asarray(marks, np.int64),
        labels=[names[person] for person in people.tolist()],
    )
    compared = [each for each in found if each.logits is not None]
    apart = [each for each in found if each.logits is None]
    return Severities(
        tuple(sorted(compared, key=lambda each: (each.cannot_tell, -(each.logits or 0.0), each.assessor))),
        tuple(sorted(apart, key=lambda each: each.assessor)),
        len(marks),
    )
