"""What the crash drill runs and kills: the register as gunicorn serves it, and a PostgreSQL of its own."""

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from http.client import HTTPConnection, HTTPException
from pathlib import Path

HERE = Path(__file__).parents[2]
# How long anything may take to come up before the drill says that it could not run.
PATIENCE = 60


class CannotRun(Exception):
    """What this machine lacks for the drill, in words."""


def wait_until(is_so: Callable[[], bool], what: str, seconds: float = PATIENCE) -> float:
    """Seconds until ``is_so``. Raises ``CannotRun`` when that takes longer than ``seconds``."""
    started = time.monotonic()
    while not is_so():
        if time.monotonic() - started > seconds:
            raise CannotRun(f"{what} within {seconds:.0f} seconds")
        time.sleep(0.01)
    return time.monotonic() - started


@dataclass
class Register:
    """The register's own server on loopback, three workers, over the data in ``folder``."""

    folder: Path
    database_url: str = ""
    # A way in which the server is broken on purpose, see crash_broken.py; empty: as it is shipped.
    broken: str = ""
    port: int = field(default_factory=lambda: _free_port())
    _master: subprocess.Popen | None = None

    @property
    def environment(self) -> dict[str, str]:
        kept = {name: value for name, value in os.environ.items() if not name.startswith("REGISTER_")}
        kept.pop("DATABASE_URL", None)
        kept |= {
            "REGISTER_DATA": str(self.folder / "data"),
            "REGISTER_BIND": f"127.0.0.1:{self.port}",
            "REGISTER_WORKERS": "3",
            # Sealed every few seconds rather than once a minute, so that kills meet sealings too.
            "REGISTER_SEAL_SECONDS": "2",
            "DJANGO_SETTINGS_MODULE": "competence.settings",
            "TMPDIR": str(self.folder),
            "DRILL_BROKEN": self.broken,
        }
        return kept | ({"DATABASE_URL": self.database_url} if self.database_url else {})

    def start(self) -> float:
        """Seconds until it answers."""
        self.start_without_waiting()
        return self.wait()

    def start_without_waiting(self) -> None:
        app = "tests.drills.crash_broken:application" if self.broken else "competence.wsgi:application"
        how = ["-c", "python:competence.gunicorn_settings"]
        with open(self.folder / "server.log", "ab") as log:
            self._master = subprocess.Popen(
                [sys.executable, "-m", "gunicorn", "--preload", "--no-control-socket", *how, app],
                cwd=HERE,
                env=self.environment,
                stdout=log,
                stderr=log,
                start_new_session=True,
            )

    def wait(self) -> float:
        """Seconds until it answers."""
        return wait_until(self.answers, f"the register did not answer (see {self.folder / 'server.log'})")

    def wait_for_any_answer(self) -> float:
        """The same where the answer may be that it cannot."""
        return wait_until(lambda: self.status() > 0, "the register said nothing at all")

    def answers(self) -> bool:
        return self.status() == 200

    def status(self) -> int:
        """What ``/alive/`` says; 0 where nothing answers."""
        door = HTTPConnection("127.0.0.1", self.port, timeout=5)
        try:
            door.request("GET", "/alive/")
            return door.getresponse().status
        except (OSError, HTTPException):
            return 0
        finally:
            door.close()

    def workers(self) -> list[int]:
        return _children(self._master.pid) if self._master else []

    def kill_all(self) -> None:
        """The master and every worker, at once and without a word."""
        if self._master is not None:
            os.killpg(self._master.pid, signal.SIGKILL)
            self._master.wait()
            self._master = None

    def stop(self) -> None:
        if self._master is not None:
            self._master.terminate()
            self._master.wait(timeout=PATIENCE)
            self._master = None

    def manage(self, *arguments: str) -> subprocess.CompletedProcess:
        return self.python("manage.py", *arguments)

    def python(self, *arguments: str) -> subprocess.CompletedProcess:
        """A process of its own over the same data, by its end."""
        return subprocess.run(
            [sys.executable, *arguments],
            cwd=HERE,
            env=self.environment,
            capture_output=True,
            text=True,
            timeout=600,
        )


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


def _children(pid: int) -> list[int]:
    try:
        return [int(one) for one in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    except OSError:
        return []


class Cluster:
    """A PostgreSQL of the drill's own, on a socket in a private folder: no port is taken and nothing else is
    touched. It syncs to disk as shipped: crashes are the point."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda at: float(at.parts[-3]))
        if not found:
            raise CannotRun("PostgreSQL's programs are missing: apt-get install postgresql")
        self._programs = found[-1].parent
        self._rows = folder / "rows"
        # PostgreSQL does not start as root; Debian's package brings an unprivileged user for it.
        self._as = ["runuser", "-u", "postgres", "--"] if os.geteuid() == 0 else []
        folder.mkdir()
        if self._as:
            subprocess.run(["chown", "postgres", str(folder)], check=True)
        self._do(
            "initdb",
            "-D",
            str(self._rows),
            "-U",
            "register",
            "--auth=trust",
            "-E",
            "UTF8",
            "--locale=C.UTF-8",
        )
        self.start()
        self._do("createdb", "-h", str(folder), "-U", "register", "register")

    @property
    def url(self) -> str:
        return f"postgres://register@{str(self.folder).replace('/', '%2F')}/register"

    def start(self) -> float:
        started = time.monotonic()
        options = f"-c listen_addresses='' -c unix_socket_directories='{self.folder}'"
        way = [
            "pg_ctl",
            "-D",
            str(self._rows),
            "-w",
            "-s",
            "-l",
            str(self.folder / "log"),
            "-o",
            options,
            "start",
        ]
        # Those who served the killed one may still hold its memory for a moment.
        while self._do(*way, must=False):
            if time.monotonic() - started > PATIENCE:
                raise CannotRun(f"PostgreSQL did not start (see {self.folder / 'log'})")
            time.sleep(0.1)
        return time.monotonic() - started

    def kill(self) -> None:
        """Its first process, without a word; those that it started notice and end."""
        postmaster = int((self._rows / "postmaster.pid").read_text().split()[0])
        os.kill(postmaster, signal.SIGKILL)

    def check(self) -> str:
        """What ``pg_amcheck`` finds wrong with tables and their indexes; empty when nothing is."""
        way = ["pg_amcheck", "-h", str(self.folder), "-U", "register", "-d", "register"]
        found = self._run(*way, "--install-missing", "--heapallindexed")
        return found.stdout + found.stderr if found.returncode else ""

    def stop(self) -> None:
        self._do("pg_ctl", "-D", str(self._rows), "-m", "immediate", "-s", "stop", must=False)

    def _do(self, *way: str, must: bool = True) -> int:
        # Not through pipes: the server that pg_ctl leaves behind would hold them open.
        done = subprocess.run(
            [*self._as, str(self._programs / way[0]), *way[1:]],
            cwd=self.folder,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        if must and done.returncode:
            raise CannotRun(f"{way[0]} failed with {done.returncode}")
        return done.returncode

    def _run(self, *way: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            [*self._as, str(self._programs / way[0]), *way[1:]],
            cwd=self.folder,
            capture_output=True,
            text=True,
        )
