"""The doors of question analysis."""

from tests.doors.matrix import Row

READERS = frozenset({"trainer", "auditor"})


def _category(world):
    return {"category": world.category.code}


def _question(world):
    drawn = world.finished_sitting.drawn.get()
    return {**_category(world), "code": drawn.version.question.code}


ROWS: list[Row] = [
    Row("analysis-list", READERS, everywhere_only=True),
    Row("analysis", READERS, kwargs=_category, everywhere_only=True),
    Row("analysis-question", READERS, kwargs=_question, everywhere_only=True),
]
