from tests.doors.matrix import STAFF, Row


def _defect(world):
    return {"pk": world.defect.pk}


ROWS = [
    Row("defect-list", STAFF),
    Row("defect", STAFF, _defect, own_site_only=True),
    Row(
        "defect",
        frozenset({"site_admin"}),
        _defect,
        method="post",
        data=lambda world: {"done": "Replaced, and tried under load."},
        own_site_only=True,
    ),
]
