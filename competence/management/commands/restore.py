"""Put a backup back."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from competence.inputs.backup import CannotRestore, check_backup, restore
from competence.rules.backups import NotABackup

NOT_WELL, NOT_UNDERSTOOD = 1, 2


class Command(BaseCommand):
    help = (
        "Put a backup back into an empty register and verify it. Exit: 0 back and well, 1 back and not well, "
        "2 nothing was put back."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("backup", metavar="BACKUP.zip")
        parser.add_argument("--replace", action="store_true", help="in place of a register that is in use")
        parser.add_argument("--check", action="store_true", help="only see that every byte is as written")

    def handle(self, *, backup: str, **options: Any) -> None:
        try:
            if options["check"]:
                manifest = check_backup(Path(backup))
                self.stdout.write(f"Whole: {len(manifest.sha256)} files, as of {manifest.at}.")
                return
            report = restore(
                Path(backup),
                replace=options["replace"],
                told=lambda words: self.stderr.write(f"{words} …"),
            )
        except (NotABackup, CannotRestore) as error:
            raise CommandError(str(error), returncode=NOT_UNDERSTOOD) from error
        for problem in report.problems:
            self.stdout.write(problem.sentence)
        if not report.is_well:
            raise CommandError(
                "The backup is back, and the journal tells of problems: see above.", returncode=NOT_WELL
            )
        self.stdout.write(
            f"Back, and well: {report.entries:,} entries, {report.compared_rows:,} rows and "
            f"{report.photographs:,} photographs are as the journal tells. Everybody is signed out."
        )
