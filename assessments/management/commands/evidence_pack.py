"""Take an evidence pack out from a terminal."""

from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.management.base import BaseCommand

from assessments.forms.evidence_pack import CannotTell, pack_asked
from assessments.outputs.evidence_pack import take_out_pack
from competence.management.questions import not_understood
from competence.models import Account
from competence.permissions import Right, require
from competence.queries.checkpoints import JournalKeyUnusable
from competence.queries.journal_proofs import CannotProve
from competence.queries.journal_tree import JournalBroken


class Command(BaseCommand):
    help = (
        "Write an evidence pack of one person, or of one incident, as a PDF with its proof attached. That it "
        "was taken out is noted in the register. Exit: 0 written, 2 not understood."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("out", metavar="OUT.pdf")
        parser.add_argument("--operator", metavar="NUMBER", required=True)
        parser.add_argument(
            "--machine", metavar="NUMBER", default="", help="of an incident: on which machine"
        )
        parser.add_argument(
            "--at",
            metavar="MOMENT",
            default="",
            help="ISO 8601; without an offset, local to where the machine stood, or to the home site; now",
        )
        parser.add_argument(
            "--known-at", metavar="MOMENT", default="", help="leave out what was written down later; now"
        )
        parser.add_argument("--by", metavar="NAME", required=True, help="who takes it out, by whose rights")

    def handle(self, **options: Any) -> None:
        path = Path(options["out"])
        if path.suffix.lower() != ".pdf":
            raise not_understood(f"{path} does not end in .pdf, and that is what a pack is.")
        if not path.parent.is_dir():
            raise not_understood(f"There is no folder {path.parent} to write it in.")
        account = Account.objects.filter(username__iexact=options["by"], is_active=True).first()
        if account is None:
            raise not_understood(f"Nobody signs in as {options['by']}.")
        try:
            require(account, Right.TAKE_OUT)
            words = {name: options[name] for name in ("operator", "machine", "at", "known_at")}
            asked, noted_site = pack_asked(account, **words)
            pack = take_out_pack(asked, by=account, noted_site=noted_site)
        except (CannotTell, PermissionDenied, CannotProve, JournalBroken, JournalKeyUnusable) as refused:
            raise not_understood(str(refused)) from refused
        try:
            path.write_bytes(pack.pdf)
        except OSError as problem:
            raise not_understood(f"{path} cannot be written: {problem.strerror}.") from problem
        proof = f"proof of {pack.entries} entries attached" if pack.bundle else "nothing to prove it by yet"
        self.stdout.write(f"{path}: {len(pack.pdf):,} bytes; {proof}.")
