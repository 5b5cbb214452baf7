"""The register's server broken on purpose, so that the crash drill is seen to fail. ``DRILL_BROKEN``:

``loses``: every 25th write is acknowledged and taken back. ``doubles``: every 25th mark or answer is kept a
second time under another id. ``early``: a write is acknowledged a moment before it is committed, which only a
crash at that moment can show.
"""

import io
import os
import time
import uuid
from collections.abc import Callable, Iterable, Iterator
from itertools import count
from typing import Any

from django.db import transaction

from competence.wsgi import application as register

Environ = dict[str, Any]
OF, EVERY, A_MOMENT = os.environ.get("DRILL_BROKEN", ""), 25, 0.1
_writes = count(1)


def application(environ: Environ, start_response: Callable) -> Iterable[bytes]:
    if environ["REQUEST_METHOD"] != "POST":
        return register(environ, start_response)
    if OF == "early":
        return Early(environ, start_response)
    if next(_writes) % EVERY:
        return register(environ, start_response)
    return {"loses": _lose, "doubles": _double}[OF](environ, start_response)


def _lose(environ: Environ, start_response: Callable) -> Iterable[bytes]:
    with transaction.atomic():
        answer = register(environ, start_response)
        transaction.set_rollback(True)
    return answer


def _double(environ: Environ, start_response: Callable) -> Iterable[bytes]:
    body = environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"] or 0))
    before, mark, after = body.partition(b'"sent_as": "')
    if mark:
        other = before + mark + str(uuid.uuid4()).encode() + after[36:]
        answer = register(environ | {"wsgi.input": io.BytesIO(other)}, lambda *_: None)
        getattr(answer, "close", lambda: None)()
    return register(environ | {"wsgi.input": io.BytesIO(body)}, start_response)


class Early:
    def __init__(self, environ: Environ, start_response: Callable) -> None:
        self._open = transaction.atomic()
        self._open.__enter__()
        self._answer = register(environ, start_response)

    def __iter__(self) -> Iterator[bytes]:
        yield from self._answer

    def close(self) -> None:
        time.sleep(A_MOMENT)
        self._open.__exit__(None, None, None)
        self._answer.close()
