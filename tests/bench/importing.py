"""Bringing an old spreadsheet in, against the least that it could take: the same reader reading the file, and
the very rows that came of it inserted ready-made and in bulk. Both in the same run, on the same file.

The journal's rows are among those inserted; that each is committed to is the import's own work.
"""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from time import perf_counter

from django.conf import settings
from django.db import connection, models, transaction
from python_calamine import load_workbook

from competence.actions.imports import collector_at_rest, import_rows, keep_import_file
from competence.inputs.import_files import lines_of
from competence.inputs.spreadsheet import read_spreadsheet
from competence.models import (
    Account,
    Employer,
    Evidence,
    ImportedRow,
    ImportFile,
    JournalEntry,
    JournalledRow,
    Operator,
    OperatorState,
    Role,
    Ticket,
    TicketEvent,
)
from competence.outputs.import_workbook import template_workbook
from competence.queries.import_words import Meanings
from competence.rules.import_mapping import first_mapping
from competence.rules.spreadsheet_columns import Part
from tests.bench.register import CATEGORIES, SITES

# In the order in which they can be inserted.
WRITTEN: tuple[type[models.Model], ...] = (
    Operator,
    OperatorState,
    Ticket,
    TicketEvent,
    Evidence,
    ImportFile,
    ImportedRow,
    JournalEntry,
    JournalledRow,
)
TICKETS_EACH = 5


@dataclass(frozen=True)
class Importing:
    rows: int
    made: int
    whole: float
    reading: float
    inserting: float

    @property
    def ratio(self) -> float:
        return self.whole / (self.reading + self.inserting)

    def line(self) -> str:
        return (
            f"import of {self.rows:,} rows, {self.made:,} rows made of them: {self.whole:.1f} s; "
            f"calamine {self.reading:.2f} s and bulk insert of the same {self.inserting:.1f} s: "
            f"{self.ratio:.2f} times"
        )


def measure(rows: int) -> Importing:
    Employer.objects.get_or_create(name="Bench employer")
    by = Account.objects.create(username="bench-importer")
    Role.objects.create(account=by, name=Role.Name.SITE_ADMIN)
    before = {model: set_apart(model) for model in WRITTEN}
    with tempfile.TemporaryDirectory(prefix="register-bench-") as folder, unsealed():
        path = Path(folder, "old.xlsx")
        path.write_bytes(template_workbook(sheet_rows(rows)))
        started = perf_counter()
        sheet = read_spreadsheet(path, path.name)
        mapping = first_mapping(sheet.rows)
        lines, meaning = lines_of(sheet, Meanings().with_certain(mapping))
        kept = keep_import_file(by=by, name=path.name, size=1, sha256="0" * 64, file=None, mapping=mapping)
        kept = import_rows(by=by, import_file=kept, lines=lines, meaning=meaning)
        whole = perf_counter() - started
        if kept.report["made"] != rows or kept.report["left_out"]:
            raise RuntimeError(f"not every row was brought in: {kept.report}")
        del sheet, lines
        started = perf_counter()
        load_workbook(path).get_sheet_by_index(0).to_python()
        reading = perf_counter() - started
        made = {model: list(model._base_manager.filter(pk__gt=last)) for model, last in before.items()}
        delete(before)
        started = perf_counter()
        # What spares the import time is given to what it is held against.
        with collector_at_rest(), transaction.atomic():
            for model, ready in made.items():
                models.QuerySet(model).bulk_create(ready)
        inserting = perf_counter() - started
        delete(before)
    return Importing(rows, sum(len(ready) for ready in made.values()), whole, reading, inserting)


def sheet_rows(rows: int) -> Iterator[dict[Part, object]]:
    """One row for each ticket, five to a person, in the layout of the empty sheet."""
    today = date.today()
    for n in range(rows):
        person = n // TICKETS_EACH
        yield {
            Part.NUMBER: f"SHEET{person}",
            Part.GIVEN_NAME: f"Given{person}",
            Part.FAMILY_NAME: f"Family{person}",
            Part.EMPLOYER: "Bench employer",
            Part.SITE: f"S{person % SITES}",
            Part.STARTED_ON: today - timedelta(days=800 + person % 900),
            Part.CATEGORY: f"category-{n % CATEGORIES}",
            Part.LEVEL: "full",
            Part.FIRST_DAY: today - timedelta(days=person % 700),
            Part.LAST_DAY: today + timedelta(days=10 + n % 300),
            Part.MEDICAL_ON: today - timedelta(days=person % 600),
            Part.MEDICAL_TO: today + timedelta(days=30 + person % 300),
            Part.INDUCTION_ON: today - timedelta(days=person % 500),
            Part.MODEL: f"Maker {n % CATEGORIES}",
            Part.MODEL_ON: today - timedelta(days=n % 400),
        }


def set_apart(model: type[models.Model]) -> int:
    return model._base_manager.aggregate(last=models.Max("pk"))["last"] or 0


def delete(before: dict[type[models.Model], int]) -> None:
    """What the import wrote, past every rule that keeps it: this is a throw-away database."""
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(
            f"UPDATE {Operator._meta.db_table} SET state_id = NULL WHERE id > %s", [before[Operator]]
        )
        for model in reversed(WRITTEN):
            cursor.execute(f"DELETE FROM {model._meta.db_table} WHERE id > %s", [before[model]])


@contextmanager
def unsealed() -> Iterator[None]:
    """Sealing comes after the transaction and is not part of it."""
    seconds, settings.JOURNAL_SEAL_SECONDS = settings.JOURNAL_SEAL_SECONDS, -1
    try:
        yield
    finally:
        settings.JOURNAL_SEAL_SECONDS = seconds
