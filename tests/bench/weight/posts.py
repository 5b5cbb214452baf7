"""The daily check's posts through the server: start, point, finish, against bare views with the same INSERTs.

Like with like, as in ``one_mark``: the same signed-in account posts to both in turn, through the whole stack
and into the same tables, one commit each. The bare views ask no question: they insert what the real one
inserts, the journal's entry and images among it (hashed and drawn before), and update what it updates.
Each check is another operator's, at another machine, so that what they need is not warm from the last.
Ten points are posted, the others were answered before. One client: how many get through at once is not asked.
"""

import json
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from statistics import median
from time import perf_counter
from types import SimpleNamespace

from django.db import transaction
from django.http import HttpRequest, JsonResponse
from django.test import Client, override_settings
from django.urls import URLPattern, URLResolver, path, reverse
from django.utils.timezone import now
from django.views.decorators.http import require_POST

from competence.actions.clock import now as register_now
from competence.actions.journal import _keep_images
from competence.models import (
    Account,
    ChecklistVersion,
    DailyCheck,
    Finding,
    JournalEntry,
    ListedPoint,
    Machine,
    Operator,
)
from competence.urls import urlpatterns as register_urls
from tests.bench.weight.registers import Register
from tests.bench.weight.rows import BASE
from tests.bench.weight.sizes import CATEGORIES, Size

POINTS_POSTED = 10
KINDS = ("start", "point", "finish")
LEAST_THROUGHPUT, MOST_P99 = 0.6, 3.0
FINDING_IMAGE = json.dumps({"answer": "good", "note": "", "filler": "x" * 230})


def _journal(request: HttpRequest, action: str, images: list[tuple[str, str, str]]) -> None:
    entry = JournalEntry(at=register_now(), by=request.user, action=action, leaf=b"\1" * 32)
    entry.save(force_insert=True)
    _keep_images((entry.pk, kind, key, image, b"\2" * 16, b"\3" * 32) for kind, key, image in images)


@require_POST
@transaction.atomic
def bare_start(request: HttpRequest) -> JsonResponse:
    sent = json.loads(request.body)
    check = DailyCheck(
        id=uuid.UUID(sent["id"]),
        machine_id=sent["machine"],
        site_id=sent["site"],
        operator_id=sent["operator"],
        checklist_id=sent["checklist"],
        started_at=now(),
        verdict=sent["verdict"],
    )
    check.save(force_insert=True)
    _journal(request, "check.started", [("competence.dailycheck", sent["id"], json.dumps(sent["verdict"]))])
    return JsonResponse({"kept": True})


@require_POST
@transaction.atomic
def bare_point(request: HttpRequest) -> JsonResponse:
    sent = json.loads(request.body)
    Finding(
        daily_check_id=sent["id"], listed_id=sent["point"], answer=sent["answer"], answered_at=now()
    ).save(force_insert=True)
    return JsonResponse({"kept": True})


@require_POST
@transaction.atomic
def bare_finish(request: HttpRequest) -> JsonResponse:
    sent = json.loads(request.body)
    DailyCheck.objects.filter(pk=sent["id"]).update(
        status="submitted", submitted_at=now(), hour_meter=sent["hours"], result="fit"
    )
    images = [("competence.finding", key, FINDING_IMAGE) for key in sent["findings"]]
    check = ("competence.dailycheck", sent["id"], json.dumps(sent["verdict"]))
    _journal(request, "check.submitted", [check, *images])
    return JsonResponse({"kept": True})


urlpatterns: list[URLPattern | URLResolver] = [
    *register_urls,
    path("bench/start/", bare_start),
    path("bench/point/", bare_point),
    path("bench/finish/", bare_finish),
]


@dataclass
class Posts:
    """Seconds of each post, ours and bare, by kind."""

    ours: dict[str, list[float]] = field(default_factory=lambda: {kind: [] for kind in KINDS})
    bare: dict[str, list[float]] = field(default_factory=lambda: {kind: [] for kind in KINDS})

    def __iter__(self) -> Iterator[tuple[str, bool]]:
        """A line for each kind and for a whole check of 45 points, and whether it meets the goals."""
        for kind in KINDS:
            yield self._line(kind, self.ours[kind], self.bare[kind])
        yield self._whole()

    @staticmethod
    def _line(kind: str, ours: list[float], bare: list[float]) -> tuple[str, bool]:
        throughput, tail = sum(bare) / sum(ours), p99(ours) / p99(bare)
        line = (
            f"{kind:6} {median(ours) * 1e3:6.2f} ms, p99 {p99(ours) * 1e3:6.2f}, "
            f"{len(ours) / sum(ours):5.0f} a second; bare {median(bare) * 1e3:5.2f} ms, "
            f"p99 {p99(bare) * 1e3:5.2f}, {len(bare) / sum(bare):5.0f}: "
            f"{throughput:.2f} of its throughput, p99 {tail:.1f} times ({len(ours)})"
        )
        return line, throughput >= LEAST_THROUGHPUT and tail <= MOST_P99

    def _whole(self) -> tuple[str, bool]:
        def whole(spent: dict[str, list[float]]) -> float:
            means = {kind: sum(each) / len(each) for kind, each in spent.items()}
            return means["start"] + 45 * means["point"] + means["finish"]

        ours, bare = whole(self.ours), whole(self.bare)
        line = (
            f"whole check of 45 points: {ours * 1e3:.0f} ms, bare {bare * 1e3:.0f}: "
            f"{bare / ours:.2f} of its throughput"
        )
        return line, bare / ours >= LEAST_THROUGHPUT


