"""The rows of the permission matrix: each door, who may open it, and whether only at their own site."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

STAFF = frozenset({"trainer", "site_admin", "auditor"})
EVERYBODY = STAFF | {"operator"}


@dataclass(frozen=True)
class Row:
    """One door.

    ``kwargs`` makes the URL's arguments from the world (see ``World``). ``allowed``: roles that may open it
    at their own site. ``own_site_only``: the same role at another site may not. ``owner_only``: among
    operators only the one in the world (the owner of the record) may. ``everywhere_only``: the role must be
    held for every site. ``assessor_only``: among trainers only the one
    who started the assessment in the world may. ``is_public``: open without signing
    in. ``method`` and ``data`` say how to knock: a POST with ``data`` (often empty, so the answer is a page
    of errors, which still shows that the door opened).
    """

    name: str
    allowed: frozenset[str]
    kwargs: Callable[[Any], dict[str, Any]] = lambda world: {}
    method: str = "get"
    data: Callable[[Any], dict[str, Any]] = field(default=lambda world: {})
    own_site_only: bool = False
    owner_only: bool = False
    everywhere_only: bool = False
    assessor_only: bool = False
    is_public: bool = False
