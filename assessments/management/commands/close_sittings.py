"""Finish the papers whose time is up, for a scheduler; nobody need come by for the result to stand."""

from typing import Any

from django.core.management.base import BaseCommand

from assessments.actions.sittings import finish_all_over


class Command(BaseCommand):
    help = "Finish every question paper whose time is up, with the answers that came in time."

    def handle(self, **options: Any) -> None:
        count = finish_all_over()
        self.stdout.write(f"{count} {'paper' if count == 1 else 'papers'} finished.")
