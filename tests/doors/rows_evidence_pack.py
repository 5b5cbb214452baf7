"""The door of evidence packs: for who may take something out of the register."""

from .matrix import Row

TAKES_OUT = frozenset({"site_admin", "auditor"})

# That the person and the machine are of one's own site is said beside the field, so it is a test of its own.
ROWS = [
    Row("evidence-pack", TAKES_OUT),
    Row("evidence-pack", TAKES_OUT, method="post", data=lambda world: {"operator": "NOBODY"}),
]
