"""The doors of the daily check."""

from tests.doors.matrix import EVERYBODY, STAFF, Row

OPERATOR = frozenset({"operator"})


def _of_draft(world):
    return {"check_id": world.daily_check.pk}


def _of_submitted(world):
    return {"check_id": world.submitted_check.pk}


ROWS: list[Row] = [
    Row("check-pick", OPERATOR),
    Row("check-start", OPERATOR, kwargs=lambda world: {"fleet_number": world.machine.fleet_number}),
    Row(
        "check-start",
        OPERATOR,
        kwargs=lambda world: {"fleet_number": world.machine.fleet_number},
        method="post",
    ),
    Row("check", OPERATOR, kwargs=_of_draft, owner_only=True),
    Row("check-zone", OPERATOR, kwargs=lambda w: {**_of_draft(w), "number": 1}, owner_only=True),
    Row(
        "check-zone", OPERATOR, kwargs=lambda w: {**_of_draft(w), "number": 1}, method="post", owner_only=True
    ),
    Row(
        "check-point",
        OPERATOR,
        kwargs=lambda w: {
            **_of_draft(w),
            "listed": w.daily_check.checklist.listed.order_by("position")[0].pk,
        },
        method="post",
        owner_only=True,
    ),
    Row("check-finish", OPERATOR, kwargs=_of_draft, owner_only=True),
    Row("check-finish", OPERATOR, kwargs=_of_draft, method="post", owner_only=True),
    Row("check-set-aside", OPERATOR, kwargs=_of_draft, method="post", owner_only=True),
    Row("check-result", EVERYBODY, kwargs=_of_submitted, own_site_only=True, owner_only=True),
    Row("check-list", STAFF),
    Row(
        "photograph",
        EVERYBODY,
        kwargs=lambda world: {"pk": world.finding.pk},
        own_site_only=True,
        owner_only=True,
    ),
    Row("my-record", OPERATOR),
]
