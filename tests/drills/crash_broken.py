"""The register's server broken on purpose, so that the crash drill is seen to fail. ``DRILL_BROKEN``:

``loses``: every 25th write is acknowledged and taken back. ``doubles``: every 25th mark or answer is kept a
second time under another id. ``early``: a write is acknowledged a moment before it is committed, which only a
crash at that moment can show.
"""

import io
import os
import time
import uuid
from collections.abc import Callable, Iterable
from itertools import count
from typing import Any

from django.db import transaction
from django.http import HttpRequest, HttpResponse

from competence.wsgi import application as register

Environ = dict[str, Any]
OF, EVERY, A_MOMENT = os.environ.get("DRILL_BROKEN", ""), 25, 0.1
_writes = count(1)
# Inside Django's own handler: it looks after its connections before and after, and would close one outside.
_whole = register._middleware_chain


def _broken(request: HttpRequest) -> HttpResponse:
    if request.method != "POST" or OF == "doubles" or (OF == "loses" and next(_writes) % EVERY):
        return _whole(request)
    kept = transaction.atomic()
    kept.__enter__()
    response = _whole(request)

    def end() -> None:
        time.sleep(A_MOMENT)
        kept.__exit__(None, None, None)

    if OF == "loses":
        transaction.set_rollback(True)
        kept.__exit__(None, None, None)
    else:
        # The server closes an answer once it has sent it.
        response._resource_closers.insert(0, end)
    return response


register._middleware_chain = _broken


def application(environ: Environ, start_response: Callable) -> Iterable[bytes]:
    if OF != "doubles" or environ["REQUEST_METHOD"] != "POST" or next(_writes) % EVERY:
        return register(environ, start_response)
    body = environ["wsgi.input"].read(int(environ["CONTENT_LENGTH"] or 0))
    before, mark, after = body.partition(b'"sent_as": "')
    if mark:
        other = before + mark + str(uuid.uuid4()).encode() + after[36:]
        register(environ | {"wsgi.input": io.BytesIO(other)}, lambda *_: None).close()
    return register(environ | {"wsgi.input": io.BytesIO(body)}, start_response)
