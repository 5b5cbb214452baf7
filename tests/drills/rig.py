"""Several hosts on one machine: each in a network namespace of its own, joined by a bridge, with a real
PostgreSQL, its streaming replica and real gunicorns. Needs root, iproute2 and PostgreSQL's programs.

    proxy (the drill itself) --+-- bridge --+-- a, b (gunicorn)
                               |            +-- db (PostgreSQL)
                               |            +-- standby (its replica)
"""

import ctypes
import os
import pwd
import re
import secrets
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).parents[2]
# Reserved for documents (RFC 5737, TEST-NET-2): routed nowhere, so never a real network of this machine.
ADDRESSES = {
    "proxy": "198.51.100.1",
    "a": "198.51.100.11",
    "b": "198.51.100.12",
    "db": "198.51.100.21",
    "standby": "198.51.100.22",
}
NAME, PORT, DB_PORT = "register.example", 8000, 5432
CLONE_NEWNET = 0x40000000


class CannotRun(Exception):
    """What this machine lacks for the drill, in words."""


def programs() -> Path:
    """PostgreSQL's own folder of programs, the newest."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[-3]))
    if not found:
        raise CannotRun("PostgreSQL's programs are missing: apt-get install postgresql")
    return found[-1].parent


def require_able() -> None:
    """Raises ``CannotRun`` where namespaces cannot be made, or a program is missing."""
    if os.geteuid() != 0:
        raise CannotRun("network namespaces need root")
    if shutil.which("ip") is None:
        raise CannotRun("“ip” is missing: apt-get install iproute2")
    programs()
    with suppress(KeyError):
        pwd.getpwnam("postgres")
        probe = f"register-probe-{os.getpid()}"
        made = subprocess.run(["ip", "netns", "add", probe], capture_output=True, text=True)
        if made.returncode:
            raise CannotRun(f"this machine makes no network namespaces: {made.stderr.strip()}")
        subprocess.run(["ip", "netns", "del", probe], check=True)
        return
    raise CannotRun("PostgreSQL does not run as root, and there is no user “postgres”")


def run(*command: str, **more: object) -> subprocess.CompletedProcess:
    done = subprocess.run(command, capture_output=True, text=True, **more)
    if done.returncode:
        raise RuntimeError(f"{' '.join(command[:8])} ended with {done.returncode}: {done.stderr[-2000:]}")
    return done


@dataclass
class Rig:
    """What is running. ``faults`` names what is to be set up wrongly, so that the drill is seen to fail."""

    folder: Path
    faults: frozenset[str] = frozenset()
    prefix: str = field(default_factory=lambda: f"reg{os.getpid() % 100_000}")
    has_standby: bool = False
    _running: dict[str, subprocess.Popen] = field(default_factory=dict)
    _keys: dict[str, str] = field(default_factory=dict)

    # The network --------------------------------------------------------------------------------------------

    def space(self, node: str) -> str:
        return f"{self.prefix}-{node}"

    def build_network(self) -> None:
        """A bridge in a namespace of its own: nothing is added to the machine's own network."""
        for node in ("switch", *ADDRESSES):
            run("ip", "netns", "add", self.space(node))
        run("ip", "-n", self.space("switch"), "link", "add", "bridge", "type", "bridge")
        run("ip", "-n", self.space("switch"), "link", "set", "bridge", "up")
        for node, address in ADDRESSES.items():
            here, there = self.space(node), self.space("switch")
            pair = f"to-{node}"
            run("ip", "-n", there, "link", "add", pair, "type", "veth", "peer", "eth0", "netns", here)
            run("ip", "-n", there, "link", "set", pair, "master", "bridge", "up")
            run("ip", "-n", here, "address", "add", f"{address}/24", "dev", "eth0")
            for link in ("eth0", "lo"):
                run("ip", "-n", here, "link", "set", link, "up")

    def enter(self, node: str) -> None:
        """From here on this process, and every thread that it starts, is at that node."""
        with open(f"/var/run/netns/{self.space(node)}") as space:
            if ctypes.CDLL(None, use_errno=True).setns(space.fileno(), CLONE_NEWNET):
                raise OSError(ctypes.get_errno(), "setns")

    def pull_cable(self, node: str) -> None:
        run("ip", "-n", self.space("switch"), "link", "set", f"to-{node}", "down")

    def plug_in(self, node: str) -> None:
        run("ip", "-n", self.space("switch"), "link", "set", f"to-{node}", "up")

    def part(self, node: str, other: str) -> None:
        """What ``other`` sends to ``node`` is lost without a word; both still reach everybody else."""
        run("ip", "-n", self.space(other), "route", "add", "blackhole", f"{ADDRESSES[node]}/32")

    def rejoin(self, node: str, other: str) -> None:
        run("ip", "-n", self.space(other), "route", "del", "blackhole", f"{ADDRESSES[node]}/32")

    # PostgreSQL ---------------------------------------------------------------------------------------------

    def _postgres(self, node: str, program: str, *arguments: str) -> subprocess.CompletedProcess:
        command = [str(programs() / program), *arguments]
        return run(
            *("ip", "netns", "exec", self.space(node), "runuser", "-u", "postgres", "--", *command),
            cwd=self.folder / "sql",
            stdin=subprocess.DEVNULL,
        )

    def start_database(self) -> None:
        """The primary, open to the rig's network."""
        sql = self.folder / "sql"
        sql.mkdir()
        shutil.chown(sql, "postgres")
        rows = str(sql / "primary")
        self._postgres("db", "initdb", "-D", rows, "-U", "register", "-N", "-E", "UTF8", "--locale=C.UTF-8")
        with open(f"{rows}/pg_hba.conf", "a") as rules:
            for what in ("all", "replication"):
                rules.write(f"host {what} register 198.51.100.0/24 trust\n")
        self._start("db", rows)
        self._postgres("db", "createdb", "-h", str(sql), "-U", "register", "register")

    def start_standby(self) -> None:
        """A replica that streams from the primary."""
        copy = str(self.folder / "sql" / "standby")
        self._postgres(
            "standby",
            "pg_basebackup",
            "-h",
            ADDRESSES["db"],
            "-U",
            "register",
            "-D",
            copy,
            "-R",
            "-c",
            "fast",
        )
        self._start("standby", copy)
        self.has_standby = True

    def _start(self, node: str, rows: str) -> None:
        asked = (
            f"-c listen_addresses={ADDRESSES[node]} -c unix_socket_directories={self.folder / 'sql'} "
            f"-c unix_socket_permissions=0777 -p {DB_PORT + (node == 'standby')} -c max_connections=60 "
            # Nobody pulls the machine's own plug here, and the disk is not what is tried.
            "-c fsync=off -c wal_level=replica -c wal_receiver_timeout=5s -c wal_retrieve_retry_interval=1s"
        )
        self._postgres(
            node, "pg_ctl", "-D", rows, "-w", "-s", "-l", f"{rows}.log", "-m", "fast", "-o", asked, "start"
        )

    @property
    def database_url(self) -> str:
        return f"postgres://register@{ADDRESSES['db']}:{DB_PORT}/register"

    @property
    def replica_url(self) -> str:
        return f"postgres://register@{ADDRESSES['standby']}:{DB_PORT + 1}/register"

    # The hosts ----------------------------------------------------------------------------------------------

    def environment(self, host: str) -> dict[str, str]:
        """What a host is told: the same on both, but for what a fault sets wrongly on b."""
        kept = {name: value for name, value in os.environ.items() if not name.startswith("REGISTER_")}
        is_wrong = host == "b"
        data = self.folder / ("kept-by-b" if is_wrong and "folder" in self.faults else "shared")
        journal_key = "journal-of-b" if is_wrong and "journal-key" in self.faults else "journal"
        settings = "competence.settings"
        if is_wrong and "throttle" in self.faults:
            settings = "tests.drills.settings_throttle_apart"
        return kept | {
            "DJANGO_SETTINGS_MODULE": settings,
            "PYTHONPATH": str(HERE),
            "DATABASE_URL": self.database_url,
            "REGISTER_REPLICA_URL": self.replica_url if self.has_standby else "",
            "REGISTER_PRODUCTION": "1",
            "REGISTER_HOSTS": NAME,
            "REGISTER_SECRET_KEY": self._key("secret"),
            "REGISTER_JOURNAL_KEY": self._key(journal_key),
            "REGISTER_CARD_KEY": self._key("card"),
            "REGISTER_DATA": str(data),
            "REGISTER_STATIC": str(self.folder / "static"),
            "REGISTER_MAIL_URL": f"file:{self.folder / 'mail'}",
            "REGISTER_QUIET_HOURS": "",
            "REGISTER_SEAL_SECONDS": "1",
            "REGISTER_BIND": f"0.0.0.0:{PORT}",
            "REGISTER_PROXIES": ADDRESSES["proxy"],
            "REGISTER_WORKERS": "2",
        }

    def _key(self, name: str) -> str:
        return self._keys.setdefault(name, secrets.token_hex(32))

    def manage(self, host: str, *arguments: str) -> subprocess.Popen:
        """One of the register's commands on a host, running; its words come with ``communicate``."""
        return subprocess.Popen(
            ["ip", "netns", "exec", self.space(host), sys.executable, str(HERE / "manage.py"), *arguments],
            env=self.environment(host),
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            cwd=HERE,
        )

    def serve(self, host: str) -> None:
        with open(self.folder / f"{host}.log", "ab") as log:
            self._running[host] = subprocess.Popen(
                [
                    *("ip", "netns", "exec", self.space(host), sys.executable, "-m", "gunicorn"),
                    *("-c", "python:competence.gunicorn_settings", "competence.wsgi"),
                ],
                env=self.environment(host),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
                cwd=HERE,
            )

    def log_of(self, host: str) -> str:
        return (self.folder / f"{host}.log").read_text(errors="replace")

    # The end ------------------------------------------------------------------------------------------------

    def take_down(self) -> None:
        """End what this rig started, and nothing else: by its own namespaces and folders."""
        for process in self._running.values():
            process.terminate()
        for process in self._running.values():
            with suppress(subprocess.TimeoutExpired):
                process.wait(8)
        for node, name in (("standby", "standby"), ("db", "primary")):
            rows = self.folder / "sql" / name
            if (rows / "postmaster.pid").exists():
                with suppress(RuntimeError):
                    self._postgres(node, "pg_ctl", "-D", str(rows), "-m", "immediate", "-s", "stop")
        for node in ("switch", *ADDRESSES):
            left = subprocess.run(
                ["ip", "netns", "pids", self.space(node)], capture_output=True, text=True
            ).stdout.split()
            for pid in left:
                if int(pid) != os.getpid():
                    with suppress(ProcessLookupError):
                        os.kill(int(pid), 9)
            subprocess.run(["ip", "netns", "del", self.space(node)], capture_output=True)


