"""What is tried on two hosts at once. Each step gives a sentence with its figures, or raises ``Seen``."""

import io
import re
import threading
import time
import uuid
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from email import message_from_bytes
from itertools import pairwise
from pathlib import Path

from django.db import connection
from django_otp.oath import TOTP
from PIL import Image

from competence.models import DailyCheck, JournalEntry, JournalledRow
from tests.drills.browser import Answer, Browser, Unreached
from tests.drills.hosts_register import SECRET, Crew, Register, spreadsheet
from tests.drills.rig import Rig, told, wait_until

A, B = "a", "b"


class Seen(Exception):
    """The drill saw something that must not be; the text names it."""


def must(holds: object, what: str) -> None:
    if not holds:
        raise Seen(what)


@dataclass
class Drill:
    rig: Rig
    register: Register
    # How long hosts work before and after one of them is cut off, in seconds.
    load_seconds: float = 6
    browsers: dict[str, Browser] = field(default_factory=dict)

    def signed_in(self, username: str, host: str = A) -> Browser:
        """A browser that signed in once, on one host; the second factor given where there is one."""
        if username not in self.browsers:
            browser = self.browsers[username] = Browser()
            answer = browser.sign_in(host, username, self.register.password)
            must(answer.status == 302, f"{username} could not sign in on {host}: {answer.status}")
            if username == "admin":
                answer = browser.post(host, "/second-factor/", {"code": code_now()})
                must(answer.status == 302, f"the code of {username} was not taken: {answer.status}")
        return self.browsers[username]


def code_now() -> str:
    return f"{TOTP(bytes.fromhex(SECRET)).token():06}"


def page(answer: Answer, what: str, status: int = 200) -> Answer:
    must(answer.status == status, f"{what}: answered {answer.status} {answer.location}, not {status}")
    return answer


# One register, whichever host is asked ------------------------------------------------------------------


def ready(drill: Drill) -> str:
    """Both may be sent work, by their own word."""
    browser = Browser()
    for host in (A, B):
        answer = browser.get(host, "/ready/")
        must(answer.status == 200, f"host {host} is not ready: {answer.text[:200]}")
    return "both hosts say 200"


def session(drill: Drill) -> str:
    """Signed in on one host, known on the other; signed out there, unknown on both."""
    browser = Browser()
    page(browser.sign_in(A, "auditor", drill.register.password), "signing in on a", 302)
    page(browser.get(B, "/journal/"), "the session of a on b")
    page(browser.post(B, "/sign-out/", {}), "signing out on b", 302)
    must("/sign-in/" in browser.get(A, "/journal/").location, "signed out on b, and still signed in on a")
    return "made on a, used and ended on b"


def photograph(drill: Drill) -> str:
    """A defect's photograph that was sent to one host is read on the other."""
    crew = drill.register.crews[0]
    browser, check_id = drill.signed_in(crew.username), uuid.uuid4()
    start = f"/machines/{crew.machine.fleet_number}/check/"
    page(browser.post(A, start, {"check_id": check_id}), "starting a check on a", 302)
    place = crew.listed[1].pk
    typed = {f"answer-{place}": "defect", f"grade-{place}": "report", f"note-{place}": "Drip under the pump"}
    sent = (f"photo-{place}", "drip.jpg", _picture())
    kept = page(browser.post(B, f"/checks/{check_id}/points/{place}/", typed, sent), "a photograph sent to b")
    address = re.search(rb'"photograph": "([^"]+)"', kept.body)
    must(address, "b kept no photograph")
    got = page(browser.get(A, address[1].decode()), "the photograph of b read on a")
    must(got.body.startswith(b"\xff\xd8\xff"), "what a gives is no JPEG")
    browser.post(A, f"/checks/{check_id}/set-aside/", {"reason": "Another machine today"})
    return f"{len(got.body):,} bytes sent to b, read on a"


