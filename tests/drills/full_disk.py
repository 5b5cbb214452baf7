"""A full disk: the register's folder on a disk of 12 MB that fills up under its hands, with SQLite.

    uv run python -m tests.drills.full_disk

Needs root and “mount”. Marks are sent until the register says that it has no room. Each refusal must be in
words; nothing may be there that was said not to be; what was acknowledged must be; and with room again the
same marks are taken. Then the disk takes no writing at all, and afterwards writing again. Exit: 0 all so, 1
something is not, 2 could not run.
"""

import json
import shutil
import subprocess
import sys
import tempfile
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.drills.crash_host import CannotRun, Register
from tests.drills.crash_ledger import Ledger
from tests.drills.crash_phones import Answered, Marking

MEGABYTE = 1024 * 1024
DISK = 12 * MEGABYTE
# What is left to the register beside its own files before it is to run out.
LEFT = 300 * 1024
MOST_MARKS = 4000
ALL_SO, WRONG, COULD_NOT_RUN = 0, 1, 2


@contextmanager
def small_disk(folder: Path) -> Iterator[None]:
    folder.mkdir(exist_ok=True)
    way = ["mount", "-t", "tmpfs", "-o", f"size={DISK}", "register-drill", str(folder)]
    try:
        done = subprocess.run(way, capture_output=True, text=True)
    except OSError as missing:
        raise CannotRun(f"no small disk could be made: {missing}") from missing
    if done.returncode:
        raise CannotRun(f"no small disk could be made: {done.stderr.strip()}")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=False)


class Tapping:
    """One assessor's phone, which sends each mark once and notes what it is told."""

    def __init__(self, phone: Marking) -> None:
        self.phone = phone
        self.assessment = str(uuid.uuid4())
        self.wrong: list[str] = []
        self.not_kept: dict[str, dict] = {}
        self.not_certain: dict[str, dict] = {}
        said = {name: phone.plan[name] for name in ("operator", "machine")}
        page = f"/assessments/{self.assessment}/"
        phone.send("/assessments/start/", said | {"assessment_id": self.assessment}, leads_to=page)
        phone.ledger.note("assessment", self.assessment, phone.plan["machine"])

    def new_mark(self) -> dict:
        point = self.phone.chance.choice(self.phone.plan["listed"])
        return {"point": point, "mark": "prompted", "sent_as": self.phone.id(), "tapped_at": ""}

    def send(self, mark: dict) -> int:
        body = json.dumps({"device": "phone", "marks": [mark]}).encode()
        path = f"/assessments/{self.assessment}/marks/"
        answer = self.phone.ask("POST", path, body, "application/json")
        key = mark["sent_as"]
        if answer.status == 200:
            self.phone.ledger.note("tap", key, [self.assessment, mark["point"], mark["mark"]])
            self.not_kept.pop(key, None)
            self.not_certain.pop(key, None)
        else:
            self._read(answer, mark)
        return answer.status

    def _read(self, answer: Answered, mark: dict) -> None:
        sentence = ""
        if answer.body.startswith(b"{"):
            sentence = answer.json().get("sentence", "")
        if answer.status != 503 or not sentence:
            self.wrong.append(f"a mark was answered with {answer.status}: {answer.body[:200]!r}")
        where = self.not_kept if "Nothing was kept;" in sentence else self.not_certain
        where[mark["sent_as"]] = mark


def drill(folder: Path) -> int:
    register, data = Register(folder), folder / "data"
    with small_disk(data):
        try:
            made = register.python("-m", "tests.drills.crash_seed", str(folder / "plan.json"), "1")
            if made.returncode:
                raise CannotRun(f"the register could not be filled: {made.stderr[-2000:]}")
            return _drill(register, data)
        finally:
            register.kill_all()


def _drill(register: Register, data: Path) -> int:
    plan = json.loads((register.folder / "plan.json").read_text())["marks"][0]
    ledger = Ledger()
    phone = Marking(plan, register.port, ledger, threading.Event(), seed=1)
    register.start()
    tapping = Tapping(phone)
    ballast = data / "ballast"
    ballast.write_bytes(b"\0" * max(0, shutil.disk_usage(data).free - LEFT))
    sent = _until_full(tapping)
    refused = list(tapping.not_kept.values()) + list(tapping.not_certain.values())
    if not refused:
        tapping.wrong.append(f"{sent} marks were taken and the disk never filled")
    looked = phone.ask("GET", f"/assessments/{tapping.assessment}/")
    page = phone.ask("POST", "/theme/", b"theme=dark", "application/x-www-form-urlencoded")
    told = f"{sent} marks sent; {len(tapping.not_kept)} said not kept, {len(tapping.not_certain)} uncertain"
    there = _taps(register)
    tapping.wrong += [f"said not kept, and is there: {key}" for key in tapping.not_kept if key in there]
    ballast.unlink()
    tapping.wrong += [f"refused with room again: {mark}" for mark in refused if tapping.send(mark) != 200]
    print(f"{told}; looking meanwhile {looked.status}, another form {page.status}")
    tapping.wrong += _while_read_only(register, tapping, data)
    register.stop()
    ledger.write(register.folder / "ledger.json")
    found = register.python("-m", "tests.drills.crash_kept", str(register.folder / "ledger.json"))
    tapping.wrong += json.loads(found.stdout) if found.returncode == 0 else [found.stderr[-2000:]]
    verified = register.manage("journal", "verify")
    tapping.wrong += [verified.stdout[-2000:]] if verified.returncode else []
    for sentence in tapping.wrong[:20]:
        print(f"- {sentence}")
    print(
        f"{len(tapping.wrong)} amiss." if tapping.wrong else "Clean refusals, nothing by halves, works again."
    )
    return WRONG if tapping.wrong else ALL_SO


def _until_full(tapping: Tapping) -> int:
    """Marks sent until twenty of them found no room."""
    for sent in range(MOST_MARKS):
        tapping.send(tapping.new_mark())
        if len(tapping.not_kept) + len(tapping.not_certain) >= 20:
            return sent + 1
    return MOST_MARKS


def _taps(register: Register) -> set[str]:
    asked = "from assessments.models import Tap; print(*Tap.objects.values_list('sent_as', flat=True))"
    found = register.python("-c", f"import django; django.setup(); {asked}")
    if found.returncode:
        raise CannotRun(f"the marks could not be read: {found.stderr[-1000:]}")
    return set(found.stdout.split())


def _while_read_only(register: Register, tapping: Tapping, data: Path) -> list[str]:
    """The whole disk takes no writing: what is wrong with what the register says then, and afterwards."""
    register.stop()
    subprocess.run(["mount", "-o", "remount,ro", str(data)], check=True)
    try:
        register.start_without_waiting()
        register.wait_for_any_answer()
        mark = tapping.new_mark()
        status = tapping.send(mark)
    finally:
        register.kill_all()
        subprocess.run(["mount", "-o", f"remount,rw,size={DISK}", str(data)], check=True)
    register.start()
    wrong = [] if status == 503 else [f"a mark on a read-only disk was answered with {status}"]
    return wrong + (
        [] if tapping.send(mark) == 200 else ["a mark was refused once it could be written again"]
    )


def main() -> int:
    folder = Path(tempfile.mkdtemp(prefix="register-full-"))
    try:
        return drill(folder)
    except CannotRun as why:
        print(f"The drill could not run: {why}.", file=sys.stderr)
        return COULD_NOT_RUN
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
