"""What the register writes about its own running: one JSON object a line, with the request's id, and nothing
personal: neither an address that names somebody, nor the values in an error's message."""

import logging
import traceback
from types import TracebackType
from typing import Any

from pythonjsonlogger.json import JsonFormatter

# An error's own words may quote a name or a row; where it arose, and of which kind it is, may not.
Raised = tuple[type[BaseException], BaseException, TracebackType | None]


class PlainLines(JsonFormatter):
    """``at``, ``level``, ``from``, ``says``, ``request``, and what a line brings besides.

    Of an error it tells the kinds, from the outermost to the first, and the lines of code.
    """

    def __init__(self) -> None:
        super().__init__(
            "{levelname}{name}{message}{request_id}",
            style="{",
            rename_fields={"levelname": "level", "name": "from", "message": "says", "request_id": "request"},
            timestamp="at",
            json_ensure_ascii=False,
        )

    def formatException(self, ei: Any) -> str:
        return kinds_and_lines(ei)


def kinds_and_lines(raised: Raised) -> str:
    kind, error, frames = raised
    lines = [f"{frame.filename}:{frame.lineno} {frame.name}" for frame in traceback.extract_tb(frames)]
    before = error.__cause__ or error.__context__
    told = f"{kind.__module__}.{kind.__qualname__} at " + " < ".join(reversed(lines))
    if before is None:
        return told
    return f"{told}; after {kinds_and_lines((type(before), before, before.__traceback__))}"


class NoAddresses(logging.Filter):
    """In Django's own lines about a request, the door's name in place of the address."""

    def filter(self, record: logging.LogRecord) -> bool:
        request = getattr(record, "request", None)
        if request is not None:
            record.msg, record.args = "%s at %s", (getattr(record, "status_code", "error"), door_of(request))
            del record.request
        return True


def door_of(request: Any) -> str:
    """The name under which a request's address is known, which says nothing of whom it was about."""
    match = getattr(request, "resolver_match", None)
    return (match.view_name or "unnamed") if match else "nowhere"
