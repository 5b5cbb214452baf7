"""What every answer says to the browser, what no request may hold, and when a sign-in has lasted long enough.

The requirements are those of OWASP ASVS 5.0, level 2; DEVELOPERS.md holds the register against them.
"""

import time
from collections.abc import Callable
from logging import getLogger
from typing import Any

from axes.signals import user_locked_out
from django.conf import settings
from django.contrib.auth import SESSION_KEY, logout
from django.contrib.auth.signals import user_logged_in, user_logged_out, user_login_failed
from django.core.exceptions import BadRequest
from django.dispatch import receiver
from django.http import HttpRequest, HttpResponse

from competence.models import Account, Role

log = getLogger("register.sign_in")

# Nothing here asks the browser for any of these; a photograph comes from the phone's own camera program.
PERMISSIONS_POLICY = ", ".join(
    f"{name}=()"
    for name in (
        "accelerometer",
        "bluetooth",
        "camera",
        "display-capture",
        "geolocation",
        "gyroscope",
        "hid",
        "magnetometer",
        "microphone",
        "midi",
        "payment",
        "serial",
        "usb",
    )
)
# In the session: when it began, and when it was last used (to within NOTED_EVERY seconds).
SIGNED_IN_AT, LAST_USED_AT = "signed_in_at", "last_used_at"
NOTED_EVERY = 5 * 60

Answer = Callable[[HttpRequest], HttpResponse]


class GuardMiddleware:
    """Says on every answer what the browser may do with it. What a view says itself stands."""

    def __init__(self, get_response: Answer) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS_POLICY)
        response.headers.setdefault("Cross-Origin-Resource-Policy", "same-origin")
        # ASVS 14.3.2. Static files, and the few views that say otherwise, have a line of their own.
        response.headers.setdefault("Cache-Control", "private, no-store")
        return response


class AddressMiddleware:
    """Refuses an address with a null character in it, which PostgreSQL cannot be asked for."""

    def __init__(self, get_response: Answer) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if "\x00" in request.path_info:
            raise BadRequest("A null character in the address.")
        return self.get_response(request)


@receiver(user_logged_in)
def tell_of_sign_in(sender: type, user: Account, **more: object) -> None:
    """ASVS 16.3.1. An account's number, never a name; of a wrong one only that it came, and the request's id
    leads to the line of its door."""
    log.info("signed in", extra={"account": user.pk})


@receiver(user_logged_out)
def tell_of_sign_out(sender: type, user: Account | None, **more: object) -> None:
    log.info("signed out", extra={"account": user.pk if user else None})


@receiver(user_login_failed)
def tell_of_failure(sender: object, **more: object) -> None:
    log.info("not signed in: name and password do not go together")


@receiver(user_locked_out)
def tell_of_lock(sender: object, **more: object) -> None:
    log.warning("signing in is locked for a while: too many wrong passwords")


@receiver(user_logged_in)
def note_when(sender: type, request: HttpRequest, user: Account, **more: object) -> None:
    request.session[SIGNED_IN_AT] = request.session[LAST_USED_AT] = int(time.time())


class SessionEndMiddleware:
    """Ends a sign-in after a shift, however much it was used; and one of staff that was left alone."""

    def __init__(self, get_response: Answer) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view: Any, *rest: Any) -> None:
        if not getattr(view, "login_required", True) or SESSION_KEY not in request.session:
            return
        now, session = int(time.time()), request.session
        began, used = session.get(SIGNED_IN_AT, now), session.get(LAST_USED_AT, now)
        is_spent = now - began > settings.SESSION_COOKIE_AGE
        is_left = now - used > settings.SESSION_IDLE_SECONDS and _is_staff(request.user)
        if is_spent or is_left:
            logout(request)
        elif now - used > NOTED_EVERY or SIGNED_IN_AT not in session:
            session[SIGNED_IN_AT], session[LAST_USED_AT] = began, now


def _is_staff(account: Account) -> bool:
    """An operator signs in with gloves on, in a cab, and sees little but their own; they keep the shift."""
    return account.is_authenticated and any(role.name != Role.Name.OPERATOR for role in account.held_roles)
