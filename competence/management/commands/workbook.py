"""Take a workbook out from a terminal; and, for the screens, write one that was asked for."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from competence.actions.clock import now
from competence.actions.workbooks import note_workbook
from competence.forms.workbook import slice_asked
from competence.management.questions import account_named, day_named, not_understood, row_named
from competence.models import Account, Category, Employer, Look, Site
from competence.outputs.workbook import Written, write_workbook
from competence.outputs.workbook_files import work_out
from competence.permissions import Right, sites_with
from competence.queries.workbook import CannotAnswer, Slice, as_plain


class Command(BaseCommand):
    help = (
        "Write the register, or a part of it, as a workbook (.xlsx): as of a moment, as known at a moment. "
        "That it was taken out is noted in the register. Exit: 0 written, 2 not understood."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("out", metavar="OUT.xlsx", nargs="?")
        parser.add_argument("--by", metavar="NAME", help="who takes it out, by whose rights")
        parser.add_argument("--as-of", default="", metavar="MOMENT", help="ISO 8601; what was true then; now")
        parser.add_argument(
            "--known-at", default="", metavar="MOMENT", help="leave out what was written down later; now"
        )
        parser.add_argument(
            "--site", action="append", default=[], metavar="CODE", help="again for several; all of NAME's"
        )
        parser.add_argument("--employer", metavar="FIRM", help="by its whole name")
        parser.add_argument("--category", metavar="CODE")
        parser.add_argument(
            "--from", dest="first", type=day_named, metavar="DAY", help="leave out what happened before"
        )
        parser.add_argument(
            "--to", dest="last", type=day_named, metavar="DAY", help="and what happened after"
        )
        parser.add_argument("--json", action="store_true", help="print what was written as JSON")
        parser.add_argument("--run", type=int, metavar="LOOK", help="write a workbook asked for on screen")

    def handle(self, **options: Any) -> None:
        if options["run"] is not None:
            looks = Look.objects.select_related("by")
            work_out(looks.get(pk=options["run"], kind=Look.Kind.WORKBOOK))
            return
        if not options["out"] or not options["by"]:
            raise not_understood("Say where to write it, and who takes it out: workbook OUT.xlsx --by NAME")
        path = Path(options["out"])
        if path.suffix.lower() != ".xlsx":
            raise not_understood(f"{path} does not end in .xlsx, and that is what a workbook is.")
        if not path.parent.is_dir():
            raise not_understood(f"There is no folder {path.parent} to write it in.")
        account = account_named(options["by"], Right.TAKE_OUT)
        asked = self._asked(account, options)
        look = note_workbook(by=account, asked=asked)
        try:
            written = write_workbook(
                path,
                asked,
                by=f"{account.name} ({account.username})",
                taken_at=look.at,
                told=lambda sheet, count: self._say(f"{sheet}: {count:,} rows so far"),
            )
        except OSError as problem:
            raise not_understood(f"{path} cannot be written: {problem.strerror}.") from problem
        self._tell(path, asked, written, as_json=options["json"])

    def _asked(self, account: Account, options: dict[str, Any]) -> Slice:
        allowed = sites_with(account, Right.TAKE_OUT)
        sites = [row_named(Site, "code", code) for code in options["site"]]
        for site in sites:
            if allowed is not None and site.pk not in allowed:
                raise not_understood(f"{account.name} may take nothing of {site} out.")
        employer, category = options["employer"], options["category"]
        try:
            return slice_asked(
                allowed=allowed,
                sites=sites,
                employer=row_named(Employer, "name", employer) if employer else None,
                category=row_named(Category, "code", category) if category else None,
                at=options["as_of"],
                known_at=options["known_at"],
                first=options["first"],
                last=options["last"],
            )
        except CannotAnswer as refused:
            raise not_understood(str(refused)) from refused

    def _say(self, stage: str) -> None:
        """How far it is: on the error stream, so that what is printed can be read by a program."""
        self.stderr.write(f"{now():%H:%M:%S} {stage}")

    def _tell(self, path: Path, asked: Slice, written: Written, *, as_json: bool) -> None:
        if as_json:
            told = {
                "file": str(path),
                "size": written.size,
                "sha256": written.sha256,
                "asked": as_plain(asked),
                "sheets": dict(written.counts),
                "checkpoint": written.checkpoint,
            }
            self.stdout.write(json.dumps(told, indent=2, ensure_ascii=False))
            return
        for sheet, count in written.counts:
            self.stdout.write(f"{count:>9,}  {sheet}")
        at = f"checkpoint at {written.checkpoint['size']}" if written.checkpoint else "no checkpoint yet"
        self.stdout.write(f"{path}: {written.size:,} bytes, SHA-256 {written.sha256}; {at}.")
