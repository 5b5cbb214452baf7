"""The journal from a terminal: verify it, prove from it, seal it, keep its checkpoints."""

import json
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.db import DatabaseError

from competence.actions.journal import seal
from competence.management.questions import NOT_UNDERSTOOD, account_named
from competence.models import Checkpoint, JournalEntry
from competence.outputs.proof_bundle import bundle, take_out_entries
from competence.outputs.verify_bundle import as_written
from competence.permissions import NotAllowed
from competence.queries.checkpoints import (
    JournalKeyUnusable,
    NotACheckpoint,
    checkpoint_as_json,
    checkpoint_from_json,
    latest_checkpoint,
    public_key,
)
from competence.queries.journal import Report, verify
from competence.queries.journal_proofs import CannotProve, checkpoint_of_size, prove
from competence.queries.journal_tree import JournalBroken

PROBLEMS_FOUND = 1


class Command(BaseCommand):
    help = "Verify, prove from, or seal the journal. Exit: 0 all well, 1 problems found, 2 not understood."

    def add_arguments(self, parser: ArgumentParser) -> None:
        acts = parser.add_subparsers(dest="act", required=True)
        verifying = acts.add_parser("verify", help="hold everything on the register against the journal")
        verifying.add_argument("--json", action="store_true", help="print the report as JSON")
        verifying.add_argument("--checkpoint", metavar="FILE", help="a kept checkpoint to be extended")
        proving = acts.add_parser("prove", help="print the proof of one entry, with its rows")
        proving.add_argument("entry", metavar="ENTRY", help="the entry's number")
        proving.add_argument(
            "--row", nargs=2, metavar=("KIND", "KEY"), default=(None, None), help="show only this row"
        )
        bundling = acts.add_parser("bundle", help="take entries out as a .zip that anybody can check")
        bundling.add_argument("entries", metavar="ENTRY", type=int, nargs="+", help="the entries' numbers")
        bundling.add_argument("--by", metavar="NAME", required=True, help="who takes them out; it is noted")
        bundling.add_argument("--since", metavar="FILE", help="a kept checkpoint that it is to reach back to")
        bundling.add_argument("--out", metavar="FILE", default="bundle.zip", help="where to; bundle.zip")
        extending = acts.add_parser("consistency", help="print the proof that one checkpoint extends another")
        extending.add_argument("older", metavar="OLDER", type=int, help="how many entries it signed")
        extending.add_argument("newer", metavar="NEWER", type=int)
        acts.add_parser("seal", help="give new entries their places and sign the head")
        acts.add_parser("checkpoint", help="print the latest checkpoint, to be kept elsewhere")
        acts.add_parser("key", help="print the public key")

    def handle(self, *, act: str, **options: Any) -> None:
        try:
            getattr(self, f"_{act}")(options)
        except (NotACheckpoint, JournalKeyUnusable, CannotProve, NotAllowed) as error:
            raise CommandError(str(error), returncode=NOT_UNDERSTOOD) from error
        except JournalBroken as error:
            raise CommandError(str(error), returncode=PROBLEMS_FOUND) from error
        except OSError as error:
            told = f"{error.filename} could not be read: {error.strerror}."
            raise CommandError(told, returncode=NOT_UNDERSTOOD) from error
        except DatabaseError as error:
            told = f"The database could not be read: {(str(error) or 'no reason given').splitlines()[0]}"
            raise CommandError(told, returncode=NOT_UNDERSTOOD) from error

    def _verify(self, options: dict[str, Any]) -> None:
        kept = None
        if options["checkpoint"]:
            kept = checkpoint_from_json(Path(options["checkpoint"]).read_text(errors="replace"))
        report = verify(kept=kept)
        if options["json"]:
            self._print(report.as_json())
        else:
            self._tell(report)
        if not report.is_well:
            sys.exit(PROBLEMS_FOUND)

    def _tell(self, report: Report) -> None:
        self.stdout.write(", ".join(f"{name}: {count}" for name, count in report.counts().items()))
        for line in report.erasures:
            self.stdout.write(
                f"Erasure {line.erasure.pk} of {line.erasure.at:%Y-%m-%d}, by {line.erasure.by.username}: "
                f"{line.rows} rows, {line.images} images. {line.erasure.why}"
            )
        for problem in report.problems:
            self.stdout.write(f"- {problem.sentence}")
        if report.unlisted_problems:
            self.stdout.write(f"- and {report.unlisted_problems} more")
        self.stdout.write(
            "All is as it was written." if report.is_well else f"{report.found.total()} problems found."
        )

    def _prove(self, options: dict[str, Any]) -> None:
        number = options["entry"]
        entry = JournalEntry.objects.filter(pk=number).first() if number.isdecimal() else None
        if entry is None:
            raise CannotProve(f"There is no entry {number}.")
        kind, key = options["row"]
        self._print(prove(entry, kind=kind, key=key))

    def _bundle(self, options: dict[str, Any]) -> None:
        by = account_named(options["by"])
        since = None
        if options["since"]:
            since = checkpoint_from_json(Path(options["since"]).read_text(errors="replace"))
        numbers = sorted(set(options["entries"]))
        content = take_out_entries(by=by, numbers=numbers, since=since)
        Path(options["out"]).write_bytes(content)
        self.stdout.write(f"{options['out']}: {len(numbers)} of the journal's entries, and what checks them.")

    def _consistency(self, options: dict[str, Any]) -> None:
        older, newer = checkpoint_of_size(options["older"]), checkpoint_of_size(options["newer"])
        self.stdout.write(as_written(bundle([], since=older, until=newer)).decode(), ending="")

    def _seal(self, options: dict[str, Any]) -> None:
        checkpoint = seal()
        self.stdout.write(f"Sealed: {checkpoint}." if checkpoint else "There is nothing to seal.")

    def _checkpoint(self, options: dict[str, Any]) -> None:
        self._print(checkpoint_as_json(_latest()))

    def _key(self, options: dict[str, Any]) -> None:
        self.stdout.write(public_key().hex())

    def _print(self, value: dict[str, Any]) -> None:
        self.stdout.write(json.dumps(value, indent=2, ensure_ascii=False))


def _latest() -> Checkpoint:
    checkpoint = latest_checkpoint()
    if checkpoint is None:
        raise CannotProve("Nothing has been sealed yet: run “journal seal” first.")
    return checkpoint