def p99(spent: list[float]) -> float:
    return sorted(spent)[min(len(spent) - 1, len(spent) * 99 // 100)]


def measure(registers: list[Register], *, checks: int) -> list[Posts]:
    """The registers in turn, so that whatever the machine does meets all of them."""
    found = [Posts() for _ in registers]
    with override_settings(ROOT_URLCONF=__name__):
        # One for all: each would start the middleware anew, which a server does once.
        client = Client()
        # The first of each warms what a process keeps.
        for turn in range(checks + 1):
            for register, posts in zip(registers, found, strict=True):
                with register.used():
                    one_check(client, register.size, turn, Posts() if turn == 0 else posts)
    return found


def one_check(client: Client, size: Size, turn: int, posts: Posts) -> None:
    who = _pair(size, turn)
    client.force_login(who.account)
    start = reverse("check-start", args=[who.machine.fleet_number])
    ours, bare = uuid.uuid4(), uuid.uuid4()
    about = {
        "id": str(bare),
        "machine": who.other.pk,
        "site": who.other.state.site_id,
        "operator": who.account.operator_id,
        "checklist": who.checklist.pk,
        "verdict": DailyCheck.objects.filter(machine=who.machine)[0].verdict,
    }

    def real(address: str, data: dict, expected: int) -> Callable[[], float]:
        return lambda: _timed(lambda: client.post(address, data), expected)

    def plain(name: str, data: dict) -> Callable[[], float]:
        body = json.dumps(data)
        post = lambda: client.post(f"/bench/{name}/", body, content_type="application/json")  # noqa: E731
        return lambda: _timed(post, 200)

    def both(kind: str, our_post: Callable[[], float], bare_post: Callable[[], float], place: int) -> None:
        pair = [(our_post, posts.ours[kind]), (bare_post, posts.bare[kind])]
        for post, spent in pair if place % 2 else reversed(pair):
            spent.append(post())

    both("start", real(start, {"check_id": str(ours)}, 302), plain("start", about), turn)
    assert DailyCheck.objects.filter(pk=ours, status="draft").exists(), "the gate said no"
    for place, listed in enumerate(who.listed[:POINTS_POSTED]):
        both(
            "point",
            real(reverse("check-point", args=[ours, listed.pk]), {f"answer-{listed.pk}": "good"}, 200),
            plain("point", {"id": str(bare), "point": listed.pk, "answer": "good"}),
            turn + place,
        )
    moment = now()
    Finding.objects.bulk_create(
        Finding(daily_check_id=key, listed=listed, answer="good", answered_at=moment)
        for key in (ours, bare)
        for listed in who.listed[POINTS_POSTED:]
    )
    keys = [str(key) for key in Finding.objects.filter(daily_check=bare).values_list("pk", flat=True)]
    both(
        "finish",
        real(
            reverse("check-finish", args=[ours]),
            {"hour_meter": "90000", "hour_meter_note": "A new meter.", "refusal_id": str(uuid.uuid4())},
            302,
        ),
        plain("finish", {**about, "hours": "90000", "findings": keys}),
        turn,
    )
    assert DailyCheck.objects.filter(pk=ours, status="submitted").exists(), "the check was not taken"


def _pair(size: Size, turn: int) -> SimpleNamespace:
    """An operator and a machine of their site that the gate lets them take, another for each turn; and the
    machine beside it, of the same category."""
    number = turn * 997 % size.operators
    # Nobody whose ticket for it is suspended or has ended.
    while (number * 5) % 200 == 0 or (number * 5 * 37) % 700 <= 70:
        number = (number + 1) % size.operators
    site, category = number % size.sites, number // size.sites % CATEGORIES
    machines = Machine.objects.with_state()
    machine = machines.get(pk=BASE + site + size.sites * category)
    other = machines.get(pk=BASE + site + size.sites * (category + CATEGORIES))
    operator = Operator.objects.get(pk=BASE + number)
    checklist = ChecklistVersion.objects.get(category=machine.state.category)
    return SimpleNamespace(
        account=Account.objects.get(operator=operator),
        machine=machine,
        other=other,
        checklist=checklist,
        listed=list(ListedPoint.objects.filter(version=checklist).order_by("position")),
    )


def _timed(post: Callable, expected: int) -> float:
    started = perf_counter()
    answer = post()
    spent = perf_counter() - started
    assert answer.status_code == expected, (answer.status_code, answer.content[:2000])
    return spent
