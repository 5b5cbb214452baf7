"""Pages that a phone keeps, so that they can be reloaded where there is no signal."""

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse
from django.template.loader import render_to_string
from django.urls import URLPattern, path
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

# Where the worker looks at pages at all; of these it keeps the ones that say so.
KEPT_ROOMS = ("/assessments/", "/sittings/")


def kept_on_phone(response: HttpResponse) -> HttpResponse:
    """Mark an answer as a page that the phone keeps until the same address answers otherwise."""
    response["X-Kept-On-Phone"] = "yes"
    return response


@never_cache
@login_not_required
@require_GET
def worker(request: HttpRequest) -> HttpResponse:
    """The offline worker. It holds nothing of the register, and a browser looks for a newer one whether or
    not somebody is signed in."""
    script = render_to_string(
        "assessments/offline_worker.js",
        {"rooms": KEPT_ROOMS, "longest_seconds": settings.SESSION_COOKIE_AGE},
    )
    response = HttpResponse(script, content_type="text/javascript; charset=utf-8")
    # It must see signing out, which is above its own address.
    response["Service-Worker-Allowed"] = "/"
    return response


urlpatterns: list[URLPattern] = [
    path("assessments/worker.js", worker, name="offline-worker"),
]
