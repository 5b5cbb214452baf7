"""The cover of a site from a terminal."""

import json
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand
from django.utils import timezone

from assessments.queries.cover import Forecast, site_forecasts
from competence.management.questions import not_understood, row_named
from competence.models import Site

# As far ahead as anybody plans.
MOST_DAYS = 548


class Command(BaseCommand):
    help = (
        "How many people a site has for each category, day by day, if nobody renews and with the bookings; "
        "and the first day on which it has too few."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("--site", required=True, metavar="CODE")
        parser.add_argument("--category", metavar="CODE", help="only this one")
        parser.add_argument("--days", type=int, default=183, metavar="N", help=f"1 to {MOST_DAYS}; 183")
        parser.add_argument("--json", action="store_true", help="print every change as JSON")

    def handle(self, **options: Any) -> None:
        site = row_named(Site, "code", options["site"])
        if not 1 <= options["days"] <= MOST_DAYS:
            raise not_understood(f"--days is 1 to {MOST_DAYS}.")
        found = site_forecasts(site, moment=timezone.now(), days=options["days"])
        if asked := options["category"]:
            found = [one for one in found if one.category.code == asked]
            if not found:
                raise not_understood(f"{site.name} has no machine of {asked}, and needs nobody for it.")
        if options["json"]:
            plain = {"site": site.code, "categories": [_plain(one) for one in found]}
            self.stdout.write(json.dumps(plain, indent=2, ensure_ascii=False))
            return
        for one in found:
            self.stdout.write(_line(one))


def _line(forecast: Forecast) -> str:
    needed = f" of {forecast.minimum} needed" if forecast.minimum else ""
    says = "no minimum set"
    if forecast.minimum and forecast.first_short:
        says = f"short from {forecast.first_short_words}; chance of a short day {forecast.worst_words}"
    elif forecast.minimum:
        says = "enough all the way"
    return f"{forecast.category.name}: {forecast.now} authorised today{needed}; {says}."


def _plain(forecast: Forecast) -> dict[str, Any]:
    short, with_bookings = forecast.first_short, forecast.first_short_if_all_pass
    return {
        "category": forecast.category.code,
        "minimum": forecast.minimum,
        "now": forecast.now,
        "first_short": short.isoformat() if short else None,
        "first_short_if_all_pass": with_bookings.isoformat() if with_bookings else None,
        "changes": [
            {
                "on": change.on.isoformat(),
                "certain": change.certain,
                "not_away": change.available,
                "if_all_pass": change.if_all_pass,
                "chance_of_too_few": round(change.short, 6),
            }
            for change in forecast.changes
        ],
        "people": [
            {
                "operator": person.number,
                "to": person.last_day.isoformat() if person.last_day else None,
                "booked_on": person.booked_on.isoformat() if person.booked_on else None,
            }
            for person in forecast.people
        ],
    }
