"""Plan re-assessments from a terminal; and, for the screens, work out a plan that was asked for."""

import json
from argparse import ArgumentParser
from datetime import date, timedelta
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from assessments.actions.plans import as_plain, work_out
from assessments.models import Plan
from assessments.queries.planning import Asked, planning_task
from assessments.rules.planning import cost_of, earliest_due_first, plan
from competence.management.questions import not_understood
from competence.models import Account, Site


class Command(BaseCommand):
    help = (
        "Who is re-assessed by whom and when, so that no site runs short: least expected shortfall, then "
        "lateness, then journeys. Prints the plan with its bound, and what found no place; books nothing."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--site", action="append", default=[], metavar="CODE", help="again for several; all"
        )
        parser.add_argument("--first", type=date.fromisoformat, metavar="DAY", help="tomorrow")
        parser.add_argument("--days", type=int, default=60, metavar="N", help="calendar days to plan; 60")
        parser.add_argument("--capacity", type=int, default=4, metavar="N", help="assessments a day; 4")
        parser.add_argument("--weekends", action="store_true", help="assess at weekends too")
        parser.add_argument("--seconds", type=float, default=30.0, metavar="N", help="how long to search; 30")
        parser.add_argument("--json", action="store_true")
        parser.add_argument("--run", type=int, metavar="PLAN", help="work out a plan asked for on screen")

    def handle(self, **options: Any) -> None:
        if options["run"] is not None:
            work_out(Plan.objects.get(pk=options["run"], status=Plan.Status.RUNNING))
            return
        asked = self._asked(options)
        task = planning_task(asked, timezone.now())
        found = plan(task, seconds=options["seconds"])
        if options["json"]:
            told = as_plain(found)
            accounts = Account.objects.in_bulk([int(one["assessor"]) for one in told["placements"]])
            for one in told["placements"]:
                one["assessor"] = accounts[int(one["assessor"])].username
            self.stdout.write(json.dumps(told, indent=2, ensure_ascii=False))
            return
        names = Account.objects.in_bulk([int(one.key) for one in task.assessors])
        for one in found.placements:
            self.stdout.write(
                f"{one.on}  {one.need.site}  {one.need.category}  ticket {one.need.key}, ends "
                f"{one.need.last_day}  with {names[int(one.assessor.key)].name}"
            )
        for need, why in found.unplaced:
            self.stdout.write(f"No place: ticket {need.key}, {need.site}, ends {need.last_day}. {why}")
        by_hand = cost_of(task, earliest_due_first(task))
        self.stdout.write(
            f"{len(found.placements)} of {len(task.needs)} placed. Expected days short "
            f"{found.cost.short:.1f}, days late {found.cost.late:.0f}, journeys {found.cost.journeys}; "
            f"at most {found.gap:.2%} above the best. "
            f"Earliest due first gives {by_hand.short:.1f}, {by_hand.late:.0f} and {by_hand.journeys}."
        )

    def _asked(self, options: dict[str, Any]) -> Asked:
        every = set(Site.objects.values_list("code", flat=True))
        if unknown := set(options["site"]) - every:
            raise not_understood(f"No site has the code {', '.join(sorted(unknown))}.")
        if not 1 <= options["days"] <= 366 or options["capacity"] < 1 or options["seconds"] <= 0:
            raise not_understood("--days is 1 to 366, --capacity at least 1, --seconds more than 0.")
        first = options["first"] or timezone.now().date() + timedelta(days=1)
        if first <= timezone.now().date():
            raise not_understood("--first is tomorrow or later.")
        last = first + timedelta(days=options["days"] - 1)
        sites = tuple(sorted(options["site"] or every))
        asked = Asked(sites, first, last, options["capacity"], options["weekends"])
        if not asked.days:
            raise not_understood("There is no working day between these.")
        return asked
