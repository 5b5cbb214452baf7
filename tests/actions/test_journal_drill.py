"""A drill: alterations by chance, by SQL behind the register's back, each found and its subject named."""

import random

import pytest
from django.db import IntegrityError, connection, models, transaction

from competence.models import Checkpoint, JournalEntry, JournalledRow
from competence.queries.journal import verify
from competence.queries.journal_rows import journalled_models
from tests.actions.journalled_register import another, make_register, put, remove, run, undone

NOT_COPIED = {"password", "last_login"}
# What a row of the journal itself may have otherwise without saying anything else: nothing refers to these
# numbers. And an older checkpoint adds nothing to a newer one, so the journal cannot miss it; whoever kept
# a copy of it can.
SAY_NOTHING = {(JournalledRow, "id"), (Checkpoint, "id")}
EVERYDAY, DRILL = 12, 1000


@pytest.fixture
def register(db):
    make_register()
    assert verify(with_photographs=False).problems == []


def alter(chance: random.Random) -> tuple[str, list[str]] | None:
    """One alteration by chance. What was done, and words of which one must stand in what is found; ``None``
    where the database itself refused it."""
    tables = [model for model in journalled_models() if model._base_manager.exists()]
    journal = [JournalEntry, JournalledRow, Checkpoint]
    model = chance.choice(journal) if chance.random() < 0.25 else chance.choice(tables)
    rows = list(model._base_manager.order_by("pk"))
    row = chance.choice(rows)
    kind = chance.choice(["change", "change", "delete", "copy"])
    words = subjects(row)
    try:
        with transaction.atomic():
            if kind == "change":
                field = chance.choice(
                    [
                        one
                        for one in model._meta.concrete_fields
                        if one.name not in NOT_COPIED and (model, one.name) not in SAY_NOTHING
                    ]
                )
                old = getattr(row, field.attname)
                put(row, field.attname, another(field, old))
                kind = f"change {field.attname}"
                if field.primary_key or (model, field.name) == (Checkpoint, "size"):
                    words += [str(another(field, old))]
            elif kind == "delete":
                if isinstance(row, Checkpoint):
                    row = Checkpoint.objects.latest("size")
                    words = subjects(row)
                remove(row)
            else:
                words += copy(row)
    except IntegrityError:
        return None
    return f"{kind} of {model._meta.label} {row.pk}", words


def subjects(row: models.Model) -> list[str]:
    """How people would be told of the row: its own number, or the entry, place or size that it belongs to."""
    if isinstance(row, JournalEntry):
        return [f"ntry {row.pk}", f"position {row.position}"]
    if isinstance(row, JournalledRow):
        return [f"ntry {row.entry_id}"]
    if isinstance(row, Checkpoint):
        return [f"heckpoint at {row.size}", f"heckpoints at {row.size}", f"from position {before(row)} on"]
    return [f"{row._meta.verbose_name} {row.pk}", f"(key {row.pk})"]


def before(checkpoint: Checkpoint) -> int:
    """Entries from there on lose their signature with the newest checkpoint."""
    older = Checkpoint.objects.filter(size__lt=checkpoint.size).order_by("-size").first()
    return older.size if older else 0


def copy(row: models.Model) -> list[str]:
    """INSERT the row again under another key; how that would be told."""
    pk, table = row._meta.pk, row._meta.db_table
    key = another(pk, row.pk)
    columns = [connection.ops.quote_name(one.column) for one in row._meta.concrete_fields if one is not pk]
    listed = ", ".join(columns)
    made = f"INSERT INTO {table} ({pk.column}, {listed})"
    run(
        f"{made} SELECT %s, {listed} FROM {table} WHERE {pk.column} = %s",
        pk.get_db_prep_save(key, connection),
        pk.get_db_prep_save(row.pk, connection),
    )
    return [f"ntry {key}"] if isinstance(row, JournalEntry) else [f"{row._meta.verbose_name} {key}", str(key)]


def drill(count: int, seed: int) -> None:
    chance, done, refused = random.Random(seed), 0, 0  # noqa: S311
    while done < count:
        with undone():
            altered = alter(chance)
            if altered is None:
                refused += 1
                assert refused < 3 * count + 50, "the database refuses nearly everything; nothing is drilled"
                continue
            what, words = altered
            report = verify(with_photographs=False)
        found = [one.sentence for one in report.problems]
        assert found, f"{what}: nothing was found"
        assert any(word in sentence for word in words for sentence in found), (what, words, found)
        done += 1
    assert verify(with_photographs=False).problems == []


def test_alterations_by_chance_are_found_and_named(register):
    drill(EVERYDAY, seed=1)


@pytest.mark.drill
@pytest.mark.slow
def test_a_thousand_alterations_by_chance_are_found_and_named(register):
    drill(DRILL, seed=20261125)


def test_what_alters_nothing_is_no_problem(register):
    """The drill's own hand, putting back what stands there already."""
    chance = random.Random(7)  # noqa: S311
    for model in journalled_models():
        row = model._base_manager.order_by("pk").first()
        if row is None:
            continue
        field = chance.choice([one for one in model._meta.concrete_fields if one.name not in NOT_COPIED])
        put(row, field.attname, getattr(row, field.attname))
    assert verify(with_photographs=False).problems == []