def _picture() -> bytes:
    file = io.BytesIO()
    Image.effect_noise((600, 400), 60).convert("RGB").save(file, "JPEG")
    return file.getvalue()


def journal(drill: Drill) -> str:
    """Checks submitted on both hosts at once, sealed by both: one journal, which verifies."""
    work = Load(drill, cycles=3)
    work.run()
    must(not work.wrong, f"while both worked: {work.wrong[:3]}")
    ends = [drill.rig.manage(host, "journal", "seal") for host in (A, B)]
    outputs = [end.communicate(timeout=60)[0] for end in ends]
    must(all(end.returncode == 0 for end in ends), f"sealing on both at once: {[told(o) for o in outputs]}")
    verifying = drill.rig.manage(B, "journal", "verify")
    output = verifying.communicate(timeout=120)[0]
    must(verifying.returncode == 0, f"the journal does not verify: {output[-300:]}")
    # Heads signed with two keys do not make one journal, whoever verifies it.
    with connection.cursor() as cursor:
        cursor.execute("SELECT COUNT(DISTINCT public_key), COUNT(*) FROM competence_checkpoint")
        keys, heads = cursor.fetchone()
    must(keys == 1, f"the journal's heads are signed with {keys} different keys")
    return f"{len(work.acknowledged)} checks on both at once, {heads} signed heads, verified"


def digest(drill: Drill) -> str:
    """Two schedulers that run at the same moment send each mail once."""
    folder = drill.rig.folder / "mail"
    runs = [drill.rig.manage(host, "digest") for host in (A, B)]
    outputs = [run.communicate(timeout=120)[0] for run in runs]
    must(all(run.returncode == 0 for run in runs), f"digest: {[told(o) for o in outputs]}")
    mails = [mail for path in folder.glob("*.log") for mail in _mails_in(path)]
    must(mails, f"nobody was mailed: {[told(o) for o in outputs]}")
    twice = {to: count for to, count in Counter(mails).items() if count > 1}
    must(not twice, f"mailed more than once: {twice}")
    return f"{len(mails)} mails to {len(set(mails))} people; the runs say: {' | '.join(map(told, outputs))}"


def _mails_in(path: Path) -> list[str]:
    divided = path.read_bytes().split(b"\n" + b"-" * 79 + b"\n")
    return [message_from_bytes(part.lstrip())["To"] for part in divided if part.strip()]


# Long work: asked of one, fetched from the other --------------------------------------------------------


def workbook(drill: Drill) -> str:
    auditor = Browser()
    page(auditor.sign_in(A, "auditor", drill.register.password), "signing in", 302)
    asked = page(auditor.post(A, "/workbook/", {}), "asking for a workbook on a", 302)
    took = wait_until(
        lambda: auditor.get(B, f"{asked.path}file/").status == 200 or _failed(auditor.get(B, asked.path)),
        120,
        "the workbook on b",
    )
    got = page(auditor.get(B, f"{asked.path}file/"), "the workbook fetched from b")
    must(got.body[:2] == b"PK", "what b gives is no workbook")
    return f"asked of a, {len(got.body):,} bytes from b after {took:.1f} s"


def _failed(answer: Answer) -> bool:
    must(
        not re.search(r"did not finish|has died|was lost|could not be written", answer.text),
        "b says that the work of a is lost, while it is at work or done",
    )
    return False


def plan(drill: Drill) -> str:
    browser = drill.signed_in("admin")
    first = date.today() + timedelta(days=1)
    typed = {
        "sites": drill.register.site_code,
        "first": first.isoformat(),
        "last": (first + timedelta(days=50)).isoformat(),
        "capacity": "4",
        "seconds": "15",
    }
    asked = page(browser.post(A, "/plans/", typed), "asking for a plan on a", 302)

    def is_done() -> bool:
        with connection.cursor() as cursor:
            cursor.execute(
                "SELECT status FROM assessments_plan WHERE id = %s", [int(asked.path.split("/")[2])]
            )
            status = cursor.fetchone()[0]
        shown = page(browser.get(B, asked.path), "the plan of a on b")
        must("not heard of" not in shown.text and "has died" not in shown.text, "b calls the plan of a lost")
        return status != "running"

    took = wait_until(is_done, 120, "the plan")
    shown = page(browser.get(B, asked.path), "the finished plan on b")
    must("OP" in shown.text or "Pat" in shown.text, "b shows an empty plan")
    return f"asked of a, seen on b, finished after {took:.1f} s"


