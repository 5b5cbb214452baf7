"""Plans of re-assessments: asked for, worked out in a process of its own, and accepted as bookings."""

import logging
from collections import defaultdict
from collections.abc import Collection, Iterable
from datetime import date
from typing import Any

from django.db import transaction

from assessments.actions.bookings import book_assessments
from assessments.models import Booking, Plan
from assessments.queries.planning import Asked, planning_task
from assessments.rules.planning import Plan as Found
from assessments.rules.planning import plan
from competence.actions import background
from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.models import Account, Machine, Operator, Site, Ticket
from competence.permissions import Right, require

log = logging.getLogger(__name__)

Status = Plan.Status
# A year is more than any plan of days holds, and a quarter of an hour more than anybody waits.
MOST_DAYS, MOST_SECONDS = 366, 900


def ask_for_plan(*, by: Account, asked: Asked, seconds: float) -> Plan:
    """Begin to work a plan out; it shows its progress, and can be stopped. It is no record until accepted."""
    require_booking_at(by, asked.sites)
    if not asked.sites:
        raise ActionRefused("Choose at least one site.", field="sites")
    if not asked.days:
        raise ActionRefused("There is no working day between these.", field="last")
    if (asked.last - asked.first).days >= MOST_DAYS:
        raise ActionRefused("Plan a year at most.", field="last")
    made = Plan.objects.create(
        made_by=by, made_at=now(), asked=asked.as_plain() | {"seconds": min(seconds, MOST_SECONDS)}
    )
    background.begin("plan", "--run", str(made.pk))
    return made


def is_lost(made: Plan) -> bool:
    """Whether the search runs by what is kept, and its process has died."""
    return made.status == Status.RUNNING and background.is_lost(
        made.work_name, asked_at=made.made_at, moment=now()
    )


def work_out(made: Plan) -> None:
    """Search until the time is up, the plan is good enough, or somebody stops it; keep what was found."""
    with background.at_work(made.work_name):
        _search(made)


def _search(made: Plan) -> None:
    asked = Asked.from_plain(made.asked)
    try:
        task = planning_task(asked, now())
        found = plan(task, seconds=made.asked["seconds"], seen=lambda at_hand: _show(made, at_hand))
    except Exception:
        log.exception("Plan %s failed", made.pk)
        Plan.objects.filter(pk=made.pk).update(status=Status.FAILED, finished_at=now())
        raise
    made.refresh_from_db()
    made.found, made.finished_at = as_plain(found), now()
    made.status = Status.STOPPED if made.is_to_stop else Status.FINISHED
    made.save()


def _show(made: Plan, at_hand: Found) -> bool:
    """Keep what is known so far where the page can see it; true where somebody asked to stop."""
    progress = {
        "seconds": round(at_hand.seconds, 1),
        "gap": round(at_hand.gap, 5),
        "cost": at_hand.cost.total,
    }
    Plan.objects.filter(pk=made.pk).update(progress=progress)
    return Plan.objects.filter(pk=made.pk, is_to_stop=True).exists()


def as_plain(found: Found) -> dict[str, Any]:
    """What was found, with keys of tickets and accounts."""
    return {
        "placements": [
            {
                "ticket": one.need.key,
                "ends": one.need.last_day.isoformat(),
                "assessor": one.assessor.key,
                "on": one.on.isoformat(),
            }
            for one in found.placements
        ],
        "unplaced": [{"ticket": need.key, "why": why} for need, why in found.unplaced],
        "short": round(found.cost.short, 3),
        "late": found.cost.late,
        "journeys": found.cost.journeys,
        "cost": found.cost.total,
        "bound": found.bound,
        "gap": found.gap,
        "seconds": round(found.seconds, 1),
    }


def stop_plan(*, by: Account, made: Plan) -> None:
    """Ask the search to stop; what it has by then is kept."""
    require_booking_at(by, made.asked["sites"])
    Plan.objects.filter(pk=made.pk, status=Status.RUNNING).update(is_to_stop=True)


@transaction.atomic
def accept_plan(*, by: Account, made: Plan, tickets: Collection[str]) -> list[Booking]:
    """Book the placements of these tickets, all or none; each day's people of one assessor on one machine are
    one booking entry. What stands in the way is refused by name."""
    require_booking_at(by, made.asked["sites"])
    chosen = [one for one in (made.found or {}).get("placements", ()) if one["ticket"] in tickets]
    if not chosen:
        raise ActionRefused("Tick at least one line to book.")
    held = {
        ticket.number: ticket
        for ticket in Ticket.objects.filter(number__in=[one["ticket"] for one in chosen]).select_related(
            "operator__state__site", "category"
        )
    }
    changed = [
        held[one["ticket"]].operator.name
        for one in chosen
        if held[one["ticket"]].last_day.isoformat() != one["ends"]
    ]
    if changed:
        raise ActionRefused(f"Renewed or changed since the plan was made: {', '.join(changed)}.")
    together: dict[tuple[str, int, str], list[Operator]] = defaultdict(list)
    machines: dict[tuple[int, int], Machine] = {}
    for one in chosen:
        ticket = held[one["ticket"]]
        place = (ticket.operator.site.pk, ticket.category_id)
        if place not in machines:
            machines[place] = _machine_at(*place)
        together[one["on"], machines[place].pk, one["assessor"]].append(ticket.operator)
    by_pk = {machine.pk: machine for machine in machines.values()}
    accounts = {
        str(account.pk): account for account in Account.objects.filter(pk__in={k[2] for k in together})
    }
    made_now: list[Booking] = []
    for (on, machine, assessor), operators in sorted(together.items(), key=lambda item: item[0]):
        made_now += book_assessments(
            by=by,
            on=date.fromisoformat(on),
            machine=by_pk[machine],
            operators=operators,
            assessor=accounts[assessor],
            note=f"From plan {made.pk}",
        )
    return made_now


def _machine_at(site: int, category: int) -> Machine:
    found = (
        Machine.objects.with_state()
        .filter(state__site=site, state__category=category, state__is_in_service=True)
        .order_by("fleet_number")
        .first()
    )
    if found is None:
        raise ActionRefused("A machine that was planned on has left its site or its service. Plan again.")
    return found


def require_booking_at(by: Account, codes: Iterable[str]) -> None:
    """Raise ``NotAllowed`` unless the account may book at every one of these sites."""
    for site in Site.objects.filter(code__in=codes):
        require(by, Right.BOOK, site=site)
