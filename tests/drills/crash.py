"""The crash drill: the register under load, killed without a word again and again, must keep all that it
acknowledged, once, and nothing by halves.

    uv run python -m tests.drills.crash                      # SQLite, 100 kills
    uv run python -m tests.drills.crash --postgres --database-kills 10

A worker, or the master with every worker, or PostgreSQL's first process gets SIGKILL at random moments, while
phones start daily checks, answer them, hand them in, mark walk-arounds and answer questions, each repeating
what was not acknowledged. Exit: 0 all kept, 1 something lost, doubled or half-written (named), 2 could not
run.
"""

import argparse
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from tests.drills.crash_host import CannotRun, Cluster, Register, wait_until
from tests.drills.crash_ledger import KINDS, Ledger
from tests.drills.crash_phones import Phone, phones

ALL_KEPT, LOST, COULD_NOT_RUN = 0, 1, 2
# How much of the sentences is printed; the count says the rest.
MOST_TOLD = 20
LEAST_WRITES = 300


@dataclass
class Killed:
    """What was killed, and for how many seconds the register did not answer then."""

    worker: list[float] = field(default_factory=list)
    all: list[float] = field(default_factory=list)
    database: list[float] = field(default_factory=list)

    def lines(self) -> Iterable[str]:
        for what, took in (
            ("a worker", self.worker),
            ("master and workers", self.all),
            ("PostgreSQL", self.database),
        ):
            if took:
                told = f"median {median(took):.2f} s, longest {max(took):.2f} s"
                yield f"  {what}: {len(took)}, answering again after {told}"


def drill(
    folder: Path,
    *,
    kills: int,
    on_postgres: bool = False,
    database_kills: int = 0,
    broken: str = "",
    of_each: int = 2,
    seed: int = 0,
) -> int:
    """``of_each``: how many phones do each of the three kinds of work."""
    cluster = Cluster(folder / "cluster") if on_postgres else None
    register = Register(folder, cluster.url if cluster else "", broken)
    try:
        made = register.python("-m", "tests.drills.crash_seed", str(folder / "plan.json"), str(of_each))
        if made.returncode:
            raise CannotRun(f"the register could not be filled: {made.stderr[-2000:]}")
        ledger = Ledger()
        on_phones = phones(json.loads((folder / "plan.json").read_text()), register.port, ledger, seed)
        register.start()
        return _drill(register, cluster, ledger, on_phones, _order(kills, database_kills, seed))
    finally:
        register.kill_all()
        if cluster:
            cluster.stop()


def _order(kills: int, database_kills: int, seed: int) -> list[str]:
    """What is killed, in which order: of every four kills of the server, three take one worker only."""
    order = ["worker" if place % 4 else "all" for place in range(kills)]
    order += ["database"] * database_kills
    random.Random(seed).shuffle(order)  # noqa: S311
    return order


def _drill(
    register: Register, cluster: Cluster | None, ledger: Ledger, on_phones: list[Phone], order: list[str]
) -> int:
    threads = [threading.Thread(target=phone.run, daemon=True) for phone in on_phones]
    began, chance = time.monotonic(), random.Random(len(order))  # noqa: S311
    for thread in threads:
        thread.start()
    killed = Killed()
    for what in order:
        time.sleep(0.1 + chance.random() * 0.6)
        getattr(killed, what).append(_kill(what, register, cluster, chance))
        if ledger.refused:
            break
    time.sleep(0.5)
    with suppress(CannotRun):
        # Without kills too there must be something to judge.
        wait_until(lambda: bool(ledger.refused) or ledger.acknowledged.total() >= LEAST_WRITES, "load")
    on_phones[0].is_over.set()
    for thread in threads:
        thread.join()
    spent = time.monotonic() - began
    wrong = ledger.refused + _not_resumed(on_phones)
    register.stop()
    wrong += _not_kept(register, cluster, ledger)
    return _tell(killed, ledger, spent, wrong)


def _kill(what: str, register: Register, cluster: Cluster | None, chance: random.Random) -> float:
    """Seconds until the register answers again."""
    if what == "database" and cluster:
        cluster.kill()
        return cluster.start() + register.wait()
    if what == "all":
        register.kill_all()
        return register.start()
    with suppress(ProcessLookupError, IndexError):
        os.kill(chance.choice(register.workers()), signal.SIGKILL)
    return register.wait()


def _not_resumed(on_phones: list[Phone]) -> list[str]:
    return [f"not resumed: {sentence}" for phone in on_phones for sentence in phone.sees_again()]


def _not_kept(register: Register, cluster: Cluster | None, ledger: Ledger) -> list[str]:
    ledger.write(register.folder / "ledger.json")
    found = register.python("-m", "tests.drills.crash_kept", str(register.folder / "ledger.json"))
    if found.returncode:
        raise CannotRun(f"what is there could not be read: {found.stderr[-2000:]}")
    wrong = json.loads(found.stdout)
    verified = register.manage("journal", "verify")
    if verified.returncode:
        wrong.append(f"journal verify: {verified.stdout[-2000:]}{verified.stderr[-2000:]}")
    damage = cluster.check() if cluster else ""
    return wrong + ([f"pg_amcheck: {damage}"] if damage else [])


def _tell(killed: Killed, ledger: Ledger, spent: float, wrong: list[str]) -> int:
    count = ledger.acknowledged
    print(f"{len(killed.worker) + len(killed.all) + len(killed.database)} kills")
    for line in killed.lines():
        print(line)
    print(f"{count.total()} acknowledged writes: " + ", ".join(f"{kind} {count[kind]}" for kind in KINDS))
    print(
        f"{ledger.repeats} repeats; {count.total() / spent:.0f} acknowledged writes a second, kills included"
    )
    for sentence in wrong[:MOST_TOLD]:
        print(f"- {sentence}")
    print(f"{len(wrong)} amiss." if wrong else "All kept, once, and nothing by halves.")
    return LOST if wrong else ALL_KEPT


def main() -> int:
    reading = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    reading.add_argument("--kills", type=int, default=100, help="of the server; 100")
    reading.add_argument("--postgres", action="store_true", help="on a PostgreSQL of its own")
    reading.add_argument("--database-kills", type=int, default=0, help="of PostgreSQL itself; 0")
    reading.add_argument("--phones", type=int, default=2, help="for each of the three kinds of work; 2")
    reading.add_argument("--seed", type=int, default=0, help="of what is killed and tapped; 0")
    reading.add_argument("--broken", choices=("loses", "doubles", "early"), default="", help="to see it fail")
    asked = reading.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="register-crash-"))
    # PostgreSQL's own user must get through to its folder.
    folder.chmod(0o755)
    try:
        return drill(
            folder,
            kills=asked.kills,
            on_postgres=asked.postgres or asked.database_kills > 0,
            database_kills=asked.database_kills,
            broken=asked.broken,
            of_each=asked.phones,
            seed=asked.seed,
        )
    except CannotRun as why:
        print(f"The drill could not run: {why}.", file=sys.stderr)
        return COULD_NOT_RUN
    finally:
        shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