def importing(drill: Drill) -> str:
    """A spreadsheet sent to one host, held against the register from the other, its file fetched again."""
    browser = drill.signed_in("admin")
    sent = page(
        browser.post(A, "/imports/", {}, ("file", "old.csv", spreadsheet())), "sending a list to a", 302
    )
    draft = sent.path.split("/")[2]
    page(browser.get(B, f"/imports/{draft}/columns/"), "the columns of the list on b")
    page(browser.post(B, f"/imports/{draft}/work-out/", {}), "working it out from b", 302)
    try:
        took = wait_until(
            lambda: browser.get(A, f"/imports/{draft}/to-correct/").status == 200, 120, "the list on a"
        )
    except TimeoutError as late:
        raise Seen(f"{late}; b says: {_words(browser.get(B, f'/imports/{draft}/'))}") from late
    got = browser.get(A, f"/imports/{draft}/to-correct/")
    must(got.body[:2] == b"PK", "what a gives is no workbook")
    return f"sent to a, worked out from b in {took:.1f} s, {len(got.body):,} bytes fetched from a"


def _words(answer: Answer) -> str:
    """What the middle of a page says, without its marks."""
    middle = answer.text.partition("<main")[2].partition("</main>")[0]
    return f"{answer.status} {' '.join(re.sub(r'<[^>]*>', ' ', middle).split())[:400]}"


# What is counted is counted once ------------------------------------------------------------------------


def calendar(drill: Drill) -> str:
    browser, nobody = drill.signed_in("op-1"), Browser()
    made = page(browser.post(A, "/calendar/", {"do": "make"}), "making an address on a")
    address = re.search(rf"https://{re.escape('register.example')}(/calendar/[^\"<\s]+\.ics)", made.text)
    must(address, "a shows no address of the calendar")
    got = page(nobody.get(B, address[1]), "the calendar read on b")
    must(got.text.startswith("BEGIN:VCALENDAR"), "what b gives is no calendar")
    page(browser.post(B, "/calendar/", {"do": "remove"}), "removing the address on b", 302)
    page(nobody.get(A, address[1]), "the removed address on a", 404)
    return "made on a, read and removed on b, gone on a"


def second_factor(drill: Drill) -> str:
    """Given on one host it counts on the other, once; wrong codes on one make the other wait too."""
    browser, again = Browser(), Browser()
    for one in (browser, again):
        page(one.sign_in(A, "trainer", drill.register.password), "signing in", 302)
    must("/second-factor/" in browser.get(B, "/operators/").location, "b asks for no code")
    code = code_now()
    page(browser.post(B, "/second-factor/", {"code": code}), "a code given on b", 302)
    page(browser.get(A, "/operators/"), "the code of b on a")
    page(again.post(A, "/second-factor/", {"code": code}), "the same code a second time, on a", 403)
    other = Browser()
    page(other.sign_in(A, "other", drill.register.password), "signing in", 302)
    good = code_now()
    wrong = "000000" if good != "000000" else "111111"
    for _ in range(3):
        other.post(A, "/second-factor/", {"code": wrong})
    page(
        other.post(B, "/second-factor/", {"code": code_now()}), "a right code on b just after wrong ones", 403
    )
    return "a code counts on both hosts and once; wrong ones on a make b wait"


