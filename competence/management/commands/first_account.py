"""Open the first account of a new register: a site admin and trainer for every site."""

import getpass
import sys
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError
from django.db import transaction

from competence.actions.errors import ActionRefused
from competence.actions.people import give_role, open_account
from competence.models import Account, Role


class Command(BaseCommand):
    help = (
        "Open the first account of a new register. It holds the roles site admin and trainer for every site; "
        "give them to the right people, and end them here, from the screens."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username")
        parser.add_argument(
            "--password-file",
            metavar="FILE",
            help="read the password from the first line of FILE, or of standard input for a hyphen; "
            "without it the password is asked for",
        )
        parser.add_argument("--given-name", default="")
        parser.add_argument("--family-name", default="")

    def handle(self, *args: Any, **options: Any) -> None:
        if Account.objects.exists():
            raise CommandError("The register has accounts already; a site admin opens the next one.")
        password = _password(options["password_file"])
        try:
            with transaction.atomic():
                account = open_account(
                    by=None,
                    username=options["username"],
                    password=password,
                    given_name=options["given_name"],
                    family_name=options["family_name"],
                )
                for role in (Role.Name.SITE_ADMIN, Role.Name.TRAINER):
                    give_role(by=None, account=account, name=role, site=None)
        except ActionRefused as refused:
            raise CommandError(refused.sentence) from refused
        except ValidationError as problem:
            raise CommandError(" ".join(problem.messages)) from problem
        self.stdout.write(
            f"{account.username} can sign in, as site admin and trainer for every site.\n"
            f"Next: manage.py load_reference --by {account.username}"
        )


def _password(file: str | None) -> str:
    if file == "-":
        return sys.stdin.readline().rstrip("\n")
    if file:
        try:
            return (Path(file).read_text().splitlines() or [""])[0]
        except (OSError, UnicodeDecodeError) as problem:
            raise CommandError(f"The password file cannot be read: {problem}") from problem
    first = getpass.getpass("Password: ")
    if getpass.getpass("The same again: ") != first:
        raise CommandError("The two passwords differ; nothing was opened.")
    return first
