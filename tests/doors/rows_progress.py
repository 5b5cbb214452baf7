"""The doors of progress to a ticket, and of evidence for several people."""

from .matrix import STAFF, Row

TRAINER = frozenset({"trainer"})
BOTH = frozenset({"trainer", "site_admin"})


def of_operator(world):
    return {"number": world.operator.number}


def of_category(world):
    return {"number": world.operator.number, "category": world.category.code}


ROWS = [
    Row("progress-list", STAFF, of_operator, own_site_only=True),
    Row("progress", STAFF, of_category, own_site_only=True),
    Row("progress", TRAINER, of_category, method="post", own_site_only=True),
    Row("evidence-group", BOTH),
    Row("evidence-group", BOTH, method="post"),
]
