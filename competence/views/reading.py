"""Heavy pages that only read may read from a copy of the database, and then say as of when."""

from collections.abc import Callable
from functools import wraps
from typing import Any

from django.conf import settings
from django.db import InterfaceError, OperationalError, connections
from django.http import HttpRequest, HttpResponse

from competence.queries import replica
from competence.views.doing import View

# Set in the answer to a change: for so long this browser's own reads are from the database itself.
WROTE_COOKIE = "wrote"


class ReadingMiddleware:
    """Who has just changed something sees it: their next reads do not come from a copy."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if replica.REPLICA not in connections.settings:
            return self.get_response(request)
        with replica.one_request() as reading:
            response = self.get_response(request)
        if reading.has_written or request.method not in ("GET", "HEAD"):
            response.set_cookie(
                WROTE_COOKIE,
                "1",
                # The copy may be that old and still be read, and a page may have been begun before.
                max_age=settings.REPLICA_STALE_SECONDS + 5,
                httponly=True,
                secure=settings.IS_PRODUCTION,
                samesite="Lax",
            )
        return response


def reads_from_replica(view: View) -> View:
    """For a page that shows and decides nothing: it may be up to REGISTER_REPLICA_STALE_SECONDS old, and says
    so. What it reads about who is asking, and whatever the gate rests on, still comes from the database
    itself; a page that turns out to write, or whose copy fails on the way, is done again from there."""

    @wraps(view)
    def read(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        is_reading = request.method in ("GET", "HEAD") and WROTE_COOKIE not in request.COOKIES
        as_of = replica.fresh_as_of() if is_reading else None
        if as_of is None:
            return view(request, *args, **kwargs)
        try:
            with replica.from_replica(as_of):
                return view(request, *args, **kwargs)
        except replica.WroteOnACopy:
            pass
        except (OperationalError, InterfaceError):
            connections[replica.REPLICA].close()
            replica.leave_alone()
        return view(request, *args, **kwargs)

    read.reads_from_replica = True
    return read
