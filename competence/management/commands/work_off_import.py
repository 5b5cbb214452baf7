"""Work off a run that was asked for on screen."""

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand

from competence.management.import_work import work_off
from competence.models import ImportRun


class Command(BaseCommand):
    help = "For the screens: read a long spreadsheet and say what it would change, or bring it in."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("run", type=int, metavar="RUN")

    def handle(self, *, run: int, **options: Any) -> None:
        running = ImportRun.objects.select_related("file", "asked_by").filter(status=ImportRun.Status.RUNNING)
        if asked := running.filter(pk=run).first():
            work_off(asked)
