from tests.doors.matrix import EVERYBODY, Row

TRAINER = frozenset({"trainer"})


def _category(world):
    return {"category": world.category.code}


ROWS = [
    Row("checklist-list", EVERYBODY),
    Row("checklist", EVERYBODY, _category),
    Row("checklist-new", TRAINER, _category, everywhere_only=True),
    Row("checklist-new", TRAINER, _category, method="post", everywhere_only=True),
]
