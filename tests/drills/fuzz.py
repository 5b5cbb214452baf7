"""Hostile inputs at every door and every command: ``uv run python -m tests.drills.fuzz --inputs 10000``.

Each input is sent by somebody who may open the door and taken back afterwards. It must not end in an error of
the program, must not come back unescaped, must leave nothing behind when it was refused, and must leave the
journal able to vouch for every row when it was not.
"""

import argparse
import io
import os
import sys
import tempfile
import traceback
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, chdir, contextmanager, redirect_stderr
from dataclasses import dataclass, field
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote, urlencode

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from hypothesis.errors import FlakyFailure

from tests.drills import hostile
from tests.drills.hostile import MARKER, Upload

# Who tried to sign in, and who is, is no record; a code that was refused makes the next wait longer.
APART = ("django_session", "axes_", "otp_", "sqlite_")
# Doors that keep what is whole and show again what is not, and where they keep it: drafts, never records.
KEEPS_WHAT_IS_WHOLE = {"check-zone": {"competence_finding"}}
WRITES = ("INSERT", "UPDATE", "DELETE", "REPLACE")


class Caught(AssertionError):
    """An input that a door does not stand."""


@dataclass(frozen=True)
class Sent:
    """One input as it goes over the wire, and who sends it."""

    visitor: str
    method: str
    path: str
    query: str = ""
    body: bytes = b""
    content_type: str = ""
    headers: tuple[tuple[str, str], ...] = ()
    cookies: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        told = f"{self.visitor}: {self.method} {self.path}"
        told += f"?{self.query[:200]}" if self.query else ""
        if self.body:
            told += f" [{self.content_type}] {self.body[:600]!r}"
        told += "".join(f" {name}={value[:60]!r}" for name, value in (*self.headers, *self.cookies))
        return told


@dataclass
class Door:
    """A row of the permission matrix with its address, and the forms that lead to it."""

    row: Any
    visitors: list[str]
    path: str = ""
    arguments: list[str] = field(default_factory=list)
    asked: list[tuple[str, str]] = field(default_factory=list)
    forms: list[list[tuple[str, str]]] = field(default_factory=list)
    files: list[str] = field(default_factory=list)

    @property
    def name(self) -> str:
        return f"{self.row.name} {self.row.method}"


@dataclass
class Result:
    sent: Counter[str] = field(default_factory=Counter)
    answered: Counter[str] = field(default_factory=Counter)
    caught: dict[str, str] = field(default_factory=dict)


