"""Ask the record from a terminal."""

import json
import sys
from argparse import ArgumentParser
from typing import Any
from zoneinfo import ZoneInfo

from django.core.management.base import BaseCommand
from django.utils import timezone

from competence.actions.looks import note_look
from competence.management.questions import (
    REFUSED,
    account_named,
    machine_named,
    moments_asked,
    not_understood,
    operator_named,
)
from competence.models import Look
from competence.permissions import NotAllowed
from competence.queries.record import KnownAnswer, RecordAnswer, ask_record
from competence.queries.record import as_plain as plain_answer
from competence.queries.timeline import moment_words


class Command(BaseCommand):
    help = (
        "What was true at a past moment, what the register said then, and what changed its mind. Exit, by "
        "all that is known now: 0 allowed, 3 refused, 2 the question could not be understood."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("operator", metavar="OPERATOR", help="operator number")
        parser.add_argument("machine", metavar="MACHINE", help="fleet number")
        parser.add_argument(
            "--at",
            metavar="MOMENT",
            required=True,
            help="ISO 8601; without an offset, local to the site where the machine stood then",
        )
        parser.add_argument(
            "--known-at", metavar="MOMENT", help="one more moment of knowledge, on the same clock"
        )
        parser.add_argument("--supervisor", metavar="NUMBER", help="the supervising operator of a trainee")
        parser.add_argument("--by", metavar="NAME", help="under this sign-in name, which is noted as a look")
        parser.add_argument("--json", action="store_true", help="print the answer as JSON")

    def handle(self, *, operator: str, machine: str, **options: Any) -> None:
        person, found = operator_named(operator), machine_named(machine)
        supervisor = operator_named(options["supervisor"]) if options["supervisor"] else None
        now = timezone.now()
        at, known_at, site = moments_asked(found, options["at"], options["known_at"], now)
        if options["by"]:
            asked = {"at": at.isoformat()} | ({"known_at": known_at.isoformat()} if known_at else {})
            try:
                note_look(
                    by=account_named(options["by"]),
                    kind=Look.Kind.RECORD,
                    operator=person,
                    machine=found,
                    site=site,
                    asked=asked,
                )
            except NotAllowed as error:
                raise not_understood(str(error)) from error
        answer = ask_record(
            operator=person,
            machine=found,
            site=site,
            at=at,
            asked_at=now,
            known_at=known_at,
            supervisor=supervisor,
            with_chain=False,
        )
        if options["json"]:
            self.stdout.write(json.dumps(plain_answer(answer), indent=2, ensure_ascii=False))
        else:
            self._tell(answer)
        if not answer.now.verdict.is_allowed:
            sys.exit(REFUSED)

    def _tell(self, answer: RecordAnswer) -> None:
        zone = ZoneInfo(answer.site.zone)
        subject = f"{answer.operator} on {answer.machine.fleet_number}"
        self.stdout.write(f"{subject}, {moment_words(answer.at, zone)}, clock of {answer.site.name}.")
        for note in answer.notes:
            self.stdout.write(f"Note: {note}")
        self._tell_known("As we know it now", answer.now, zone)
        self._tell_known("As the register knew it then", answer.then, zone)
        if answer.third:
            title = f"As the register knew it at {moment_words(answer.third.known_at, zone)}"
            self._tell_known(title, answer.third, zone)
        heading = "What changed the register's mind" if answer.turns else "Nothing changed its mind"
        self.stdout.write(f"{heading}, of {answer.later_rows} rows written down since:")
        for number, turn in enumerate(answer.turns, start=1):
            for link, sentence in turn.rows:
                why = f" Why: {link.worded.why}" if link.worded.why else ""
                entry = f" (journal entry {link.place.entry})" if link.place else ""
                self.stdout.write(f"{number}. {sentence}{why}{entry}")
            self.stdout.write(f"   {turn.turned}")
        for stored in answer.stored:
            what = "A daily check was started" if stored.is_check else "A daily check was refused"
            same = "as the record has it" if stored.is_same else "which DIFFERS from the record"
            self.stdout.write(f"{what} {moment_words(stored.at, zone)}: {same}.")

    def _tell_known(self, title: str, known: KnownAnswer, zone: ZoneInfo) -> None:
        word = "allowed" if known.verdict.is_allowed else "refused"
        self.stdout.write(f"{title}: {word}.")
        if known.gap:
            self.stdout.write(f"   {known.gap}")
        for reason in known.reasons:
            since = f" Since {reason.since}." if reason.since else ""
            self.stdout.write(f"   - {reason.sentence}{since}")
