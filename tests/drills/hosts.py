"""Two application hosts and a database with its replica, each in a network of its own, on one machine:

    uv run python -m tests.drills.hosts            # all of it: some five minutes; root, iproute2, PostgreSQL
    uv run python -m tests.drills.hosts --short    # the heart of it: two or three
    uv run python -m tests.drills.hosts --short --fault throttle    # set up wrongly: it must fail

Ends with 0 if all held, 1 if something did not, 2 if this machine cannot run it (and says why).
"""

import argparse
import os
import sys
import time

from tests.drills.rig import CannotRun, Rig, rig, told, wait_until

FAULTS = {
    "journal-key": "host b signs the journal with another key",
    "throttle": "host b counts wrong passwords for itself",
    "folder": "host b keeps photographs and work files to itself",
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--short", action="store_true", help="the heart of it")
    parser.add_argument("--fault", action="append", default=[], choices=FAULTS, help="set up wrongly")
    parser.add_argument("--only", action="append", default=[], help="steps of these names")
    asked = parser.parse_args()
    try:
        with rig(frozenset(asked.fault), has_standby=not asked.short) as made:
            return _drill(made, asked)
    except CannotRun as lack:
        print(f"NOT RUN: {lack}.")
        return 2


def _drill(made: Rig, asked: argparse.Namespace) -> int:
    began = time.monotonic()
    for folder in ("shared", "kept-by-b", "mail"):
        (made.folder / folder).mkdir()
    made.enter("proxy")
    asked_for = ("migrate", "collectstatic")
    doing = [made.manage("a", act, "-v0", "--no-input") for act in asked_for]
    for act, one in zip(asked_for, doing, strict=True):
        output = one.communicate(timeout=180)[0]
        if one.returncode:
            raise RuntimeError(f"{act}: {told(output)}")
    os.environ.update(made.environment("a") | {"REGISTER_SEAL_SECONDS": "-1"})
    import django

    django.setup()
    from tests.drills import hosts_register, hosts_steps
    from tests.drills.browser import Browser

    register = hosts_register.fill(4, is_long=not asked.short)
    for host in ("a", "b"):
        made.serve(host)
    for host in ("a", "b"):
        wait_until(
            lambda at=host: hosts_steps._status(Browser(), at, "/alive/") == 200, 120, f"{host} answers"
        )
    print(f"Two hosts, a database and its replica stand after {time.monotonic() - began:.1f} s.", flush=True)
    for fault in asked.fault:
        print(f"Set up wrongly: {FAULTS[fault]}.")
    drill = hosts_steps.Drill(made, register, load_seconds=4 if asked.short else 8)
    steps = hosts_steps.SHORT if asked.short else hosts_steps.ALL
    failed = []
    for step in steps:
        if asked.only and step.__name__ not in asked.only:
            continue
        at = time.monotonic()
        try:
            said, mark = step(drill), "held "
        except Exception as wrong:
            said, mark = f"{type(wrong).__name__}: {wrong}", "FAILS"
            failed.append(step.__name__)
        print(f"{mark} {step.__name__} ({time.monotonic() - at:.1f} s): {said}", flush=True)
    if failed:
        for host in ("a", "b"):
            print(f"--- last words of {host}\n{errors_in(made.log_of(host))}")
    print(f"{'FAILED: ' + ', '.join(failed) if failed else 'All held'}; {time.monotonic() - began:.0f} s.")
    return 1 if failed else 0


def errors_in(log: str) -> str:
    """What is not a line of an ordinary answer."""
    return "\n".join([line for line in log.splitlines() if '"answered"' not in line][-8:])


if __name__ == "__main__":
    sys.exit(main())
