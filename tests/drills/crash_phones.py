"""The phones of the crash drill: each repeats what was not acknowledged under its id, as the pages do."""

import http.client
import json
import random
import threading
import time
import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from tests.drills.crash_ledger import Ledger

# Django takes the cookie and the header where they agree.
TOKEN = "t" * 32
# A phone waits as long as this for an answer, and a person as long as that between two taps.
TIMEOUT, PAUSE = 20, 0.02
# Longer without any acknowledgement is no crash any more, but a register that is down.
GIVEN_UP = 90
ANSWERS_BEFORE_FINISH = 25
TAPS_BEFORE_FINISH = 40


@dataclass
class Answered:
    status: int
    location: str
    body: bytes

    def json(self) -> Any:
        return json.loads(self.body)


class Refused(Exception):
    """An answer that is neither an acknowledgement nor a failure of the server."""


@dataclass
class Phone:
    plan: dict[str, Any]
    port: int
    ledger: Ledger
    is_over: threading.Event
    seed: int
    # What is open on this phone when the drill ends: its address, and what must be seen there again.
    left_open: str = ""
    chance: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)  # noqa: S311

    def run(self) -> None:
        try:
            while not self.is_over.is_set():
                self.one_round()
        except Exception as error:
            # Without this phone the drill would say nothing of its work.
            self.ledger.refuse(f"{type(error).__name__}: {error}")

    def one_round(self) -> None:
        raise NotImplementedError

    def ask(self, method: str, path: str, body: bytes = b"", kind: str = "") -> Answered:
        """One request. Raises ``OSError`` or ``HTTPException`` where no answer came."""
        headers = {
            "Cookie": f"sessionid={self.plan['session']}; csrftoken={TOKEN}",
            "X-CSRFToken": TOKEN,
            "Accept": "application/json",
        }
        headers |= {"Content-Type": kind} if kind else {}
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=TIMEOUT)
        try:
            line.request(method, path, body or None, headers)
            response = line.getresponse()
            return Answered(response.status, response.getheader("Location", ""), response.read())
        finally:
            line.close()

    def send(
        self, path: str, said: Mapping[str, Any], *, as_json: bool = False, leads_to: str = ""
    ) -> Answered:
        """The same words until they are acknowledged: with 200, or by being led to ``leads_to``."""
        body = (json.dumps(said) if as_json else urlencode(said)).encode()
        kind = "application/json" if as_json else "application/x-www-form-urlencoded"
        began = time.monotonic()
        for turn in range(1_000_000):
            if turn:
                self.ledger.repeat()
                time.sleep(0.2)
            if time.monotonic() - began > GIVEN_UP:
                raise Refused(f"{path}: not acknowledged for {GIVEN_UP} seconds")
            try:
                answer = self.ask("POST", path, body, kind)
            except (OSError, http.client.HTTPException):
                continue
            if answer.status >= 500:
                continue
            if (answer.status == 302 and answer.location == leads_to) if leads_to else answer.status == 200:
                time.sleep(self.chance.random() * 2 * PAUSE)
                return answer
            raise Refused(f"{path}: {answer.status} {answer.location} {answer.body[:300]!r}")
        raise AssertionError

    def id(self) -> str:
        return str(uuid.UUID(int=self.chance.getrandbits(128), version=4))

    def sees_again(self) -> list[str]:
        """What of the work left open is not shown any more; asked when everything is quiet."""
        raise NotImplementedError


class Checking(Phone):
    """Daily checks, one after another: started, answered point by point (some twice), handed in."""

    handed_in = 0

    def one_round(self) -> None:
        check = self.id()
        page = f"/checks/{check}/"
        self.send(f"/machines/{self.plan['machine']}/check/", {"check_id": check}, leads_to=page)
        self.ledger.note("check", check, self.plan["machine"])
        self.left_open = page
        for listed in self.plan["listed"]:
            for _ in range(2 if self.chance.random() < 0.2 else 1):
                self._answer(check, listed)
        if self.is_over.is_set():
            return
        hours = f"{1200 + self.handed_in % 10_000 / 10_000:.1f}"
        said = {"refusal_id": self.id(), "hour_meter": hours, "hour_meter_note": "Read twice."}
        self.send(f"{page}finish/", said, leads_to=f"{page}result/")
        self.ledger.note("submission", check, hours)
        self.left_open, self.handed_in = "", self.handed_in + 1

    def _answer(self, check: str, listed: int) -> None:
        answer = self.chance.choices(("good", "defect", "not_reached"), (6, 1, 1))[0]
        words = self.id() if answer != "good" else ""
        said = {f"answer-{listed}": answer}
        if answer == "defect":
            said |= {f"grade-{listed}": "report", f"note-{listed}": words}
        elif answer == "not_reached":
            said |= {f"reason-{listed}": words}
        self.send(f"/checks/{check}/points/{listed}/", said)
        self.ledger.note("finding", f"{check}/{listed}", [answer, words])

    def sees_again(self) -> list[str]:
        if not self.left_open:
            return []
        first = self.ask("GET", self.left_open)
        if first.status != 200:
            return [f"the open check {self.left_open} answers {first.status}"]
        pages = b"".join(self.ask("GET", f"{self.left_open}zones/{zone}/").body for zone in (1, 2, 3))
        check = self.left_open.split("/")[2]
        wanted = {key: said for key, said in self.ledger.kept["finding"].items() if key.startswith(check)}
        return [
            f"finding {key} is not on its page"
            for key, (_, words) in wanted.items()
            if words.encode() not in pages
        ]


