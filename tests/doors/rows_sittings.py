"""The doors of papers, refreshers and sittings."""

from tests.doors.matrix import EVERYBODY, STAFF, Row

OPERATOR = frozenset({"operator"})
TRAINER = frozenset({"trainer"})


def _of_open(world):
    return {"sitting_id": world.open_sitting.pk}


def _of_finished(world):
    return {"sitting_id": world.finished_sitting.pk}


def _attempts(world):
    return {"number": world.operator.number, "code": world.category.code}


def _an_answer(world):
    return {"position": "1", "choice": "0", "batch": "00000000-0000-4000-8000-000000000001"}


ROWS: list[Row] = [
    Row("sitting-start", OPERATOR),
    Row("sitting-start", OPERATOR, method="post"),
    Row("refresher-start", OPERATOR),
    Row("refresher-start", OPERATOR, method="post"),
    Row("my-knowledge", OPERATOR),
    Row("sitting", OPERATOR, kwargs=_of_open, owner_only=True),
    Row("sitting-question", OPERATOR, kwargs=lambda w: {**_of_open(w), "position": 1}, owner_only=True),
    Row("sitting-answer", OPERATOR, kwargs=_of_open, owner_only=True),
    Row("sitting-answer", OPERATOR, kwargs=_of_open, method="post", data=_an_answer, owner_only=True),
    Row("sitting-finish", OPERATOR, kwargs=_of_open, owner_only=True),
    Row("sitting-finish", OPERATOR, kwargs=_of_open, method="post", owner_only=True),
    Row("sitting-record", EVERYBODY, kwargs=_of_finished, own_site_only=True, owner_only=True),
    Row("sitting-list", STAFF),
    Row("more-attempts", TRAINER, kwargs=_attempts, own_site_only=True),
    Row("more-attempts", TRAINER, kwargs=_attempts, method="post", own_site_only=True),
]
