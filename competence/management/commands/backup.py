"""Back the whole register up while it runs."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from competence.outputs.backup import CannotBackUp, back_up


class Command(BaseCommand):
    help = (
        "Write the database and every photograph, as of one moment and while the register runs, into one "
        "file with checksums. The keys are not in it: keep them elsewhere. Exit: 0 written, 1 not."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("out", metavar="OUT.zip")

    def handle(self, *, out: str, **options: Any) -> None:
        try:
            manifest = back_up(Path(out), told=lambda words: self.stderr.write(f"{words} …"))
        except CannotBackUp as error:
            raise CommandError(str(error), returncode=1) from error
        rows, photographs = sum(manifest.rows.values()), len(manifest.sha256) - 1
        self.stdout.write(
            f"{out}: {rows:,} rows of {len(manifest.rows)} tables and {photographs:,} photographs, as of "
            f"{manifest.at}. It holds people's records: keep it as safe as the register, and apart from the "
            "keys."
        )
