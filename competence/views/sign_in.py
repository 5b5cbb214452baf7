"""By what wrong passwords are counted: the name as the register knows it, and the address they come from."""

from typing import Any

from django.conf import settings
from django.http import HttpRequest


def name_as_known(request: HttpRequest | None, credentials: dict[str, Any] | None = None) -> str:
    """In small letters and without spaces around it, as signing in reads it."""
    given = (credentials or {}).get("username")
    if given is None and request is not None:
        given = (
            request.POST.get("username") or request.POST.get("name") or request.POST.get("supervisor_name")
        )
    return str(given or "").strip().lower()


def address_of(request: HttpRequest) -> str:
    """What the proxy before the register saw; anything further left in the header, anybody can write."""
    passed_on = request.headers.get("X-Forwarded-For", "") if settings.IS_PRODUCTION else ""
    return passed_on.rsplit(",", 1)[-1].strip() or request.META.get("REMOTE_ADDR", "")
