from tests.doors.matrix import EVERYBODY, Row

TRAINER = frozenset({"trainer"})


def _category(world):
    return {"category": world.category.code}


ROWS = [
    Row("standard-list", EVERYBODY),
    Row("standard", EVERYBODY, _category),
    Row("standard-new", TRAINER, _category, everywhere_only=True),
    Row("standard-new", TRAINER, _category, method="post", everywhere_only=True),
]
