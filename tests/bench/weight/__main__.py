"""Every page and the daily check's posts at 200, 2,000 and 20,000 operators, with 5,000,000 findings at most.

``uv run python -m tests.bench.weight [--small|--tenth] [--postgres] [--explain]
[--only pages|posts|partitions]``.
Works in a folder, and with ``--postgres`` in a cluster, that go away afterwards; at full size they take about
10 GB. Exits 1 when a goal is missed at full size (at small size the goals are printed, not judged).
"""

import argparse
import atexit
import ctypes
import os
import resource
import shutil
import sys
import tempfile
from pathlib import Path


def main() -> int:
    parser = argparse.ArgumentParser(prog="tests.bench.weight")
    parser.add_argument("--small", action="store_true", help="40 to 400 operators, under a minute")
    parser.add_argument("--tenth", action="store_true", help="2,000 operators, 500,000 findings at most")
    parser.add_argument("--postgres", action="store_true", help="on a PostgreSQL of its own")
    parser.add_argument("--explain", action="store_true", help="with the plan of each slower page")
    parser.add_argument("--only", choices=("pages", "posts", "partitions"))
    asked = parser.parse_args()
    begin(asked.postgres)
    return run(asked)


def begin(is_postgres: bool) -> None:
    """Set Django up in a scratch folder: not with the tests' settings, which watch every statement."""
    os.environ["DJANGO_SETTINGS_MODULE"] = "competence.settings"
    os.environ["REGISTER_DATA"] = tempfile.mkdtemp(prefix="register-weight-")
    atexit.register(shutil.rmtree, os.environ["REGISTER_DATA"], ignore_errors=True)
    os.environ.pop("DATABASE_URL", None)
    if is_postgres:
        from tests.bench.weight.cluster import start

        os.environ["DATABASE_URL"] = start()
    import django
    from django.conf import settings

    django.setup()
    settings.ALLOWED_HOSTS = ["testserver"]
    # A sign-in is no part of what is measured.
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


def run(asked: argparse.Namespace) -> int:
    import django
    from django.db import connection

    from tests.bench.weight.registers import make_registers
    from tests.bench.weight.sizes import FULL, SMALL

    print(f"database: {connection.vendor}; Python {sys.version.split()[0]}; Django {django.__version__}")
    sizes = SMALL[:2] if asked.small else FULL[:2] if asked.tenth else FULL
    world, registers = make_registers(sizes)
    forget_peak()
    print(f"memory of the process when filled: {resident():.0f} MB")
    missed = 0
    if asked.only in (None, "posts"):
        missed += run_posts(registers, checks=3 if asked.small else 100)
    if asked.postgres and not asked.small and asked.only in (None, "partitions"):
        from tests.bench.weight.partitions import measure

        with registers[-1].used():
            for line in measure():
                print(line)
    if asked.only in (None, "pages"):
        missed += run_pages(world, registers, asked)
    print(f"memory of the process at the end: {resident():.0f} MB, since filling at most {peak():.0f} MB")
    return 1 if missed and not asked.small else 0


def run_pages(world: object, registers: list, asked: argparse.Namespace) -> int:
    from tests.bench.weight.pages import measure_all

    pages = measure_all(
        world, registers, rounds=1 if asked.small else 5, few=asked.small, with_plans=asked.explain
    )
    more = [page for page in pages if page.asks_more]
    slower = [page for page in pages if page.is_slower]
    lost = [page for page in pages if len({read.status for read in page.reads}) > 1]
    print(
        f"{len(pages)} pages read; {len(more)} ask more statements, {len(slower)} take over 1.5 times as long"
    )
    for page in more + [page for page in slower if page not in more]:
        print(page.line())
    print("the ten that take longest:")
    for page in sorted(pages, key=lambda page: -page.reads[-1].median)[:10]:
        print(page.line())
    return len(more) + len(slower) + len(lost)


def run_posts(registers: list, *, checks: int) -> int:
    from tests.bench.weight.posts import measure

    missed = 0
    for register, posts in zip(registers, measure(registers, checks=checks), strict=True):
        print(f"posts of the daily check at {register.size}")
        for line, is_met in posts:
            missed += not is_met
            print(f"  {'met   ' if is_met else 'MISSED'} {line}")
    return missed


def forget_peak() -> None:
    """What filling took is given back and no part of the peak: the C library keeps it otherwise (Linux)."""
    ctypes.CDLL("libc.so.6").malloc_trim(0)
    Path("/proc/self/clear_refs").write_text("5")


def peak() -> float:
    """Megabytes that this process had in memory at most since ``forget_peak``."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) / 1024 for line in lines if line.startswith("VmHWM"))


def resident() -> float:
    """Megabytes that this process has in memory now."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 2**20


if __name__ == "__main__":
    sys.exit(main())
