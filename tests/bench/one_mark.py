"""Saving one mark of a walk-around through the server, against a bare view that does one INSERT.

Like with like: both are posted the same body in turn, by the same signed-in account, through the whole stack
of middleware and into the same table on disk, one commit each. The bare view asks no question and keeps no
rule; it does not say what stands either.
The walk-around has 60 points, all marked: what stands is worked out from as many taps as a whole one leaves.
"""

import json
import uuid
from dataclasses import dataclass
from statistics import median
from time import perf_counter

from django.db import connection
from django.http import HttpRequest, JsonResponse
from django.test import Client, override_settings
from django.test.utils import CaptureQueriesContext
from django.urls import URLPattern, URLResolver, path, reverse
from django.utils.timezone import now
from django.views.decorators.http import require_POST

from assessments.models import AssessedPoint, Assessment, Tap
from competence.models import Account, ChecklistVersion, ListedPoint, Machine, Operator, Point, Role
from competence.urls import urlpatterns as register_urls
from tests.bench.register import AT, RECORDED

POINTS = 60
ROUNDS = 400


@require_POST
def one_insert(request: HttpRequest) -> JsonResponse:
    """The least that could keep a mark: read the body, insert it."""
    sent = json.loads(request.body)
    (mark,) = sent["marks"]
    moment = now()
    Tap(
        assessment_id=sent["assessment"],
        listed_id=mark["point"],
        mark=mark["mark"],
        sent_as=mark["sent_as"],
        device=sent["device"],
        tapped_at=moment,
        recorded_at=moment,
    ).save(force_insert=True)
    return JsonResponse({"kept": True})


urlpatterns: list[URLPattern | URLResolver] = [*register_urls, path("bench/one-insert/", one_insert)]


@dataclass(frozen=True)
class MarkSpeed:
    """Seconds, medians of one request."""

    ours: float
    bare: float
    statements: int

    @property
    def ratio(self) -> float:
        """Our throughput as a share of the bare view's."""
        return self.bare / self.ours

    def line(self) -> str:
        return (
            f"one mark kept through the server: {self.ours * 1e3:.2f} ms, {self.statements} statements; "
            f"a bare view with one INSERT {self.bare * 1e3:.2f} ms; {self.ratio:.2f} of its throughput"
        )


def measure() -> MarkSpeed:
    with override_settings(ROOT_URLCONF=__name__, ALLOWED_HOSTS=["testserver"]):
        assessment = _begun()
        client = Client()
        client.force_login(assessment.assessor)
        points = list(assessment.points.order_by("pk").values_list("listed_id", flat=True))
        kept_at, bare_at = reverse("assessment-marks", args=[assessment.pk]), "/bench/one-insert/"
        for point in points:
            _post(client, kept_at, assessment, point)
        with CaptureQueriesContext(connection) as statements:
            _post(client, kept_at, assessment, points[0])
            count = len(statements)
        _post(client, bare_at, assessment, points[0])
        # In turn, so that whatever the machine does meets both, and each as often first as second: a commit
        # that follows another at once waits longer for the disk. The taps of both are taken away again, so
        # that the walk-around stays one of a usual size.
        ours: list[float] = []
        bare: list[float] = []
        for turn in range(ROUNDS):
            point = points[turn % POINTS]
            pair = [(kept_at, ours), (bare_at, bare)]
            for url, spent in pair if turn % 2 else reversed(pair):
                spent.append(_post(client, url, assessment, point))
            Tap._base_manager.filter(pk__in=_newest(assessment, 2))._raw_delete(using="default")
        return MarkSpeed(median(ours), median(bare), count)


def _newest(assessment: Assessment, count: int) -> list[int]:
    return list(
        Tap.objects.filter(assessment=assessment).order_by("-pk").values_list("pk", flat=True)[:count]
    )


def _post(client: Client, url: str, assessment: Assessment, point: int) -> float:
    mark = {
        "point": point,
        "mark": "unprompted",
        "sent_as": str(uuid.uuid4()),
        "tapped_at": now().isoformat(),
    }
    body = json.dumps({"device": "phone", "assessment": str(assessment.pk), "marks": [mark]})
    started = perf_counter()
    answer = client.post(url, body, content_type="application/json")
    spent = perf_counter() - started
    assert answer.status_code == 200, answer.content
    return spent


def _begun() -> Assessment:
    """A trainer's, of somebody on a machine of the bench's register, on a list of its own."""
    machine = Machine.objects.select_related("state__category", "state__site").order_by("pk")[0]
    category, site = machine.state.category, machine.state.site
    assessor = Account.objects.create_user(username="bench-assessor")
    Role.objects.create(account=assessor, name=Role.Name.TRAINER)
    checklist = ChecklistVersion.objects.create(
        category=category, number=1, in_force_from=RECORDED.date(), recorded_at=RECORDED
    )
    assessment = Assessment.objects.create(
        operator=Operator.objects.order_by("pk")[0],
        machine=machine,
        site=site,
        category=category,
        checklist=checklist,
        standard_version=category.standard_versions.get(),
        assessor=assessor,
        started_at=AT,
    )
    for place in range(1, POINTS + 1):
        point = Point.objects.create(
            code=f"bench-{place}", title=f"Point {place}", method="Look.", good="Sound.", topic="bench"
        )
        listed = ListedPoint.objects.create(
            version=checklist, point=point, position=place, zone_code=f"zone-{place // 10}", zone_name="Zone"
        )
        AssessedPoint.objects.create(assessment=assessment, listed=listed)
    return assessment
