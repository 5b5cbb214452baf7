"""Defects: opened by a check, seen again by later ones, closed by a site admin."""

from datetime import datetime
from zoneinfo import ZoneInfo

from django.db import models, transaction

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.journal import record
from competence.models import Account, DailyCheck, Defect, DefectSighting, Finding, Grade
from competence.permissions import Right, require
from competence.rules.reasons import long_date


def raise_or_sight(finding: Finding, daily_check: DailyCheck, moment: datetime) -> list[models.Model]:
    """Open a defect for a finding, or note that the open one was seen again; the rows that were written.

    Part of submitting a check, in its transaction. A defect seen worse is graded up; never down, since only
    closing says that something was put right.
    """
    point = finding.listed.point
    # Locked, so that a defect being closed at this moment is not taken for one that is still open.
    known = (
        Defect.objects.select_for_update()
        .filter(machine=daily_check.machine, point_code=point.code, closed_at__isnull=True)
        .first()
    )
    if known is None:
        return [
            Defect.objects.create(
                machine=daily_check.machine,
                site=daily_check.site,
                point_code=point.code,
                point_title=point.title,
                grade=finding.grade,
                note=finding.note,
                opened_at=moment,
                opened_by=finding,
            )
        ]
    rows: list[models.Model] = [DefectSighting.objects.create(defect=known, finding=finding)]
    if finding.grade == Grade.STOP_USE and known.grade != Grade.STOP_USE:
        known.grade = Grade.STOP_USE
        known.save(update_fields=["grade"])
        rows.append(known)
    return rows


@transaction.atomic
def close_defect(*, by: Account, defect: Defect, done: str) -> Defect:
    """Close a defect, saying what was done about it: asked where the machine stands now, which need not be
    where the defect was found."""
    # Who closed it is read afterwards: a join is as old as the question, and the lock may have had to wait
    # for the other closer.
    defects = Defect.objects.select_for_update(of=("self",)).select_related("machine__state__site")
    defect = defects.get(pk=defect.pk)
    site = defect.machine.site
    require(by, Right.CLOSE_DEFECT, site=site)
    if not defect.is_open:
        closed_at = defect.closed_at.astimezone(ZoneInfo(site.zone))
        raise ActionRefused(
            f"{defect.closed_by.name} closed this defect already, on {long_date(closed_at.date())} at "
            f"{closed_at:%H:%M} ({site.zone}), and wrote: {defect.done}"
        )
    defect.closed_at, defect.closed_by, defect.done = now(), by, done
    defect.full_clean()
    defect.save()
    record(by=by, action="defect.closed", rows=[defect], reason=done[:300])
    return defect
