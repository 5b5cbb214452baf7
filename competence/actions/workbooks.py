"""Taking a workbook out: who may, of which sites, and that it is written down before it is handed over."""

import logging

from competence.actions.journal import seal
from competence.actions.looks import note_look
from competence.models import Account, Look, Site
from competence.permissions import NotAllowed, Right, sites_with
from competence.queries.workbook import Slice, as_plain

log = logging.getLogger(__name__)


def note_workbook(*, by: Account, asked: Slice, row_count: int | None = None) -> Look:
    """Write down who takes which slice out, and seal the journal, so that the checkpoint on the workbook's
    front sheet covers all that it holds. ``row_count``: what was counted before, where
    the register itself keeps the file for a day.

    Raises ``NotAllowed`` for sites where the account may take nothing out.
    """
    require_sites(by, asked)
    only = asked.site_ids if asked.site_ids and len(asked.site_ids) == 1 else ()
    site = Site.objects.filter(pk__in=only).first()
    plain = as_plain(asked)
    if row_count is not None:
        plain["row_count"] = row_count
    look = note_look(by=by, kind=Look.Kind.WORKBOOK, site=site, asked=plain)
    try:
        seal()
    except Exception:
        # The front sheet says how much is not sealed; a broken journal keeps nobody from looking.
        log.exception("The journal could not be sealed before a workbook was taken out.")
    return look


def require_sites(by: Account, asked: Slice) -> None:
    """Raise ``NotAllowed`` unless the account may take out what belongs to every site of the slice."""
    allowed = sites_with(by, Right.TAKE_OUT)
    if allowed is not None and (asked.site_ids is None or not asked.site_ids <= allowed):
        raise NotAllowed("This workbook holds other sites than those you may take out.")
