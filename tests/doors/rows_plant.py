from tests.doors.matrix import STAFF, Row

SITE_ADMIN = frozenset({"site_admin"})


def _fleet(world):
    return {"fleet": world.machine.fleet_number}


ROWS = [
    Row("machine-list", STAFF),
    Row("machine-labels", STAFF),
    Row("machine-new", SITE_ADMIN),
    Row("machine-new", SITE_ADMIN, method="post"),
    Row("machine", STAFF, _fleet, own_site_only=True),
    Row("machine-change", SITE_ADMIN, _fleet, own_site_only=True),
    Row("machine-change", SITE_ADMIN, _fleet, method="post", own_site_only=True),
    Row("machine-label", STAFF, _fleet, own_site_only=True),
    Row("machine-qr", STAFF, _fleet, own_site_only=True),
]