def throttle(drill: Drill) -> str:
    """Eight wrong passwords, four to each host: then the right one waits too, on both."""
    browser, name = Browser(seen_as="192.0.2.99"), "op-2"
    for turn in range(8):
        browser.sign_in((A, B)[turn % 2], name, "not the password")
    for host in (A, B):
        answer = browser.sign_in(host, name, drill.register.password)
        must(
            answer.status != 302,
            f"after four wrong passwords on each host, {host} lets in: the throttle is not shared",
        )
    elsewhere = Browser(seen_as="192.0.2.100").sign_in(A, name, drill.register.password)
    page(elsewhere, "the same person from elsewhere", 302)
    return "four wrong on each host close both; from another address it stays open"


# One of them goes ---------------------------------------------------------------------------------------


@dataclass
class Load:
    """Every crew checks its machine again and again. A check keeps its ids until it is acknowledged, by
    whichever host answers."""

    drill: Drill
    cycles: int = 10_000
    seconds: float = 300
    acknowledged: dict[uuid.UUID, Crew] = field(default_factory=dict)
    at: list[tuple[float, str]] = field(default_factory=list)
    moved: int = 0
    wrong: list[str] = field(default_factory=list)
    ends_at: float = 0.0
    _stop: threading.Event = field(default_factory=threading.Event)
    _threads: list[threading.Thread] = field(default_factory=list)

    def begin(self) -> None:
        for number, crew in enumerate(self.drill.register.crews):
            self.drill.signed_in(crew.username)
            self._threads.append(threading.Thread(target=self._work, args=(number, crew), daemon=True))
        for thread in self._threads:
            thread.start()

    def end(self) -> None:
        self._stop.set()
        for thread in self._threads:
            thread.join(self.seconds)
        if any(thread.is_alive() for thread in self._threads):
            self.wrong.append("a check was not acknowledged by anybody")

    def run(self) -> None:
        self.begin()
        for thread in self._threads:
            thread.join(self.seconds)
        self.end()

    def _work(self, number: int, crew: Crew) -> None:
        own = Browser(seconds=4, cookies=dict(self.drill.browsers[crew.username].cookies))
        hosts = [(A, B), (B, A)][number % 2]
        for _ in range(self.cycles):
            if self._stop.is_set():
                return
            try:
                self._one_check(own, crew, hosts)
            except Exception as error:
                self.wrong.append(f"{crew.username}: {error}")
                return

    def _one_check(self, own: Browser, crew: Crew, hosts: tuple[str, str]) -> None:
        check_id, refusal_id, began = uuid.uuid4(), uuid.uuid4(), time.monotonic()
        crew.hours += 1
        for turn in range(1000):
            host = hosts[turn % 2]
            if time.monotonic() - began > 90:
                raise Seen("no host took the check for 90 s")
            try:
                self._try(own, crew, host, check_id, refusal_id)
            except Unreached:
                self.moved += 1
                time.sleep(0.2)
                continue
            self.acknowledged[check_id] = crew
            self.at.append((time.monotonic(), host))
            return

    def _try(self, own: Browser, crew: Crew, host: str, check_id: uuid.UUID, refusal_id: uuid.UUID) -> None:
        started = own.post(host, f"/machines/{crew.machine.fleet_number}/check/", {"check_id": check_id})
        self._taken(started, 302)
        must(f"/checks/{check_id}/" in started.location, f"starting led to {started.location}")
        if "result" not in started.location:
            for listed in crew.listed:
                tapped = own.post(
                    host, f"/checks/{check_id}/points/{listed.pk}/", {f"answer-{listed.pk}": "good"}
                )
                if tapped.status == 409:
                    # It was submitted already; the answer to that was lost on the way.
                    break
                self._taken(tapped, 200)
        typed = {"hour_meter": str(crew.hours), "refusal_id": refusal_id}
        ended = own.post(host, f"/checks/{check_id}/finish/", typed)
        self._taken(ended, 302)
        must(ended.location.endswith(f"/checks/{check_id}/result/"), f"finishing led to {ended.location}")

    @staticmethod
    def _taken(answer: Answer, status: int) -> None:
        if answer.status >= 500:
            raise Unreached(f"answered {answer.status}")
        must(answer.status == status, f"answered {answer.status}, not {status}: {answer.text[:200]}")

    def longest_gap(self, host: str | None = None) -> float:
        moments = sorted(at for at, by in self.at if host in (None, by))
        return max((later - earlier for earlier, later in pairwise(moments)), default=0.0)

    def count_after(self, moment: float, host: str) -> int:
        return sum(1 for at, by in self.at if by == host and at > moment)


