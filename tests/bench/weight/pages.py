"""Every page that is read, at each weight: its number of statements and its time."""

import pkgutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from importlib import import_module
from statistics import median
from time import perf_counter
from types import SimpleNamespace
from typing import Any
from urllib.parse import urlencode

from django.conf import settings
from django.core.cache import cache
from django.db import connection, transaction
from django.test import Client
from django.urls import NoReverseMatch, reverse

import tests.doors
from tests.bench.weight.registers import Register
from tests.doors.matrix import Row
from tests.doors.test_permission_matrix import may_open

SLOWER = 1.5
# Between what a clock on a shared machine can tell apart; a page quicker than this by so little is no slower.
NOISE_SECONDS = 0.003
# Judged again with so many rounds more before a page is called slower.
ROUNDS_MORE = 6
ENOUGH_SECONDS = 4.0
# Shown differently to each role.
FOR_EACH_ROLE = {"home", "my-calendar"}
OWN = ("operator", "trainer", "site_admin", "auditor")
EVERYWHERE = ("everywhere trainer", "everywhere site_admin", "everywhere auditor")
# One for all: each would start the middleware anew, which a server does once.
CLIENT = Client()


@dataclass(frozen=True)
class Visit:
    """One page as one person asks for it; ``address`` makes what it names."""

    name: str
    visitor: str
    session: str | None
    address: Callable[[], str]

    def __str__(self) -> str:
        return f"{self.name} ({self.visitor})"


@dataclass
class Read:
    """A page in one register: statements of one reading, and the seconds of several."""

    status: int
    octets: int
    statements: list[tuple[str, Any, float]]
    seconds: list[float] = field(default_factory=list)

    @property
    def median(self) -> float:
        return median(self.seconds)


@dataclass
class Page:
    """A visit's readings, from the lightest register to the heaviest."""

    visit: Visit
    reads: list[Read]

    @property
    def ratio(self) -> float:
        return self.reads[-1].median / self.reads[0].median

    @property
    def is_slower(self) -> bool:
        least, most = self.reads[0].median, self.reads[-1].median
        return most > least * SLOWER and most - least > NOISE_SECONDS

    @property
    def asks_more(self) -> bool:
        """A page may ask fewer: what is too much for a page at weight is left to a list."""
        return max(len(read.statements) for read in self.reads) > len(self.reads[0].statements)

    @property
    def misses(self) -> bool:
        return self.is_slower or self.asks_more or len({read.status for read in self.reads}) > 1

    def line(self) -> str:
        asked = "/".join(str(len(read.statements)) for read in self.reads)
        spent = " ".join(f"{read.median * 1e3:7.1f}" for read in self.reads)
        octets = self.reads[-1].octets / 1024
        status = self.reads[-1].status if self.reads[-1].status >= 400 else ""
        words = f"{status!s:3} {self.visit!s:58} {asked:>12} statements"
        return f"{words} {spent} ms {self.ratio:5.2f} x {octets:6.0f} kB"


def read(visit: Visit, address: str, *, counted: bool = False) -> Read:
    """Ask once; with ``counted``, every statement with its seconds as well."""
    CLIENT.cookies.clear()
    if visit.session is not None:
        CLIENT.cookies[settings.SESSION_COOKIE_NAME] = visit.session
    statements: list[tuple[str, Any, float]] = []

    def count(execute: Any, sql: str, params: Any, many: bool, context: Any) -> Any:
        started = perf_counter()
        try:
            return execute(sql, params, many, context)
        finally:
            statements.append((sql, params, perf_counter() - started))

    cache.clear()
    if counted:
        with connection.execute_wrapper(count):
            answer = CLIENT.get(address)
            octets = len(b"".join(answer.streaming_content) if answer.streaming else answer.content)
        return Read(answer.status_code, octets, statements)
    started = perf_counter()
    answer = CLIENT.get(address)
    octets = len(b"".join(answer.streaming_content) if answer.streaming else answer.content)
    spent = perf_counter() - started
    return Read(answer.status_code, octets, [], [spent])


def measure(
    visit: Visit, uses: list[Callable[[], AbstractContextManager]], *, rounds: int, tries: int = ROUNDS_MORE
) -> Page:
    """Read the page in each of the registers in turn, the lightest first; again where it seems slower."""
    reads = []
    for use in uses:
        with _knocked(visit, use) as address:
            # The first reading also warms what a page keeps for good.
            read(visit, address)
            reads.append(read(visit, address, counted=True))
    page = Page(visit, reads)
    for turn in range(rounds + tries):
        if turn >= rounds and not page.is_slower:
            break
        # What takes seconds is judged by few readings: the clock is no matter then.
        if turn and sum(sum(found.seconds) for found in reads) > ENOUGH_SECONDS:
            break
        for use, found in zip(uses, reads, strict=True):
            with _knocked(visit, use) as address:
                found.seconds += read(visit, address).seconds
    return page


