"""When the register cannot write, or its database does not answer: a plain page with 503, and for the scripts
of the phone the same in JSON. They keep what was tapped and try again (static/competence/phone_shelf.js)."""

import errno
import sys
from logging import getLogger
from typing import Any

from django.contrib.sessions.exceptions import SessionInterrupted
from django.db import DatabaseError, InterfaceError, OperationalError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.template import loader
from django.utils.cache import add_never_cache_headers
from django.views.defaults import bad_request, server_error

from competence.rules.unavailable import POSTGRES, SQLITE, Cause, Unavailable

log = getLogger("register.unavailable")

FILES = {
    errno.ENOSPC: Cause.FULL,
    errno.EDQUOT: Cause.FULL,
    errno.EROFS: Cause.READ_ONLY,
}


def cause_of(error: BaseException | None) -> Cause | None:
    """``None`` for an error of the register's own making."""
    if isinstance(error, OSError):
        return FILES.get(error.errno or 0)
    if not isinstance(error, (DatabaseError, InterfaceError)):
        return None
    first = error.__cause__
    known = POSTGRES.get(getattr(first, "sqlstate", None) or "")
    if known is None:
        known = SQLITE.get(getattr(first, "sqlite_errorcode", 0) & 0xFF)
    if known is None and isinstance(error, (OperationalError, InterfaceError)):
        return Cause.AWAY
    return known


class UnavailableMiddleware:
    """The last of the middleware, so that it knows whether the door itself was reached."""

    def __init__(self, get_response: Any) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        request.is_door_done = True  # type: ignore[attr-defined]
        return response

    def process_view(self, request: HttpRequest, *_: Any) -> None:
        request.is_door_begun = True  # type: ignore[attr-defined]

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        if cause_of(error) is None:
            return None
        log.error("unavailable", exc_info=error)
        # What the session was to remember of this goes with it; saving it would fail once more.
        request.session.modified = False
        return unavailable(request, error)


def unavailable(request: HttpRequest, error: BaseException) -> HttpResponse:
    told = Unavailable(
        cause=cause_of(error) or Cause.AWAY,
        is_sent=request.method not in ("GET", "HEAD", "OPTIONS"),
        is_begun=getattr(request, "is_door_begun", False),
        is_done=getattr(request, "is_door_done", False),
    )
    response: HttpResponse
    if "application/json" in request.headers.get("Accept", ""):
        said = {"saved": False, "sentence": told.sentence, "sentences": [told.sentence]}
        response = JsonResponse(said, status=503)
    else:
        # Without the request: what pages are given otherwise is read from the database.
        response = HttpResponse(loader.get_template("503.html").render({"told": told}), status=503)
    response["Retry-After"] = str(told.cause.wait_seconds)
    add_never_cache_headers(response)
    return response


def failed(request: HttpRequest) -> HttpResponse:
    """The register's page for what went wrong: on the way to a door and back too, such as in the session."""
    error = sys.exc_info()[1]
    return server_error(request) if cause_of(error) is None else unavailable(request, error)


def not_understood(request: HttpRequest, exception: Exception) -> HttpResponse:
    """A request that could not be read; or a session that could not be saved, which Django takes for one that
    somebody ended meanwhile."""
    error = exception.__context__ if isinstance(exception, SessionInterrupted) else None
    while error is not None and cause_of(error) is None:
        error = error.__context__
    return bad_request(request, exception) if error is None else unavailable(request, error)
