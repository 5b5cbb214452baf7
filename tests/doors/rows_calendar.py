"""The doors of one's own mail and calendar."""

from assessments.actions.calendars import make_calendar_address

from .matrix import EVERYBODY, Row

ROWS = [
    Row("my-calendar", EVERYBODY),
    Row("my-calendar", EVERYBODY, method="post", data=lambda world: {"do": "make"}),
    Row("my-calendar", EVERYBODY, method="post", data=lambda world: {"do": "mail", "email": "not one"}),
    # Who knows the address may read: that is what it is for.
    Row(
        "calendar-feed",
        EVERYBODY,
        lambda world: {"token": make_calendar_address(by=world.operator_account)},
        is_public=True,
    ),
]