def _nothing_lost_or_doubled(load: Load) -> None:
    """Every acknowledged check is there once, whole, and journalled once; and none is there beside them."""
    must(not load.wrong, f"while one was cut off: {load.wrong[:3]}")
    kept = DailyCheck.objects.in_bulk(list(load.acknowledged))
    lost = [str(pk) for pk in load.acknowledged if pk not in kept or kept[pk].status != "submitted"]
    must(not lost, f"acknowledged and not kept: {lost[:3]}")
    for pk, crew in load.acknowledged.items():
        count = kept[pk].findings.count()
        must(count == len(crew.listed), f"check {pk} has {count} findings, not {len(crew.listed)}")
    entries = Counter(
        JournalledRow.objects.filter(
            kind="competence.dailycheck",
            key__in=[str(pk) for pk in load.acknowledged],
            entry__in=JournalEntry.objects.filter(action="check.submitted").values("pk"),
        ).values_list("key", flat=True)
    )
    wrong = {key: n for key, n in entries.items() if n != 1}
    must(len(entries) == len(load.acknowledged) and not wrong, f"journalled not once: {wrong}")
    readings = [(check.machine_id, check.hour_meter) for check in kept.values()]
    must(len(set(readings)) == len(readings), "one reading of an hour meter was kept by two checks")


def cut_off(drill: Drill) -> str:
    """A host's cable is pulled in the middle of the work, and put back."""
    load = Load(drill)
    load.begin()
    time.sleep(drill.load_seconds / 2)
    drill.rig.pull_cable(A)
    pulled = time.monotonic()
    try:
        # Twice the time after which the database gives up who is silent, with the locks it held.
        wait_until(lambda: load.count_after(pulled + 1, B) >= len(drill.register.crews), 40, "b took over")
        took_over = time.monotonic() - pulled
        time.sleep(drill.load_seconds / 2)
    finally:
        drill.rig.plug_in(A)
    back = time.monotonic()
    try:
        wait_until(lambda: load.count_after(back, A) > 0, 40, "a joined again")
    finally:
        load.end()
    _nothing_lost_or_doubled(load)
    again = min(at for at, by in load.at if by == A and at > back) - back
    return (
        f"{len(load.acknowledged)} checks acknowledged, {load.moved} tries moved to the other host, every "
        f"crew served by b {took_over:.1f} s after the cut, longest silence {load.longest_gap():.1f} s, a "
        f"again after {again:.1f} s; none lost, none doubled"
    )


def database_cut_off(drill: Drill) -> str:
    """One host no longer reaches the database: it says so, and is well again by itself."""
    browser, nobody = drill.signed_in("op-3"), Browser()
    drill.rig.part(A, "db")
    try:
        # A proxy that asks with a limit of two seconds sends nothing here from the first time on.
        page(Browser(seconds=29).get(A, "/ready/"), "/ready/ of a without its database", 503)
        took = wait_until(lambda: _status(nobody, A, "/ready/") == 503, 40, "/ready/ of a says 503")
        shown = Browser(seconds=29, cookies=dict(browser.cookies)).get(A, "/my/")
        must(shown.status == 503, f"a page of a without its database answers {shown.status}, not 503")
        must(
            "Traceback" not in shown.text and "OperationalError" not in shown.text, "a page tells of the code"
        )
        must("<h1" in shown.text, f"a page without the database has no sentence: {shown.text[:200]}")
        page(browser.get(B, "/my/"), "b meanwhile")
        page(nobody.get(B, "/ready/"), "b meanwhile")
    finally:
        drill.rig.rejoin(A, "db")
    back = wait_until(lambda: _status(nobody, A, "/ready/") == 200, 40, "a is well again")
    page(browser.get(A, "/my/"), "the page of a afterwards")
    sentence = re.search(r"<h1[^>]*>(.*?)</h1>", shown.text, re.S)
    return (
        f"/ready/ says 503 after {took:.1f} s and 200 {back:.1f} s after the database is back; pages say "
        f"“{sentence[1].strip() if sentence else ''}” meanwhile; b goes on"
    )