@contextmanager
def _knocked(visit: Visit, use: Callable[[], AbstractContextManager]) -> Iterator[str]:
    """The page's address in a register; what was made to be shown there is taken back, as in the matrix."""
    with use(), transaction.atomic():
        yield visit.address()
        transaction.set_rollback(True)


def doors() -> list[Row]:
    """The permission matrix's rows that are read."""
    modules = (m.name for m in pkgutil.iter_modules(tests.doors.__path__) if m.name.startswith("rows_"))
    rows = (row for name in modules for row in import_module(f"tests.doors.{name}").ROWS)
    return [row for row in rows if row.method == "get"]


def visits(world: SimpleNamespace, *, few: bool) -> Iterator[Visit]:
    """Each page by somebody of its own site, and by somebody of every site; and what is asked of it.
    ``few``: each page by one person."""
    for row in doors():
        for visitor in list(_who(row))[-1 if few else 0 :]:

            def address(row: Row = row) -> str:
                query = urlencode(row.data(world))
                return reverse(row.name, kwargs=row.kwargs(world)) + (f"?{query}" if query else "")

            yield Visit(row.name, visitor, world.visitors[visitor], address)
    for name, visitor, asked in searches(world):
        yield Visit(
            f"{name}?{'&'.join(asked)}",
            visitor,
            world.visitors[visitor],
            lambda name=name, asked=asked: f"{reverse(name)}?{urlencode(asked)}",
        )


def _who(row: Row) -> Iterator[str]:
    own = [visitor for visitor in OWN if may_open(row, visitor)]
    everywhere = [visitor for visitor in EVERYWHERE if may_open(row, visitor)]
    if row.is_public:
        yield "nobody"
    elif row.name in FOR_EACH_ROLE:
        yield from own + everywhere
    else:
        yield from own[:1] + everywhere[:1]


def searches(world: SimpleNamespace) -> Iterator[tuple[str, str, dict[str, str]]]:
    """Pages that show more when something is asked of them."""
    auditor, trainer, today = "everywhere auditor", "everywhere trainer", date.today()
    moment = f"{today - timedelta(40)}T08:00"
    pair = {"operator": world.operator.number, "machine": world.machine.fleet_number}
    yield "gate", auditor, {**pair, "at": moment}
    yield "record", auditor, {**pair, "at": moment, "known_at": moment}
    for name in ("operator-list", "machine-list", "ticket-list", "check-list", "refusal-list"):
        yield name, auditor, {"q": "Family7"}
        yield name, auditor, {"page": "2"}
    yield "check-list", auditor, {"result": "do_not_use"}
    yield "check-list", auditor, {"first": f"{today - timedelta(30)}", "last": f"{today - timedelta(2)}"}
    yield "check-pick", "operator", {"q": "W-1"}
    yield "defect-list", auditor, {"page": "2"}
    yield "assessment-list", trainer, {"page": "2"}
    yield "sitting-list", trainer, {"page": "2"}
    yield "journal", auditor, {"action": "check.submitted"}
    yield "card-list", trainer, {"q": "Family7"}


def measure_all(
    world: SimpleNamespace, registers: list[Register], *, rounds: int, few: bool, with_plans: bool
) -> list[Page]:
    pages = []
    uses = [register.used for register in registers]
    for visit in visits(world, few=few):
        try:
            page = measure(visit, uses, rounds=rounds, tries=0 if few else ROUNDS_MORE)
        except NoReverseMatch:
            # The matrix's own test says which row has no door.
            print(f"no such door: {visit}", flush=True)
            continue
        if page.misses or page.reads[-1].status >= 400:
            print(page.line(), flush=True)
            if with_plans:
                print(explained(page, registers[-1]), flush=True)
        pages.append(page)
    return pages


def explained(page: Page, register: Register) -> str:
    """The statement on which a page spends most, with the database's plan for it."""
    sql, params, seconds = max(page.reads[-1].statements, key=lambda one: one[2])
    words = "EXPLAIN QUERY PLAN" if connection.vendor == "sqlite" else "EXPLAIN"
    lines = [f"    {seconds * 1e3:.1f} ms of {page.reads[-1].median * 1e3:.1f}: {sql[:1200]}"]
    if sql.lstrip().upper().startswith(("SELECT", "WITH")):
        with register.used(), connection.cursor() as cursor:
            cursor.execute(f"{words} {sql}", params)
            lines += [f"      {row[-1]}" for row in cursor.fetchall()]
    return "\n".join(lines)
