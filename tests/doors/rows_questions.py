"""The doors of the bank, its papers and their panels."""

from tests.doors.matrix import Row

READERS = frozenset({"trainer", "auditor"})
TRAINER = frozenset({"trainer"})


def _question(world):
    return {"code": world.question.code}


def _category(world):
    return {"category": world.category.code}


def _panel(world):
    return {"pk": world.panel.pk}


def _version(world):
    return {"version": str(world.waiting_version.number)}


ROWS: list[Row] = [
    Row("question-list", READERS),
    Row("question", READERS, kwargs=_question),
    Row("question-preview", READERS, kwargs=_question),
    Row("question-new", TRAINER, everywhere_only=True),
    Row("question-new", TRAINER, method="post", everywhere_only=True),
    Row("question-edit", TRAINER, kwargs=_question, everywhere_only=True),
    Row("question-edit", TRAINER, kwargs=_question, method="post", everywhere_only=True),
    Row("question-review", TRAINER, kwargs=_question, method="post", data=_version, everywhere_only=True),
    Row("question-retire", TRAINER, kwargs=_question, method="post", everywhere_only=True),
    Row("paper-list", READERS),
    Row("paper", READERS, kwargs=_category),
    Row("paper-new", TRAINER, kwargs=_category, everywhere_only=True),
    Row("paper-new", TRAINER, kwargs=_category, method="post", everywhere_only=True),
    Row("panel-open", TRAINER, kwargs=_category, method="post", everywhere_only=True),
    Row("panel", READERS, kwargs=_panel),
    Row("panel-rate", TRAINER, kwargs=_panel),
    Row("panel-rate", TRAINER, kwargs=_panel, method="post"),
    Row("panel-close", TRAINER, kwargs=_panel, method="post", everywhere_only=True),
]
