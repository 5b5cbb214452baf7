"""Old spreadsheets being brought in."""

import factory
from django.utils import timezone

from competence.models import ImportedRow, ImportFile, ImportRun, RememberedWord

from .accounts import AccountFactory
from .base import RowFactory
from .people import EmployerFactory, OperatorFactory, SiteFactory
from .plant import CategoryFactory


class ImportFileFactory(RowFactory):
    """A draft without a copy of its file; ``ImportFileFactory(imported=True)`` was brought in."""

    class Meta:
        model = ImportFile

    class Params:
        imported = factory.Trait(
            status="imported",
            imported_by=factory.SelfAttribute("uploaded_by"),
            imported_at=factory.LazyFunction(timezone.now),
        )

    name = "tickets.xlsx"
    sha256 = factory.Sequence(lambda n: f"{n:064x}")
    size = 12_345
    uploaded_by = factory.SubFactory(AccountFactory, roles=["site_admin"])
    uploaded_at = factory.LazyFunction(timezone.now)


class ImportRunFactory(RowFactory):
    """Asked for just now, and running."""

    class Meta:
        model = ImportRun

    file = factory.SubFactory(ImportFileFactory)
    kind = "dry_run"
    asked_by = factory.SelfAttribute("file.uploaded_by")
    asked_at = factory.LazyFunction(timezone.now)


class ImportedRowFactory(RowFactory):
    class Meta:
        model = ImportedRow

    file = factory.SubFactory(ImportFileFactory, imported=True)
    row = factory.Sequence(lambda n: n + 2)
    outcome = "made"
    operator = factory.SubFactory(OperatorFactory)
    category = factory.SubFactory(CategoryFactory)
    told = "The last day was read from the note."


class RememberedWordFactory(RowFactory):
    """``RememberedWordFactory(kind="site")`` and so on; each means a row of its own."""

    class Meta:
        model = RememberedWord

    kind = "category"
    word = factory.Sequence(lambda n: f"word {n}")
    category = factory.Maybe(
        factory.LazyAttribute(lambda row: row.kind == "category"), factory.SubFactory(CategoryFactory), None
    )
    site = factory.Maybe(
        factory.LazyAttribute(lambda row: row.kind == "site"), factory.SubFactory(SiteFactory), None
    )
    employer = factory.Maybe(
        factory.LazyAttribute(lambda row: row.kind == "employer"), factory.SubFactory(EmployerFactory), None
    )