class Forms(HTMLParser):
    """The fields of every form of a page that posts, by its address, with what stands in them."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, list[tuple[str, str]], list[str]]] = []
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        of = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.found.append(
                (of.get("action", "") if of.get("method", "").lower() == "post" else "-", [], [])
            )
        elif not self.found:
            return
        elif tag == "select":
            self._select = of.get("name", "")
        elif tag == "option" and self._select and of.get("value"):
            self._fill(self._select, of["value"])
        elif tag in ("input", "textarea", "button") and of.get("name"):
            if of.get("type") == "file":
                self.found[-1][2].append(of["name"])
            elif of["name"] != "csrfmiddlewaretoken":
                self._fill(of["name"], of.get("value", "on" if of.get("type") == "checkbox" else ""))

    def _fill(self, name: str, value: str) -> None:
        """The first of several choices; what is empty gets a word."""
        fields = self.found[-1][1]
        if name not in dict(fields):
            fields.append((name, value or "1"))


class Drill:
    """A small register with its journal, and every door of it."""

    def __init__(self, world: SimpleNamespace, rows: Sequence[Any], may_open: Callable[..., bool]) -> None:
        from django.test import Client

        self.client, self.world = Client(), world
        self.result, self.forms_at, self.doors = Result(), {}, []
        self.vocabulary = {
            "next",
            "do",
            "q",
            "page",
            "site",
            "category",
            "kind",
            "reason",
            "first",
            "last",
            "at",
        }
        self.pictures, self.workbooks = hostile.pictures(), hostile.workbooks()
        journal_all(world)
        self.problems_before = self._problems()
        for row in rows:
            allowed = [name for name in world.visitors if may_open(row, name)]
            self.doors.append(Door(row, allowed or ["everywhere site_admin"]))
        for door in self.doors:
            with self.before_it(door):
                self._learn(door)
        for door in self.doors:
            known = self.forms_at.get(door.row.name, [])
            door.forms = [fields for fields, _ in known] or [[]]
            door.files = sorted({name for _, files in known for name in files})

    @contextmanager
    def before_it(self, door: Door) -> Iterator[None]:
        """What the door needs stands, and the journal knows of it."""
        from django.urls import reverse

        with self._taken_back():
            arguments = door.row.kwargs(self.world)
            door.path = reverse(door.row.name, kwargs=arguments)
            door.arguments = sorted(quote(str(value), safe="") for value in arguments.values())
            door.asked = [(name, str(value)) for name, value in door.row.data(self.world).items()]
            journal_all(self.world)
            yield

    def _learn(self, door: Door) -> None:
        """What the page asks for, from the page itself."""
        from django.urls import Resolver404, resolve

        with self._taken_back():
            self._as(door.visitors[0])
            answer = self.client.get(door.path)
        if not answer.headers.get("Content-Type", "").startswith("text/html") or answer.streaming:
            return
        page = Forms()
        page.feed(answer.content.decode())
        for action, fields, files in page.found:
            self.vocabulary.update(name for name, _ in fields)
            if action == "-" or not (fields or files):
                continue
            try:
                name = resolve(action.split("?")[0] or door.path).view_name
            except Resolver404:
                continue
            kept = self.forms_at.setdefault(name, [])
            if (fields, files) not in kept and len(kept) < 6:
                kept.append((fields, files))

    def _as(self, visitor: str) -> None:
        from django.conf import settings as django_settings

        self.client.cookies.clear()
        session = self.world.visitors.get(visitor)
        if session:
            self.client.cookies[django_settings.SESSION_COOKIE_NAME] = session

    @contextmanager
    def _taken_back(self) -> Iterator[None]:
        from django.db import transaction

        with transaction.atomic():
            try:
                yield
            finally:
                transaction.set_rollback(True)

    # What is sent.

    def inputs(self, door: Door) -> st.SearchStrategy[Sent]:
        names = sorted(self.vocabulary)

        @st.composite
        def one(draw: Any) -> Sent:
            visitor = draw(st.sampled_from([*door.visitors[:3], "nobody"]))
            path = door.path
            if door.arguments and draw(st.integers(0, 5)) == 5:
                replaced = draw(st.sampled_from(door.arguments))
                text = quote(draw(hostile.texts).encode("utf-8", "surrogatepass"), safe="")
                path = path.replace(replaced, text[:3000], 1)
            pairs = st.tuples(st.sampled_from(names), hostile.texts)
            query = draw(st.lists(pairs, max_size=3 if door.row.method == "get" else 1))
            method = door.row.method.upper()
            if draw(st.integers(0, 19)) == 19:
                method = draw(st.sampled_from(hostile.METHODS))
            content_type, body = (
                draw(self._bodies(door, names)) if method not in ("GET", "HEAD") else ("", b"")
            )
            spelt = urlencode([(name, value.encode("utf-8", "surrogatepass")) for name, value in query])
            return Sent(
                visitor,
                method,
                path,
                spelt + draw(st.sampled_from(("", "", "&a=%ff%00%zz", "&%00=1", "&;&&="))),
                body,
                content_type,
                tuple(draw(st.lists(st.sampled_from(hostile.HEADERS), max_size=1))),
                tuple(draw(st.lists(st.sampled_from(hostile.COOKIES), max_size=1))),
            )

        return one()

    def _bodies(self, door: Door, names: list[str]) -> st.SearchStrategy[tuple[str, bytes]]:
        @st.composite
        def one(draw: Any) -> tuple[str, bytes]:
            fields: list[tuple[str, str | Upload]] = [*draw(st.sampled_from(door.forms)), *door.asked]
            for _ in range(draw(st.integers(0, 3))):
                how = draw(st.sampled_from(("replaced", "replaced", "missing", "doubled", "added")))
                place = draw(st.integers(0, len(fields) - 1)) if fields else None
                if how == "added" or place is None:
                    fields.append((draw(st.sampled_from(names)), draw(hostile.texts)))
                elif how == "missing":
                    del fields[place]
                else:
                    changed = (fields[place][0], draw(hostile.texts))
                    fields[place : place + (how == "replaced")] = [changed]
            kind = draw(st.sampled_from(("form", "form", "files", "files", "json", "raw")))
            if kind == "form":
                spelt = [(name, value.encode("utf-8", "surrogatepass")) for name, value in fields]
                return "application/x-www-form-urlencoded", urlencode(spelt).encode()
            if kind == "files":
                for name in door.files or draw(st.lists(st.sampled_from(names), max_size=1)):
                    seeds = draw(st.sampled_from((self.pictures, self.workbooks, self.bundles)))
                    fields.append((name, draw(hostile.mutated(seeds))))
                return "multipart/form-data; boundary=-fuzz-", hostile.as_multipart(fields)
            if kind == "json":
                said = dict(fields) | {"given": {}, "sent_as": "x", "position": 1, "taps": []}
                chosen = draw(st.sampled_from(sorted(said)))
                value = draw(hostile.values)
                whole = draw(st.sampled_from((said | {chosen: value}, said | {chosen: value}, value)))
                body = draw(st.one_of(st.just(hostile.as_json(whole)), hostile.nested.map(str.encode)))
                return "application/json", body
            return draw(st.sampled_from(hostile.TYPES)), draw(st.binary(max_size=40))

        return one()

    @property
    def bundles(self) -> list[Upload]:
        from tests.drills.fuzz_commands import taken_out

        if not hasattr(self, "_bundles"):
            with self._taken_back():
                self._bundles = taken_out(self.world)
        return self._bundles

    # What must hold.

    def knock(self, door: Door, sent: Sent) -> None:
        """Send one input and take it back. Raises ``Caught``."""
        from django.db import connection

        wrote: list[str] = []

        def watch(execute: Any, sql: str, *rest: Any) -> Any:
            if sql.lstrip()[:7].upper().startswith(WRITES) and not any(apart in sql for apart in APART):
                wrote.append(sql[:120])
            return execute(sql, *rest)

        self.result.sent[door.name] += 1
        with self._taken_back():
            self._as(sent.visitor)
            for name, value in sent.cookies:
                self.client.cookies[name] = value
            with connection.execute_wrapper(watch):
                answer = self._answer(sent)
            self.result.answered[f"{answer.status_code // 100}xx"] += 1
            self._hold(door, sent, answer)
            is_refused = answer.status_code >= 400 or is_shown_again(answer)
            after = self._rows_now() if wrote and is_refused else {}
            if wrote and not is_refused and (new := self._problems() - self.problems_before):
                raise Caught(f"wrote what the journal cannot vouch for: {sorted(new)[:3]}\n  {sent}")
        if after:
            # What was written is taken back by now: the tables stand as they stood before.
            before = self._rows_now()
            changed = {table for table in after if after[table] != before[table]}
            if changed := changed - KEEPS_WHAT_IS_WHOLE.get(door.row.name, set()):
                raise Caught(f"answered {answer.status_code} and changed {sorted(changed)}\n  {sent}")

    def _answer(self, sent: Sent) -> Any:
        headers = dict(sent.headers) | {"QUERY_STRING": sent.query}
        try:
            with redirect_stderr(io.StringIO()):
                answer = self.client.generic(
                    sent.method, sent.path, sent.body, sent.content_type or "text/plain", **headers
                )
                if answer.streaming:
                    answer.kept = b"".join(answer.streaming_content)
                else:
                    answer.kept = answer.content
                return answer
        except Exception as error:
            raise Caught(f"raised {told(error)}\n  {sent}") from None

    def _hold(self, door: Door, sent: Sent, answer: Any) -> None:
        if answer.status_code >= 500 and not (door.row.name == "ready" and answer.status_code == 503):
            raise Caught(f"answered {answer.status_code}\n  {sent}")
        kind = answer.headers.get("Content-Type", "")
        is_drawn = kind.startswith(("text/html", "image/svg", "application/xml", "text/xml"))
        if is_drawn and MARKER.encode() in answer.kept:
            place = answer.kept.index(MARKER.encode())
            around = answer.kept[max(place - 60, 0) : place + 40]
            raise Caught(f"echoed unescaped: {around!r}\n  {sent}")
        if any(MARKER in value or "\n" in value for value in answer.headers.values()):
            raise Caught(f"echoed in a header of the answer\n  {sent}")

    def _rows_now(self) -> dict[str, frozenset[Any]]:
        from django.db import connection

        with connection.cursor() as cursor:
            tables = connection.introspection.table_names(cursor)
            kept = {}
            for table in tables:
                if not table.startswith(APART):
                    cursor.execute(f'SELECT * FROM "{table}"')
                    kept[table] = frozenset(map(repr, cursor.fetchall()))
        return kept

    def _problems(self) -> set[tuple[str, str]]:
        from competence.queries.journal_erasures import explained
        from competence.queries.journal_report import Report
        from competence.queries.journal_rows import compare_rows

        report = Report()
        compare_rows(report, explained(), with_photographs=False)
        return {(problem.kind, problem.subject) for problem in report.problems}


def journal_all(world: SimpleNamespace) -> None:
    """Write into the journal what it does not know, but nothing that is a draft: of that it says nothing."""
    from django.db.models import BooleanField, Value

    from competence.actions.journal import record
    from competence.models import JournalledRow
    from competence.queries.journal_rows import DRAFTS, journalled_models

    known = set(JournalledRow.objects.values_list("kind", "key"))
    for model in journalled_models():
        kind = model._meta.label_lower
        as_draft = DRAFTS.get(kind, Value(False, BooleanField()))
        finished = model._base_manager.annotate(as_draft=as_draft).filter(as_draft=False)
        rows = [row for row in finished if (kind, str(row.pk)) not in known]
        if rows:
            record(by=world.everywhere_site_admin, action="world.made", rows=rows)


def is_shown_again(answer: Any) -> bool:
    """Whether the page that came back shows a form with what is wrong in it."""
    parts = answer.context or []
    shown: list[Any] = []
    for part in parts if isinstance(parts, list) else [parts]:
        for value in part.flatten().values():
            shown += list(value.values()) if isinstance(value, dict) else [value]
    return any(getattr(value, "is_bound", False) and getattr(value, "errors", None) for value in shown)


def told(error: BaseException) -> str:
    frames = [
        frame for frame in traceback.extract_tb(error.__traceback__) if "site-packages" not in frame.filename
    ]
    place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "outside"
    return f"{type(error).__name__} at {place}: {str(error)[:300]}"


def hold_one(
    result: Result,
    name: str,
    inputs: st.SearchStrategy[Any],
    check: Callable[[Any], None],
    *,
    runs: int,
    by: int,
) -> None:
    """So many inputs at one place; the smallest that is caught is kept in the result."""

    @seed(by)
    @settings(
        max_examples=max(runs, 1),
        database=None,
        deadline=None,
        derandomize=False,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
        report_multiple_bugs=False,
        print_blob=False,
    )
    @given(inputs)
    def hold(sent: Any) -> None:
        check(sent)

    try:
        hold()
    except (Caught, FlakyFailure) as caught:
        result.caught[name] = str(caught)
        print(f"CAUGHT at {name}: {caught}\n", flush=True)


def run(drill: Drill, *, inputs: int, by: int, only: str = "") -> Result:
    """Share the inputs out over doors and commands; what asks for more gets more."""
    from tests.drills.fuzz_commands import Commands

    commands = Commands(drill)
    doors = [door for door in drill.doors if only in door.name]
    called = [one for one in commands.all if only in one.name]
    weights = [3 if door.row.method == "post" else 1 for door in doors] + [1 for _ in called]
    share = inputs / max(sum(weights), 1)
    for number, (door, weight) in enumerate(zip(doors, weights, strict=False)):
        with drill.before_it(door):
            hold_one(
                drill.result,
                door.name,
                drill.inputs(door),
                lambda sent, door=door: drill.knock(door, sent),
                runs=share_of(share * weight, number),
                by=by + number,
            )
    for number, one in enumerate(called):
        hold_one(
            drill.result,
            f"command {one.name}",
            commands.inputs(one),
            lambda words, one=one: commands.call(one, words),
            runs=share_of(share, number),
            by=by + number,
        )
    return drill.result


def share_of(exact: float, number: int) -> int:
    """Whole inputs, so that the sum comes out right over many places."""
    return int((number + 1) * exact) - int(number * exact) or 1


def tell(result: Result) -> None:
    rooms: Counter[str] = Counter()
    for name, count in result.sent.items():
        rooms[name] += count
    for name, count in sorted(rooms.items()):
        print(f"{count:6} {name}{'  CAUGHT' if name in result.caught else ''}")
    answers = dict(sorted(result.answered.items()))
    print(f"{sum(rooms.values())} inputs at {len(rooms)} places; answers {answers}")


@contextmanager
def a_register() -> Iterator[Drill]:
    """A world of its own in the test database, taken back at the end."""
    from django.db import transaction
    from django.test import override_settings

    from tests.doors import test_permission_matrix as matrix
    from tests.doors.world import make_world

    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="fuzz-")))
        stack.enter_context(chdir(folder))
        # What is found here is said in one line a place; reading row by row is the business of other tests.
        stack.enter_context(
            override_settings(
                MEDIA_ROOT=folder / "photographs",
                IMPORTS_ROOT=folder / "imports",
                WORKBOOKS_ROOT=folder / "workbooks",
                WORK_ROOT=folder / "at_work",
                ZEAL_RAISE=False,
            )
        )
        stack.enter_context(transaction.atomic())
        world = make_world()
        world.folder = folder
        world.visitors = {name: matrix.session_of(account) for name, account in matrix.visitors(world)}
        try:
            yield Drill(world, matrix.ROWS, matrix.may_open)
        finally:
            transaction.set_rollback(True)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="only doors and commands with this in their name")
    asked = parser.parse_args(arguments)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "tests.settings")
    import logging
    import warnings

    import django

    django.setup()
    from django.test.utils import setup_databases, setup_test_environment, teardown_databases

    logging.disable(logging.CRITICAL)
    warnings.simplefilter("ignore")
    setup_test_environment()
    kept = setup_databases(verbosity=0, interactive=False)
    try:
        with a_register() as drill:
            result = run(drill, inputs=asked.inputs, by=asked.seed, only=asked.only)
    finally:
        teardown_databases(kept, verbosity=0)
    tell(result)
    return 1 if result.caught else 0


if __name__ == "__main__":
    sys.exit(main())
