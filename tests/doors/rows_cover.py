"""The doors of cover."""

from .matrix import STAFF, Row

ROWS = [
    Row("cover-list", STAFF),
    Row(
        "cover",
        STAFF,
        lambda world: {"site": world.site.code, "category": world.category.code},
        own_site_only=True,
    ),
]
