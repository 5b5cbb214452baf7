"""The doors of workbooks: for who may take something out of the register."""

from pathlib import Path

from django.conf import settings
from django.utils import timezone

from competence.models import Look
from competence.queries.workbook import Slice, as_plain
from tests.factories import LookFactory

from .matrix import Row

TAKES_OUT = frozenset({"site_admin", "auditor"})


def of_workbook(world):
    """A workbook of the world's site, as if it had been written."""
    moment = timezone.now()
    asked = Slice(moment, moment, "Europe/London", frozenset({world.site.pk}))
    plain = as_plain(asked) | {"row_count": 1}
    look = LookFactory(by=world.auditor, kind=Look.Kind.WORKBOOK, site=world.site, asked=plain)
    folder = Path(settings.WORKBOOKS_ROOT)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / f"{look.pk}.xlsx").write_bytes(b"as if it were one")
    return {"pk": look.pk}


ROWS = [
    Row("workbook", TAKES_OUT),
    Row("workbook", TAKES_OUT, method="post", data=lambda world: {"at": "no moment"}),
    Row("workbook-made", TAKES_OUT, of_workbook, own_site_only=True),
    Row("workbook-file", TAKES_OUT, of_workbook, own_site_only=True),
]
