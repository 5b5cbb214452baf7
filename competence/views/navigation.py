"""What every page's frame shows: the way to the rooms this account may enter, and the theme it chose."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest

from competence.permissions import Right, may

# Label, URL name, and the right that opens the room (none: everybody signed in).
ROOMS: tuple[tuple[str, str, Right | None], ...] = (
    ("Start", "home", None),
    ("Operators", "operator-list", Right.SEE_RECORDS),
    ("Tickets", "ticket-list", Right.SEE_RECORDS),
    ("Appointments", "appointment-list", Right.SEE_RECORDS),
    ("Accounts", "account-list", Right.KEEP_PEOPLE),
)


@dataclass(frozen=True)
class Way:
    label: str
    url: str
    is_current: bool


def page_frame(request: HttpRequest) -> dict[str, Any]:
    from django.urls import reverse

    theme = request.COOKIES.get("theme", "auto")
    account = getattr(request, "user", None)
    ways = []
    if account is not None and account.is_authenticated:
        for label, name, right in ROOMS:
            if right is None or may(account, right):
                url = reverse(name)
                ways.append(Way(label, url, request.path == url))
    return {"theme": theme if theme in ("light", "dark") else "auto", "navigation": ways}
