"""Load the reference content into the register; loading it again changes nothing."""

from argparse import ArgumentParser
from typing import Any

from django.core.exceptions import PermissionDenied
from django.core.management.base import BaseCommand, CommandError

from competence.actions.errors import ActionRefused
from competence.inputs.reference import UnreadableContent, load_reference
from competence.models import Account


class Command(BaseCommand):
    help = (
        "Load the categories, features, points, checklists, standards, questions and papers that come with "
        "the register. "
        "What the register holds already is left alone."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument(
            "--by",
            required=True,
            metavar="USERNAME",
            help="whose act it is; site admin and trainer for every site",
        )

    def handle(self, *args: Any, **options: Any) -> None:
        account = Account.objects.filter(username__iexact=options["by"].strip(), is_active=True).first()
        if account is None:
            raise CommandError(f"Nobody signs in as {options['by']}; open the account first.")
        try:
            loaded = load_reference(by=account)
        except (ActionRefused, PermissionDenied, UnreadableContent) as problem:
            raise CommandError(str(problem)) from problem
        self.stdout.write(loaded.sentence())
        for line in loaded.left_alone:
            self.stdout.write(f"Left alone. {line}")
