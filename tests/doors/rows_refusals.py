"""The doors of refusals."""

from tests.doors.matrix import EVERYBODY, STAFF, Row

ROWS: list[Row] = [
    Row(
        "refusal",
        EVERYBODY,
        kwargs=lambda world: {"refusal_id": world.refusal.pk},
        own_site_only=True,
        owner_only=True,
    ),
    Row("refusal-list", STAFF),
]
