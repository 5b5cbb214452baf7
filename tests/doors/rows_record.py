"""The doors of the record and of who looked at it."""

from tests.doors.matrix import STAFF, Row

# That the machine's site is asked for is said beside the field, so it is a test of its own.
ROWS = [Row("record", STAFF), Row("look-list", frozenset({"site_admin", "auditor"}))]
