from tests.doors.matrix import Row
from tests.factories import FeatureFactory, MinimumCoverFactory

SITE_ADMIN = frozenset({"site_admin"})
KEPT = ("employer", "site", "category", "feature", "minimumcover")

ROWS = [
    Row("setup:index", SITE_ADMIN, everywhere_only=True),
    *(Row(f"setup:competence_{kind}_changelist", SITE_ADMIN, everywhere_only=True) for kind in KEPT),
    *(Row(f"setup:competence_{kind}_add", SITE_ADMIN, everywhere_only=True) for kind in KEPT),
    *(Row(f"setup:competence_{kind}_add", SITE_ADMIN, method="post", everywhere_only=True) for kind in KEPT),
    *(
        Row(
            f"setup:competence_{kind}_change",
            SITE_ADMIN,
            lambda world, row=row: {"object_id": row(world).pk},
            method=method,
            everywhere_only=True,
        )
        for method in ("get", "post")
        for kind, row in (
            ("employer", lambda world: world.operator.state.employer),
            ("site", lambda world: world.site),
            ("category", lambda world: world.category),
            ("feature", lambda world: FeatureFactory()),
            ("minimumcover", lambda world: MinimumCoverFactory(site=world.site)),
        )
    ),
]