@contextmanager
def rig(faults: frozenset[str] = frozenset(), *, has_standby: bool = True) -> Iterator[Rig]:
    """A rig of which nothing is left afterwards."""
    require_able()
    folder = Path(tempfile.mkdtemp(prefix="register-hosts-"))
    folder.chmod(0o755)
    made = Rig(folder, faults)
    own = os.open("/proc/self/ns/net", os.O_RDONLY)
    try:
        made.build_network()
        made.start_database()
        if has_standby:
            made.start_standby()
        yield made
    finally:
        ctypes.CDLL(None).setns(own, CLONE_NEWNET)
        os.close(own)
        made.take_down()
        shutil.rmtree(folder, ignore_errors=True)


def wait_until(ask: object, seconds: float, what: str) -> float:
    """Wait until ``ask()`` is true; the seconds that it took. Raises ``TimeoutError`` with ``what``."""
    began = time.monotonic()
    while not ask():
        if time.monotonic() - began > seconds:
            raise TimeoutError(f"{what}: not within {seconds:g} s")
        time.sleep(0.1)
    return time.monotonic() - began


def told(text: str) -> str:
    """The last line of what a program printed, on one line."""
    lines = [line for line in text.splitlines() if line.strip()]
    return re.sub(r"\s+", " ", lines[-1]) if lines else "nothing"
