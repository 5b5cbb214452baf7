"""A small register with a row of every kind, written into the journal; and hands that reach past it."""

import hashlib
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from uuid import UUID

from django.core.files.base import ContentFile
from django.db import connection, models, transaction

from competence.actions.journal import record, seal
from competence.models import (
    AcceptedCategory,
    Account,
    DefectSighting,
    Finding,
    FittedFeature,
    JournalledRow,
    Precedence,
)
from competence.queries.journal_rows import journalled_models
from tests import factories
from tests.factories import absences, cards, imports, keeping

PHOTOGRAPH = b"not a real photograph, and exactly these bytes"


def make_rows() -> None:
    """One row at least of every model of the register."""
    person = factories.AccountFactory(roles=["trainer"])
    version = factories.StandardVersionFactory()
    category = version.category
    factories.RequirementFactory(version=version)
    AcceptedCategory.objects.create(version=version, category=factories.CategoryFactory())
    machine = factories.MachineFactory()
    FittedFeature.objects.create(state=machine.state, feature=factories.FeatureFactory())
    factories.MachineUseFactory(machine=machine)
    factories.LookFactory()
    factories.SampleVerdictFactory()
    factories.SampleResultFactory()
    factories.MinimumCoverFactory(category=category)
    factories.EvidenceFactory()
    factories.AppointmentFactory(account=person)
    ticket = factories.TicketFactory()
    if not ticket.events.exists():
        factories.TicketEventFactory(ticket=ticket)
    defect = factories.DefectFactory(machine=machine)
    listed = list(defect.opened_by.daily_check.checklist.listed.order_by("position"))
    Precedence.objects.create(
        version=listed[0].version, earlier=listed[0], later=listed[1], is_safety=True, why="Chocks first."
    )
    later = factories.DailyCheckFactory(
        machine=machine, checklist=defect.opened_by.daily_check.checklist, submitted=True
    )
    seen = Finding(
        daily_check=later, listed=listed[0], answer="defect", grade="report", note="Still worn through."
    )
    seen.answered_at, seen.photograph_sha256 = later.started_at, hashlib.sha256(PHOTOGRAPH).hexdigest()
    seen.photograph.save("worn.jpg", ContentFile(PHOTOGRAPH), save=True)
    DefectSighting.objects.create(defect=defect, finding=seen)
    factories.RefusalFactory()
    cards.CardTicketFactory()
    cards.CardStopFactory()
    cards.CredentialFactory()
    cards.OperatorPhotographFactory(octets=PHOTOGRAPH)
    absences.AbsenceFactory()
    imports.ImportedRowFactory()
    imports.RememberedWordFactory()
    keeping.KeepingRuleFactory()
    keeping.ErasedRowFactory()


def write_journal() -> None:
    """Everything that the journal does not know yet: one entry for each kind."""
    known = set(JournalledRow.objects.values_list("kind", "key"))
    by = Account.objects.order_by("pk").first()
    for model in journalled_models():
        kind = model._meta.label_lower
        rows = [row for row in model._base_manager.order_by("pk") if (kind, str(row.pk)) not in known]
        if rows:
            with transaction.atomic():
                record(by=by, action=f"{model._meta.model_name}.entered", rows=rows, reason="Set up")


def make_register() -> None:
    """Two sealings, so that there are two checkpoints to hold against one another."""
    factories.SiteFactory()
    factories.EmployerFactory()
    factories.CategoryFactory()
    write_journal()
    seal()
    make_rows()
    write_journal()
    seal()


def another(field: models.Field, value: Any) -> Any:
    """A value that the column can hold and does not hold now."""
    if field.get_internal_type() == "UUIDField" or isinstance(value, UUID):
        return UUID(int=value.int ^ 1) if value else UUID(int=1)
    if isinstance(field, models.ForeignKey):
        return another(field.target_field, value)
    by_type = {
        models.BooleanField: lambda: not value,
        models.JSONField: lambda: {"altered": True},
        models.BinaryField: lambda: bytes([bytes(value)[0] ^ 1]) + bytes(value)[1:] if value else b"x" * 16,
        models.DecimalField: lambda: (value or 0) + Decimal(1).scaleb(-field.decimal_places),
        models.FloatField: lambda: (value or 0) + 0.5,
        models.DateTimeField: lambda: _moment() if value is None else value + timedelta(microseconds=1),
        models.DateField: lambda: _moment().date() if value is None else value + timedelta(days=1),
        models.CharField: lambda: "x" if value != "x" else "y",
        models.TextField: lambda: "x" if value != "x" else "y",
        models.FileField: lambda: "x.jpg",
        models.IntegerField: lambda: (value or 0) + 1000,
    }
    return next(make for kind, make in by_type.items() if isinstance(field, kind))()


def _moment() -> datetime:
    return datetime(2020, 2, 29, 12, tzinfo=UTC)


def put(row: models.Model, column: str, value: Any, *, is_raw: bool = False) -> None:
    """UPDATE one column past every model, constraint and action."""
    field = next(field for field in row._meta.concrete_fields if field.attname == column)
    prepared = value if is_raw else field.get_db_prep_save(value, connection)
    key = row._meta.pk.get_db_prep_save(row.pk, connection)
    # A column may be called as a word of SQL is, "on" for one.
    table, column, pk = map(
        connection.ops.quote_name, (row._meta.db_table, field.column, row._meta.pk.column)
    )
    run(f"UPDATE {table} SET {column} = %s WHERE {pk} = %s", prepared, key)


def remove(row: models.Model) -> None:
    key = row._meta.pk.get_db_prep_save(row.pk, connection)
    run(f"DELETE FROM {row._meta.db_table} WHERE {row._meta.pk.column} = %s", key)


def run(statement: str, *values: Any) -> None:
    with connection.cursor() as cursor:
        cursor.execute(statement, values or None)


@contextmanager
def undone() -> Any:
    """Whatever is altered inside is put back afterwards; the database's own guards are off meanwhile."""
    with transaction.atomic():
        if connection.vendor == "sqlite":
            run("PRAGMA ignore_check_constraints = ON")
        else:
            _drop_guards()
        try:
            yield
        finally:
            transaction.set_rollback(True)
    if connection.vendor == "sqlite":
        run("PRAGMA ignore_check_constraints = OFF")


def _drop_guards() -> None:
    run("SET CONSTRAINTS ALL IMMEDIATE")
    run(
        "DO $$ DECLARE one record; BEGIN FOR one IN SELECT conname, conrelid::regclass AS owner "
        "FROM pg_constraint WHERE contype IN ('c', 'f') AND connamespace = 'public'::regnamespace "
        "LOOP EXECUTE format('ALTER TABLE %s DROP CONSTRAINT %I', one.owner, one.conname); END LOOP; END $$"
    )
