"""Bringing the old spreadsheet in: a file while it is worked on, what each of its rows became, and what words
were taken to mean."""

from typing import Any

from django.conf import settings
from django.core.files.storage import FileSystemStorage
from django.db import models
from django.db.models import Q

from .accounts import Account
from .base import Kept
from .people import Employer, Operator, Site
from .plant import Category
from .tickets import Ticket


def imports_folder() -> FileSystemStorage:
    return FileSystemStorage(location=settings.IMPORTS_ROOT)


class ImportFile(models.Model):
    """One uploaded file. It is a draft, with its copy kept, until it is imported or given up; ``mapping`` is
    how it is read (see ``rules.import_mapping``), ``report`` what came of it."""

    class Status(models.TextChoices):
        IN_PROGRESS = "in_progress", "In progress"
        IMPORTED = "imported", "Imported"
        NOTHING_NEW = "nothing_new", "Nothing new in it"
        GIVEN_UP = "given_up", "Given up"

    name = models.CharField("name of the file", max_length=200)
    sha256 = models.CharField(max_length=64)
    size = models.PositiveBigIntegerField()
    # Rows of the sheet that is read; ``None`` where no page has read it.
    row_count = models.PositiveIntegerField("rows of the sheet", null=True)
    file = models.FileField(storage=imports_folder, blank=True)
    uploaded_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    uploaded_at = models.DateTimeField()
    mapping = models.JSONField(default=dict)
    status = models.CharField(max_length=12, choices=Status, default=Status.IN_PROGRESS)
    report = models.JSONField(default=dict)
    imported_by = models.ForeignKey(Account, on_delete=models.PROTECT, null=True, related_name="+")
    imported_at = models.DateTimeField(null=True)

    class Meta:
        indexes = [models.Index(fields=["sha256"], name="import_file_by_digest")]
        constraints = [
            models.CheckConstraint(
                condition=Q(status="imported", imported_at__isnull=False, imported_by__isnull=False, file="")
                | Q(
                    status__in=["in_progress", "nothing_new", "given_up"],
                    imported_at__isnull=True,
                    imported_by__isnull=True,
                ),
                name="imported_file_says_who_and_when",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.name} of {self.uploaded_at:%Y-%m-%d %H:%M}"


class ImportRun(models.Model):
    """Work on a long file in a process of its own: what it would do, or bringing it in. A working paper: what
    is brought in is on record as any import is. ``found`` is what the dry run came to, as the page shows it;
    ``mapping`` how the file was read for it."""

    class Kind(models.TextChoices):
        DRY_RUN = "dry_run", "What would happen"
        BRING_IN = "bring_in", "Bringing in"

    class Status(models.TextChoices):
        RUNNING = "running", "Running"
        FINISHED = "finished", "Finished"
        STOPPED = "stopped", "Stopped"
        FAILED = "failed", "Failed"

    file = models.ForeignKey(ImportFile, on_delete=models.CASCADE, related_name="runs")
    kind = models.CharField(max_length=8, choices=Kind)
    mapping = models.JSONField(default=dict)
    asked_by = models.ForeignKey(Account, on_delete=models.PROTECT, related_name="+")
    asked_at = models.DateTimeField()
    status = models.CharField(max_length=8, choices=Status, default=Status.RUNNING)
    finished_at = models.DateTimeField(null=True)
    problem = models.TextField("what stopped it", blank=True)
    found = models.JSONField(null=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["file"], condition=Q(status="running"), name="one_run_of_a_file_at_a_time"
            ),
            models.CheckConstraint(
                condition=Q(status="running", finished_at__isnull=True)
                | Q(status__in=["finished", "stopped", "failed"], finished_at__isnull=False),
                name="ended_run_says_when",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}: {self.file_id}, asked for at {self.asked_at:%Y-%m-%d %H:%M}"

    @property
    def work_name(self) -> str:
        """Under which it is at work."""
        return f"import-run-{self.pk}"


class ImportedRow(Kept):
    """What one row of a file became (one for each category of a wide row). ``said`` is what the row said of
    the person, the ticket and the facts: a later file changes only what it says otherwise."""

    class Outcome(models.TextChoices):
        MADE = "made", "New"
        CHANGED = "changed", "Changed"
        SAME = "same", "As it was"
        LEFT_OUT = "left_out", "Left out"

    file = models.ForeignKey(ImportFile, on_delete=models.PROTECT, related_name="rows")
    row = models.PositiveIntegerField("row of the sheet")
    outcome = models.CharField(max_length=8, choices=Outcome)
    operator = models.ForeignKey(Operator, on_delete=models.PROTECT, null=True, related_name="imported_rows")
    category = models.ForeignKey(Category, on_delete=models.PROTECT, null=True, related_name="+")
    ticket = models.ForeignKey(Ticket, on_delete=models.PROTECT, null=True, related_name="+")
    told = models.TextField("what came of it", blank=True)
    said = models.JSONField(default=dict)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(outcome="left_out") & ~Q(told="")
                | Q(outcome__in=["made", "changed", "same"], operator__isnull=False),
                name="imported_row_names_its_operator_or_why_not",
            ),
        ]

    def __str__(self) -> str:
        return f"row {self.row} of import {self.file_id}"


class RememberedWord(models.Model):
    """What a word of a spreadsheet was taken to mean the last time; offered the next time, never silently."""

    class Kind(models.TextChoices):
        CATEGORY = "category", "Category"
        SITE = "site", "Site"
        EMPLOYER = "employer", "Employer"

    kind = models.CharField(max_length=8, choices=Kind)
    word = models.CharField("as compared: small letters, no accents", max_length=200)
    category = models.ForeignKey(Category, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    site = models.ForeignKey(Site, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    employer = models.ForeignKey(Employer, on_delete=models.PROTECT, null=True, blank=True, related_name="+")

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["kind", "word"], name="word_remembered_once"),
            models.CheckConstraint(
                condition=Q(kind="category", category__isnull=False, site__isnull=True, employer__isnull=True)
                | Q(kind="site", category__isnull=True, site__isnull=False, employer__isnull=True)
                | Q(kind="employer", category__isnull=True, site__isnull=True, employer__isnull=False),
                name="remembered_word_means_one_thing_of_its_kind",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {self.word}"

    @property
    def meaning(self) -> Any:
        return getattr(self, self.kind)