class Marking(Phone):
    """Marks of a walk-around, one or several at a time, in assessments that are finished after a while."""

    def one_round(self) -> None:
        assessment = self.id()
        page = f"/assessments/{assessment}/"
        said = {
            "operator": self.plan["operator"],
            "machine": self.plan["machine"],
            "assessment_id": assessment,
        }
        self.send("/assessments/start/", said, leads_to=page)
        self.ledger.note("assessment", assessment, self.plan["machine"])
        self.left_open, taps = page, 0
        todo = list(self.plan["listed"])
        while not self.is_over.is_set() and (todo or taps < TAPS_BEFORE_FINISH):
            points = [todo.pop() if todo else self.chance.choice(self.plan["listed"])]
            if self.chance.random() < 0.2:
                points.append(self.chance.choice(self.plan["listed"]))
            self._tap(assessment, points)
            taps += len(points)
        if self.is_over.is_set():
            return
        self.send(f"{page}finish/", {}, leads_to=f"{page}confirm/")
        self.ledger.note("assessment_finish", assessment, taps)
        self.left_open = ""

    def _tap(self, assessment: str, points: list[int]) -> None:
        marks = [
            {
                "point": point,
                "mark": self.chance.choice(("unprompted", "prompted", "missed")),
                "sent_as": self.id(),
                "tapped_at": "",
            }
            for point in points
        ]
        path = f"/assessments/{assessment}/marks/"
        self.send(path, {"device": f"phone-{self.seed}", "marks": marks}, as_json=True)
        for mark in marks:
            self.ledger.note("tap", mark["sent_as"], [assessment, mark["point"], mark["mark"]])

    def sees_again(self) -> list[str]:
        if not self.left_open:
            return []
        assessment = self.left_open.split("/")[2]
        shown = self.ask("GET", f"{self.left_open}marks/").json()["marks"]
        last = {point: mark for of, point, mark in self.ledger.kept["tap"].values() if of == assessment}
        return [
            f"the mark at point {point} of assessment {assessment} is not shown"
            for point, mark in last.items()
            if shown.get(str(point), {}).get("mark") != mark
        ]


class Answering(Phone):
    """Refreshers: begun, their questions answered again and again, finished."""

    def one_round(self) -> None:
        sitting = self.id()
        page = f"/sittings/{sitting}/"
        self.send("/refreshers/", {"sitting_id": sitting}, leads_to=page)
        self.ledger.note("sitting", sitting, "")
        self.left_open, count = page, 5
        for given in range(ANSWERS_BEFORE_FINISH):
            if self.is_over.is_set():
                return
            count = self._answer(sitting, given % count + 1)
        self.send(f"{page}finish/", {}, leads_to=f"{page}record/")
        self.ledger.note("sitting_finish", sitting, ANSWERS_BEFORE_FINISH)
        self.left_open = ""

    def _answer(self, sitting: str, position: int) -> int:
        sent_as, choice = self.id(), self.chance.choice((0, 0, 0, 1))
        said = {"position": position, "given": {"choice": choice}, "sent_as": sent_as, "seconds": 3}
        answer = self.send(f"/sittings/{sitting}/answers/", said, as_json=True)
        self.ledger.note("answer", sent_as, [sitting, position, choice])
        return answer.json()["count"]

    def sees_again(self) -> list[str]:
        if not self.left_open:
            return []
        sitting = self.left_open.split("/")[2]
        shown = self.ask("GET", f"{self.left_open}answers/").json()["answers"]
        last = {at: sent_as for sent_as, (of, at, _) in self.ledger.kept["answer"].items() if of == sitting}
        return [
            f"answer {sent_as} to question {at} of sitting {sitting} is not shown"
            for at, sent_as in last.items()
            if shown.get(str(at), {}).get("sent_as") != sent_as
        ]


WORK = {"checks": Checking, "marks": Marking, "answers": Answering}


def phones(plan: dict[str, list[dict[str, Any]]], port: int, ledger: Ledger, seed: int) -> list[Phone]:
    is_over = threading.Event()
    return [
        WORK[kind](one, port, ledger, is_over, seed * 1000 + number * 10 + place)
        for place, (kind, ones) in enumerate(sorted(plan.items()))
        for number, one in enumerate(ones)
    ]
