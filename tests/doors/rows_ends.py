"""The doors of what runs out."""

from .matrix import STAFF, Row

ROWS = [
    Row("end-list", STAFF),
    Row("end-export", STAFF),
    Row("end-message", STAFF),
]
