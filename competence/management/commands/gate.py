"""Ask the gate from a terminal."""

import json
import sys
from argparse import ArgumentParser
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand
from django.utils import timezone

from competence.management.questions import (
    REFUSED,
    machine_named,
    moments_asked,
    not_understood,
    operator_named,
)
from competence.queries.gate import snapshot
from competence.queries.gate_answers import WHOSE_MOVE
from competence.rules.gate import Verdict, decide
from competence.rules.reasons import long_date


class Command(BaseCommand):
    help = (
        "May this person check out this machine? Prints every reason. Exit: 0 allowed, 3 refused, "
        "2 the question could not be understood."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("operator", metavar="OPERATOR", help="operator number")
        parser.add_argument("machine", metavar="MACHINE", help="fleet number")
        parser.add_argument(
            "--at",
            metavar="MOMENT",
            help="ISO 8601; without an offset, local to the site where the machine stood then; else now",
        )
        parser.add_argument(
            "--known-at",
            metavar="MOMENT",
            help="leave out what was written down later, on the same clock; else now",
        )
        parser.add_argument("--supervisor", metavar="NUMBER", help="the supervising operator of a trainee")
        parser.add_argument("--confirmed", action="store_true", help="the supervising operator has said yes")
        parser.add_argument("--json", action="store_true", help="print the verdict as JSON")

    def handle(self, *, operator: str, machine: str, **options: Any) -> None:
        if options["confirmed"] and not options["supervisor"]:
            raise not_understood("--confirmed says that a supervising operator said yes: name one.")
        for number in filter(None, (operator, options["supervisor"])):
            operator_named(number)
        now = timezone.now()
        at, known_at, site = moments_asked(machine_named(machine), options["at"], options["known_at"], now)
        known_at = known_at or now
        facts = snapshot(
            operator=operator,
            machine=machine,
            at=at,
            known_at=known_at,
            supervisor=options["supervisor"],
            is_confirmed=options["confirmed"],
        )
        verdict = decide(facts, at)
        if options["json"]:
            asked = {
                "operator": operator,
                "machine": machine,
                "supervisor": options["supervisor"],
                "at": at.isoformat(),
                "known_at": known_at.isoformat(),
            }
            self.stdout.write(json.dumps({**asked, **verdict.as_plain()}, indent=2, ensure_ascii=False))
        else:
            name = facts.person.name if facts.person else operator
            self._tell(verdict, f"{name} ({operator}) on {machine}", at.astimezone(ZoneInfo(site.zone)))
        if not verdict.is_allowed:
            sys.exit(REFUSED)

    def _tell(self, verdict: Verdict, subject: str, at: datetime) -> None:
        word = "Allowed" if verdict.is_allowed else "Refused"
        self.stdout.write(f"{word}: {subject}, {long_date(at.date())} {at:%H:%M %Z}.")
        if verdict.is_allowed:
            self.stdout.write(f"On ticket {verdict.ticket}, {verdict.level.value} level.")
        for number, reason in enumerate(verdict.reasons, start=1):
            since = f" Since {long_date(reason.since)}." if reason.since else ""
            self.stdout.write(f"{number}. {reason.sentence}{since}")
            self.stdout.write(f"   What puts it right: {reason.remedy}")
            self.stdout.write(f"   Whose move: {WHOSE_MOVE[reason.move].lower()}")
        for notice in verdict.notices:
            self.stdout.write(f"Note: {notice}")
