"""The doors of missed checks."""

from .matrix import STAFF, Row

ADMIN = frozenset({"site_admin"})

ROWS = [
    Row("missed-check-list", STAFF),
    Row("use-record", ADMIN),
    Row("use-record", ADMIN, method="post"),
]
