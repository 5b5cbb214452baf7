"""A PostgreSQL of one's own on a socket in a private folder: no port is taken and nothing else is touched."""

import atexit
import os
import shutil
import subprocess
import tempfile
from pathlib import Path
from urllib.parse import quote

# A commit waits for the disk here, as in use; the memory is that of a small server.
OPTIONS = (
    "-c listen_addresses='' -c shared_buffers=1GB -c max_wal_size=8GB -c checkpoint_timeout=30min "
    "-c unix_socket_directories='{folder}'"
)


def start() -> str:
    """Its address as DATABASE_URL; it ends and is deleted with this process."""
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda path: float(path.parent.name))
    if not programs:
        raise SystemExit(
            "There is no PostgreSQL in /usr/lib/postgresql; install it, or leave --postgres out."
        )
    folder = tempfile.mkdtemp(prefix="register-weight-")
    as_user: list[str] = []
    if os.geteuid() == 0:
        # PostgreSQL does not start as root; Debian's package brings an unprivileged user for it.
        as_user = ["runuser", "-u", "postgres", "--"]
        shutil.chown(folder, "postgres")
    rows = f"{folder}/rows"

    def program(name: str, *arguments: str) -> None:
        subprocess.run(
            [*as_user, str(programs[-1] / name), *arguments],
            check=True,
            cwd=folder,
            stdout=subprocess.DEVNULL,
        )

    def stop() -> None:
        program("pg_ctl", "-D", rows, "-m", "immediate", "-s", "stop")
        shutil.rmtree(folder, ignore_errors=True)

    program("initdb", "-D", rows, "-U", "register", "--auth=trust", "-E", "UTF8", "--locale=C.UTF-8")
    program(
        "pg_ctl", "-D", rows, "-w", "-s", "-l", f"{folder}/log", "-o", OPTIONS.format(folder=folder), "start"
    )
    atexit.register(stop)
    program("createdb", "-h", folder, "-U", "register", "register")
    return f"postgres://register@{quote(folder, safe='')}/register"
