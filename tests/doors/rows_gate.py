from tests.doors.matrix import STAFF, Row

# That the machine's own site is asked for is said beside the field, so it is a test of its own.
ROWS = [Row("gate", STAFF)]
