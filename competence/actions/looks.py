"""Noting each look back into the record, and each thing taken out of it, before it is handed over."""

from typing import Any

from django.db import transaction

from competence.actions.clock import now
from competence.actions.journal import record
from competence.models import Account, Look, Machine, Operator, Site
from competence.permissions import Right, require

RIGHTS = {
    Look.Kind.RECORD: Right.ASK_RECORD,
    Look.Kind.WORKBOOK: Right.TAKE_OUT,
    Look.Kind.SAMPLE: Right.SAMPLE,
    Look.Kind.BUNDLE: Right.SEE_JOURNAL,
    Look.Kind.PACK: Right.TAKE_OUT,
    Look.Kind.CARD: Right.PRINT_CARD,
    Look.Kind.ACCESS: Right.TAKE_OUT,
}
# What people may take out of their own record without any role.
OWN = frozenset({Look.Kind.CARD, Look.Kind.ACCESS})


@transaction.atomic
def note_look(
    *,
    by: Account,
    kind: Look.Kind,
    operator: Operator | None = None,
    account: Account | None = None,
    machine: Machine | None = None,
    site: Site | None = None,
    asked: dict[str, Any] | None = None,
) -> Look:
    """Write down who looks, at what and when; ``asked`` holds plain JSON. ``account``: of staff, whose
    file is taken out, where it is no operator's.

    Without a ``site``, that of the machine or of the operator counts, for the permission too; with none of
    them the account must hold the right somewhere, and the caller narrows what is shown to its sites.
    """
    where = site or (machine and machine.site) or (operator and operator.site)
    is_own = by.operator_id == operator.pk if operator else account is not None and by.pk == account.pk
    if not (is_own and kind in OWN):
        require(by, RIGHTS[kind], site=where)
    asked = (asked or {}) | ({"account": account.pk} if account else {})
    look = Look(at=now(), by=by, kind=kind, operator=operator, machine=machine, site=where, asked=asked)
    look.full_clean(exclude=["by", "operator", "machine", "site", "asked"])
    look.save()
    record(by=by, action="record.looked_at", rows=[look])
    return look
