"""The door of the offline worker."""

from tests.doors.matrix import EVERYBODY, Row

ROWS: list[Row] = [
    # It holds nothing of the register, and is asked for before and after anybody is signed in.
    Row("offline-worker", EVERYBODY, is_public=True),
]
