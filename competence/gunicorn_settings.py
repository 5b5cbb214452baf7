"""How gunicorn serves the register: ``gunicorn -c python:competence.gunicorn_settings competence.wsgi``."""

import os
import shutil
import tempfile
from typing import Any

bind = os.environ.get("REGISTER_BIND", "127.0.0.1:8000")
workers = int(os.environ.get("REGISTER_WORKERS", "4"))
# A request that takes longer than this is not waited for; what takes long runs in a process of its own.
timeout = 30
graceful_timeout = 30
# A worker is replaced now and then, and not all of them at once.
max_requests, max_requests_jitter = 5000, 500
forwarded_allow_ips = os.environ.get("REGISTER_PROXIES", "127.0.0.1")
# The register writes a line of its own for each request, without addresses that name somebody.
accesslog = None

# Each worker keeps its measurements in a file here; whichever is asked adds them up.
_measured = tempfile.mkdtemp(prefix="register-metrics-")
os.environ["PROMETHEUS_MULTIPROC_DIR"] = _measured


def child_exit(server: Any, worker: Any) -> None:
    from prometheus_client.multiprocess import mark_process_dead

    mark_process_dead(worker.pid)


def on_exit(server: Any) -> None:
    shutil.rmtree(_measured, ignore_errors=True)
