"""Tell everybody by mail what is new for them, for a scheduler."""

import sys
from argparse import ArgumentParser
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.conf import settings
from django.core.management.base import BaseCommand

from assessments.actions.mail import compose_digest
from assessments.outputs.digest_mail import write_digest
from assessments.outputs.post import Delivery, deliver
from assessments.queries.digest import digest_lines, told_before
from assessments.queries.receivers import Receiver, receivers
from assessments.rules.digest import Line, QuietHours, news, over
from competence.actions.clock import now
from competence.forms.moments import NotAMoment, moment_in
from competence.management.questions import not_understood
from competence.models import Site

NOT_ALL_SENT = 1


class Command(BaseCommand):
    help = (
        "Mail to each operator, trainer and site admin what concerns them and was not told before. Run it "
        "as often as you like. Exit: 0 all sent, or kept for people in their quiet hours; 1 the server is "
        "down or refused something; 2 not understood, or not set up."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--at", metavar="MOMENT", help="as if it were then; ISO 8601, in UTC without an offset; else now"
        )
        parser.add_argument("--dry-run", action="store_true", help="print what would be told; send nothing")

    def handle(self, **options: Any) -> None:
        moment, quiet = self._asked(options)
        sites = list(Site.objects.order_by("name"))
        people = receivers(sites)
        lines = digest_lines(people.values(), sites, moment)
        told = told_before(people.values())
        if options["dry_run"]:
            self._show(people, lines, told, moment, quiet)
            return
        if not settings.MAIL_IS_SET:
            raise not_understood(
                "No mail server is set: state REGISTER_MAIL_URL. Nothing was sent, nothing counts as told."
            )
        for key, one in people.items():
            before = told.get(key, {})
            if one.sleeps(moment, quiet) or not (news(lines[key], before) or over(lines[key], before)):
                continue
            compose_digest(account=one.account, lines=lines[key], moment=moment, write=write_digest)
        done = deliver(people, moment, quiet)
        self._tell(done)
        if not done.is_complete:
            sys.exit(NOT_ALL_SENT)

    def _asked(self, options: dict[str, Any]) -> tuple[datetime, QuietHours | None]:
        try:
            moment = moment_in(options["at"], ZoneInfo("UTC")) if options["at"] else now()
        except NotAMoment as wrong:
            raise not_understood(str(wrong)) from wrong
        try:
            return moment, QuietHours.read(settings.QUIET_HOURS)
        except ValueError as wrong:
            raise not_understood(f"REGISTER_QUIET_HOURS: {wrong}.") from wrong

    def _show(
        self,
        people: Mapping[int, Receiver],
        lines: Mapping[int, list[Line]],
        told: Mapping[int, Mapping[str, str]],
        moment: datetime,
        quiet: QuietHours | None,
    ) -> None:
        for key, one in people.items():
            if new := news(lines[key], told.get(key, {})):
                later = ", after their quiet hours" if one.sleeps(moment, quiet) else ""
                self.stdout.write(f"To {one.account.name} <{one.account.email}>{later}:")
                for line in new:
                    self.stdout.write(f"  {line.section.value}: {line.title}: {line.words}")
        self.stdout.write("Nothing was sent.")

    def _tell(self, done: Delivery) -> None:
        for mail, why in done.refused:
            self.stdout.write(
                f"Refused for {mail.to}: {why}. Put the address right; the mail is kept for it."
            )
        if done.down:
            self.stdout.write(f"The mail server cannot be used ({done.down}).")
        if done.kept:
            self.stdout.write(f"{_mails(len(done.kept))} kept for the next run.")
        if done.asleep:
            self.stdout.write(f"{_mails(done.asleep)} kept until quiet hours are over.")
        if done.dropped:
            self.stdout.write(f"{_mails(done.dropped)} dropped: nobody wants them any more.")
        self.stdout.write(f"{_mails(len(done.sent))} sent.")


def _mails(count: int) -> str:
    return "1 mail" if count == 1 else f"{count} mails"