def _status(browser: Browser, host: str, path: str) -> int:
    try:
        return browser.get(host, path).status
    except Unreached:
        return 0


def replica(drill: Drill) -> str:
    """A page that may reads the copy and says as of when; without the copy it reads the database itself."""
    reader = Browser()
    page(reader.sign_in(B, "auditor", drill.register.password), "signing in", 302)
    reader.cookies.pop("wrote", None)

    def as_of() -> str:
        shown = page(reader.get(B, "/cover/"), "a page that may read the copy")
        found = re.search(r"As of (\d\d:\d\d:\d\d)", shown.text)
        return found[1] if found else ""

    first = wait_until(as_of, 40, "a page read from the copy")
    moment = as_of()
    page(reader.post(B, "/theme/", {"theme": "dark", "next": "/"}), "choosing a theme", 302)
    must(not as_of(), "just after one's own change the page still reads the copy")
    reader.cookies.pop("wrote", None)
    drill.rig.pull_cable("standby")
    try:
        began = time.monotonic()
        wait_until(lambda: not as_of(), 25, "the page reads the database itself while the copy is away")
        without = time.monotonic() - began
        slowest = 0.0
        for _ in range(8):
            began = time.monotonic()
            as_of()
            slowest = max(slowest, time.monotonic() - began)
    finally:
        drill.rig.plug_in("standby")
    back = wait_until(as_of, 60, "a page read from the copy again")
    return (
        f"as of {moment} after {first:.1f} s; {without:.1f} s after the copy is cut off from the database "
        f"itself, slowest page then {slowest:.1f} s; from the copy again {back:.1f} s after it is back"
    )


def stale_replica(drill: Drill) -> str:
    """A copy that answers and is no longer fed is not read once it is too old."""
    reader = Browser()
    page(reader.sign_in(B, "auditor", drill.register.password), "signing in", 302)
    reader.cookies.pop("wrote", None)

    def says() -> bool:
        return "As of" in page(reader.get(B, "/cover/"), "a page that may read the copy").text

    wait_until(says, 60, "a page read from the copy")
    drill.rig.part("standby", "db")
    try:
        # Signing in writes, so the database goes on while its copy does not.
        writer = Browser()
        writer.sign_in(A, "auditor", drill.register.password)
        took = wait_until(lambda: not says(), 40, "a copy too old is left")
    finally:
        drill.rig.rejoin("standby", "db")
    return f"a copy that was no longer fed was left after {took:.1f} s (10 s is the limit that is set)"


def everything_verifies(drill: Drill) -> str:
    """After all of it, one journal without a flaw."""
    for act in ("seal", "verify"):
        doing = drill.rig.manage(A, "journal", act)
        output = doing.communicate(timeout=120)[0]
        must(doing.returncode == 0, f"journal {act}: {output[-300:]}")
    return told(output)


Step = Callable[[Drill], str]
SHORT: tuple[Step, ...] = (ready, session, photograph, throttle, journal, cut_off, everything_verifies)
ALL: tuple[Step, ...] = (
    ready,
    session,
    photograph,
    calendar,
    second_factor,
    throttle,
    journal,
    digest,
    workbook,
    plan,
    importing,
    replica,
    stale_replica,
    cut_off,
    database_cut_off,
    everything_verifies,
)
