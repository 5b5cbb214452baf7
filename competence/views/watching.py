"""For whoever keeps the register running: does it answer, can it take work, how is it doing."""

import os
import secrets
import shutil
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from datetime import timedelta
from logging import getLogger
from time import perf_counter
from typing import Any

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.db import DatabaseError, connection
from django.db.migrations.executor import MigrationExecutor
from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.urls import URLPattern, path
from django.views.decorators.http import require_GET
from prometheus_client import CONTENT_TYPE_LATEST, CollectorRegistry, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector

from competence.actions.clock import now
from competence.logs import door_of
from competence.queries.checkpoints import journal_head, latest_checkpoint, octets, public_key
from competence.rules.checks import CLOCK_TOLERANCE

log = getLogger("register.requests")

REQUESTS = Histogram(
    "register_request_seconds",
    "How long a request took, by the door's name, the method and the hundred of its status.",
    ["door", "method", "status"],
    buckets=(0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30),
)
METHODS = frozenset({"GET", "HEAD", "POST"})
# What else an app measures when it is asked: (name, what it is, value).
GAUGES: list[Callable[[], Iterable[tuple[str, str, float]]]] = []
# Less room than this on the disk of the photographs, and nothing new should be sent here.
LEAST_FREE_BYTES = 200 * 1024 * 1024
# A scheduler or the changes themselves seal the journal; hours without either are somebody's work.
UNSEALED_TOO_LONG = timedelta(hours=2)


class WatchMiddleware:
    """One line of log and one measurement a request. Neither says who asked, or about whom."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        started = perf_counter()
        response = self.get_response(request)
        took = perf_counter() - started
        door, method = door_of(request), request.method if request.method in METHODS else "other"
        REQUESTS.labels(door, method, f"{response.status_code // 100}xx").observe(took)
        log.info(
            "answered",
            extra={
                "door": door,
                "method": method,
                "status": response.status_code,
                "ms": round(took * 1000, 1),
            },
        )
        return response


@login_not_required
@require_GET
def alive(request: HttpRequest) -> JsonResponse:
    """Whether the register can answer: the database says one."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return JsonResponse({"alive": True})


@login_not_required
@require_GET
def ready(request: HttpRequest) -> JsonResponse:
    """Whether work may be sent here: 200, or 503 with what is wrong. Nothing personal, nothing secret."""
    wrong = list(_what_is_wrong())
    return JsonResponse({"ready": not wrong, "wrong": wrong}, status=503 if wrong else 200)


def _what_is_wrong() -> Iterator[str]:
    try:
        if _is_behind():
            yield "The database is not migrated: run “manage.py migrate”."
            return
        head = journal_head()
        latest = latest_checkpoint()
    except DatabaseError as error:
        yield f"The database does not answer ({type(error).__name__})."
        return
    if latest is not None and octets(latest.public_key) != public_key():
        yield "The journal was signed with another key than this host has: set REGISTER_JOURNAL_KEY."
    if latest is not None and latest.at - now() > CLOCK_TOLERANCE:
        yield "The clock of this host is behind what was written already: set it."
    if head["unsealed"] and latest is not None and now() - latest.at > UNSEALED_TOO_LONG:
        yield "The journal has entries that were not sealed for hours: run “manage.py journal seal”."
    folder = settings.MEDIA_ROOT
    with suppress(OSError):
        os.makedirs(folder, exist_ok=True)
    if not os.access(folder, os.W_OK):
        yield "The folder for photographs cannot be written to: see REGISTER_DATA."
    elif shutil.disk_usage(folder).free < LEAST_FREE_BYTES:
        yield "The disk of the photographs is nearly full."


def _is_behind() -> bool:
    """Whether the code knows of migrations that the database has not had."""
    executor = MigrationExecutor(connection)
    return bool(executor.migration_plan(executor.loader.graph.leaf_nodes()))


class _OnAsking:
    """What is measured when somebody asks, rather than kept."""

    def collect(self) -> Iterator[Any]:
        head, latest = journal_head(), latest_checkpoint()
        found = [
            ("register_journal_unsealed_entries", "Entries that no checkpoint has signed.", head["unsealed"]),
            (
                "register_checkpoint_age_seconds",
                "Since the newest checkpoint.",
                (now() - latest.at).total_seconds() if latest else 0,
            ),
            (
                "register_disk_free_bytes",
                "Free on the disk of the photographs.",
                shutil.disk_usage(settings.DATA_DIR).free,
            ),
        ]
        for ask in GAUGES:
            found.extend(ask())
        for name, what, value in found:
            yield GaugeMetricFamily(name, what, value=value)


@login_not_required
@require_GET
def metrics(request: HttpRequest) -> HttpResponse:
    """For a program that watches (OpenMetrics text), which shows the token of REGISTER_METRICS_TOKEN; without
    one set there is no such page."""
    token = settings.METRICS_TOKEN
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    if not token or not secrets.compare_digest(given.encode(), token.encode()):
        raise Http404
    registry = CollectorRegistry()
    if os.environ.get("PROMETHEUS_MULTIPROC_DIR"):
        MultiProcessCollector(registry)
    else:
        registry.register(REQUESTS)
    registry.register(_OnAsking())
    return HttpResponse(generate_latest(registry), content_type=CONTENT_TYPE_LATEST)


urlpatterns: list[URLPattern] = [
    path("alive/", alive, name="alive"),
    path("ready/", ready, name="ready"),
    path("metrics/", metrics, name="metrics"),
]
