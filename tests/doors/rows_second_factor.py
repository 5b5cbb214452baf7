"""The doors of the second factor: one's own, and taking somebody's away."""

from .matrix import EVERYBODY, Row

ROWS = [
    Row("second-factor", EVERYBODY),
    Row("second-factor-set-up", EVERYBODY),
    Row("second-factor-set-up", EVERYBODY, method="post"),
    Row("paper-codes", frozenset(), method="post"),
    Row(
        "second-factor-remove",
        frozenset({"site_admin"}),
        lambda world: {"username": world.operator.account.username},
        own_site_only=True,
    ),
]
