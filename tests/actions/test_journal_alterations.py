"""Whatever is altered behind the register's back is found, and named in words."""

import json
import shutil

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from django.apps import apps
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext, override_settings

from competence.actions.journal import record, seal
from competence.models import Checkpoint, DailyCheck, Finding, JournalEntry, JournalledRow, Operator, Site
from competence.models.images import canonical, leaf_of
from competence.queries.checkpoints import checkpoint_as_json, checkpoint_from_json, signed_bytes, written
from competence.queries.journal import verify
from competence.queries.journal_rows import journalled_models
from competence.queries.journal_tree import LeafTree
from competence.rules.journal import commitment_hash
from tests import factories
from tests.actions.journalled_register import (
    another,
    make_register,
    make_rows,
    put,
    remove,
    run,
    undone,
    write_journal,
)

MODELS = [
    model for model in apps.get_app_config("competence").get_models() if model in set(journalled_models())
]
NOT_COPIED = {"password", "last_login"}


@pytest.fixture(scope="module")
def kept_photographs(django_db_setup, django_db_blocker, tmp_path_factory):
    """The register, made once: every test's own transaction is taken back, and at the end this one too."""
    folder = tmp_path_factory.mktemp("register") / "photographs"
    with django_db_blocker.unblock():
        undone_at_the_end = transaction.atomic()
        undone_at_the_end.__enter__()
        with override_settings(MEDIA_ROOT=folder):
            make_register()
    yield folder
    with django_db_blocker.unblock():
        transaction.set_rollback(True)
        undone_at_the_end.__exit__(None, None, None)


@pytest.fixture(autouse=True)
def register(kept_photographs, db, photographs):
    """Files are not taken back: each test has copies."""
    shutil.copytree(kept_photographs, photographs)


def sentences(kind=None):
    return [one.sentence for one in verify().problems if kind in (None, one.kind)]


def test_a_register_that_nobody_touched_is_well():
    report = verify()
    assert report.problems == []
    assert report.is_well
    assert report.sealed == report.entries == JournalEntry.objects.count()
    assert report.checkpoints == 2
    # The one of a finding, and the one of an operator for the card.
    assert report.photographs == 2
    assert report.compared_rows == report.journalled_rows == JournalledRow.objects.count()


def test_every_model_of_the_register_has_a_row_to_alter():
    assert [model.__name__ for model in MODELS if not model._base_manager.exists()] == []


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_an_altered_column_is_named_with_its_row(model):
    fields = [field for field in model._meta.concrete_fields if field.name not in NOT_COPIED]
    for field in fields:
        row = model._base_manager.order_by("-pk").first()
        with undone():
            put(row, field.attname, another(field, getattr(row, field.attname)))
            found = sentences()
        if field.primary_key:
            assert any("is missing" in one and str(model._meta.verbose_name) in one for one in found)
            assert any("no entry of the journal tells of it" in one for one in found)
        else:
            assert any(
                one.startswith(str(model._meta.verbose_name)) and f"{field.verbose_name} was" in one
                for one in found
            ), (field.name, found)
    assert verify().is_well


@pytest.mark.slow
@pytest.mark.parametrize("model", MODELS, ids=lambda model: model.__name__)
def test_a_deleted_row_is_named(model):
    row = model._base_manager.order_by("-pk").first()
    with undone():
        remove(row)
        assert any(
            one.startswith(f"{model._meta.verbose_name} {row.pk} is missing")
            for one in sentences("deleted row")
        )


def test_a_row_that_no_action_made_is_named():
    site = factories.SiteFactory(name="Nobody's Quarry")
    assert sentences() == [
        f"site “{site}” (key {site.pk}) is in the register and no entry of the journal tells of it."
    ]


def test_old_and_new_value_are_told():
    site = Site.objects.order_by("pk").first()
    put(site, "name", "Elsewhere")
    [told] = sentences()
    assert f"name was {site.name}, is Elsewhere." in told


@pytest.mark.skipif("connection.vendor != 'sqlite'", reason="only SQLite keeps a word in a date's column")
@pytest.mark.parametrize("column", ["started_on", "number"])
def test_a_column_that_cannot_be_read_is_named_and_the_rest_is_still_verified(column):
    first, last = Operator.objects.order_by("pk").first(), Site.objects.order_by("-pk").first()
    with undone():
        put(first, column, b"\xff\xfe" if column == "number" else "2026-13-45", is_raw=True)
        put(last, "name", "Elsewhere")
        found = sentences()
    assert any(one.startswith("operator") and f"{first.pk}" in one for one in found)
    assert any("is Elsewhere" in one for one in found)


def test_a_row_that_was_recorded_again_is_held_against_its_newest_image():
    site = Site.objects.order_by("pk").first()
    site.name = "New Name"
    site.save()
    assert any("name was" in one for one in sentences())
    with transaction.atomic():
        record(by=None, action="site.changed", rows=[site])
    report = verify()
    assert report.is_well
    assert report.unsealed == 1


@pytest.mark.parametrize("column", ["id", "at", "by_id", "action", "reason", "leaf", "position"])
def test_an_altered_entry_is_named(column):
    entry = JournalEntry.objects.order_by("-pk")[3]
    field = next(field for field in entry._meta.concrete_fields if field.attname == column)
    with undone():
        put(entry, column, another(field, getattr(entry, column)))
        found = sentences()
    assert any(f"ntry {entry.pk}" in one or f"position {entry.position}" in one for one in found), found


@pytest.mark.parametrize("column", ["entry_id", "kind", "key", "content", "salt", "commitment"])
def test_an_altered_journalled_row_is_named(column):
    row = JournalledRow.objects.order_by("-pk")[3]
    field = next(field for field in row._meta.concrete_fields if field.attname == column)
    with undone():
        put(row, column, another(field, getattr(row, column)))
        found = sentences()
    assert any(f"ntry {row.entry_id} " in one for one in found), found
    if column in {"content", "salt", "commitment"}:
        assert any(f"image of {row.kind} {row.key}" in one for one in found), found


@pytest.mark.parametrize("column", ["size", "root", "at", "public_key", "signature"])
@pytest.mark.parametrize("which", [0, 1])
def test_an_altered_checkpoint_is_named(column, which):
    checkpoint = Checkpoint.objects.order_by("size")[which]
    field = checkpoint._meta.get_field(column)
    with undone():
        put(checkpoint, column, another(field, getattr(checkpoint, column)))
        found = sentences()
        size = Checkpoint.objects.get(pk=checkpoint.pk).size
    assert any(f"heckpoint at {size}" in one for one in found), found


def test_a_checkpoint_of_nothing_is_named():
    first = Checkpoint.objects.order_by("size").first()
    put(first, "size", 0)
    assert "The checkpoint at 0 cannot be read." in sentences()


def test_checkpoints_that_contradict_one_another_are_named():
    first, last = Checkpoint.objects.order_by("size")
    put(first, "root", bytes(32))
    assert f"The journal signed at {last.size} does not extend the one signed at {first.size}." in sentences()


def test_a_deleted_journalled_row_leaves_its_entry_altered():
    row = JournalledRow.objects.order_by("-pk").first()
    with undone():
        remove(row)
        assert any(f"Entry {row.entry_id} " in one for one in sentences("altered entry"))


def test_an_inserted_journalled_row_leaves_its_entry_altered():
    entry = JournalEntry.objects.order_by("pk").first()
    salt, content = bytes(16), {"id": 9999}
    JournalledRow.objects.create(
        entry=entry,
        kind="competence.site",
        key="9999",
        content=content,
        salt=salt,
        commitment=commitment_hash(salt, canonical(content)),
    )
    assert any(f"Entry {entry.pk} " in one for one in sentences("altered entry"))


@pytest.mark.parametrize("which", [0, 4, -1])
def test_a_deleted_entry_is_named_by_its_place(which):
    entry = list(JournalEntry.objects.order_by("position"))[which]
    with undone():
        for row in entry.rows.all():
            remove(row)
        remove(entry)
        found = sentences("deleted entry")
    if which == -1:
        assert any("The end was cut off." in one for one in found)
    else:
        assert any(f"at position {entry.position} " in one for one in found)


def test_an_entry_put_in_after_the_last_checkpoint_with_a_place_is_named():
    entry = JournalEntry(at=JournalEntry.objects.first().at, action="site.entered")
    entry.position, entry.leaf = JournalEntry.objects.count(), leaf_of(entry, [])
    entry.save()
    assert any("no checkpoint signed them" in one for one in sentences("inserted entry"))


@pytest.mark.parametrize(
    ("first", "other", "told"), [(4, 5, "were swapped"), (2, 6, "swapped")], ids=["together", "sealed apart"]
)
def test_swapped_places_are_named(first, other, told):
    first, other = (JournalEntry.objects.get(position=place) for place in (first, other))
    put(first, "position", 10**6)
    put(other, "position", first.position)
    put(first, "position", other.position)
    named = sentences("swapped entries")
    assert any(f"Entry {first.pk} " in one or f"Entry {other.pk} " in one for one in named)
    assert any(told in one for one in named)
    assert sentences("wrong root")


def test_an_entry_that_was_committed_late_is_no_problem():
    """Numbers are given before a transaction ends, so a slow one is sealed after younger entries."""
    slow, young = factories.SiteFactory(), factories.SiteFactory()
    with transaction.atomic():
        first = record(by=None, action="site.entered", rows=[slow])
        first_fields = {field.attname: getattr(first, field.attname) for field in first._meta.concrete_fields}
        rows = list(first.rows.values())
        first.rows.all().delete()
        first.delete()
        second = record(by=None, action="site.entered", rows=[young])
    seal()
    JournalEntry.objects.create(**first_fields)
    JournalledRow.objects.bulk_create(JournalledRow(**row) for row in rows)
    seal()
    places = dict(JournalEntry.objects.values_list("id", "position"))
    assert first_fields["id"] < second.pk
    assert places[first_fields["id"]] == places[second.pk] + 1
    assert verify().problems == []


def rewrite_whole_entry():
    """Alter a row and everything in the journal that follows from it, as a careful hand would."""
    site = Site.objects.order_by("pk").first()
    put(site, "name", "Elsewhere")
    row = JournalledRow.objects.get(kind="competence.site", key=str(site.pk))
    content = {**row.content, "name": "Elsewhere"}
    put(row, "content", content)
    put(row, "commitment", commitment_hash(bytes(row.salt), canonical(content)))
    rows = row.entry.rows.order_by("id").values_list("kind", "key", "commitment")
    put(row.entry, "leaf", leaf_of(row.entry, rows))


def sign_again(key):
    tree = LeafTree()
    for leaf in JournalEntry.objects.order_by("position").values_list("leaf", flat=True):
        tree.append_leaf(bytes(leaf))
    for checkpoint in Checkpoint.objects.all():
        root = tree.get_root(checkpoint.size)
        stated = signed_bytes(size=checkpoint.size, root=root, at=written(checkpoint.at))
        put(checkpoint, "root", root)
        put(checkpoint, "signature", key.sign(stated))
        put(checkpoint, "public_key", key.public_key().public_bytes_raw())


def test_a_rewritten_entry_does_not_make_the_signed_root():
    rewrite_whole_entry()
    assert {one.kind for one in verify().problems} == {"wrong root"}


def test_a_rewritten_journal_needs_the_registers_key():
    rewrite_whole_entry()
    sign_again(Ed25519PrivateKey.generate())
    assert {one.kind for one in verify().problems} == {"wrong key"}


def test_a_rewritten_and_re_signed_journal_does_not_extend_a_kept_checkpoint(settings):
    kept = checkpoint_from_json(json.dumps(checkpoint_as_json(Checkpoint.objects.order_by("size").first())))
    assert verify(kept=kept).is_well
    rewrite_whole_entry()
    sign_again(Ed25519PrivateKey.from_private_bytes(bytes.fromhex(settings.JOURNAL_KEY)))
    assert verify().is_well
    [problem] = verify(kept=kept).problems
    assert problem.sentence == f"The journal does not extend the kept checkpoint at {kept.size}."


def test_a_tail_cut_off_cleanly_is_found_by_a_kept_checkpoint():
    site = factories.SiteFactory()
    write_journal()
    kept = checkpoint_from_json(json.dumps(checkpoint_as_json(seal())))
    with undone():
        entry = JournalEntry.objects.order_by("-position").first()
        remove(entry.rows.get())
        remove(entry)
        remove(Checkpoint.objects.order_by("-size").first())
        remove(site)
        assert verify().is_well
        [problem] = verify(kept=kept).problems
        assert problem.sentence.endswith("The end was cut off.")


def test_a_row_made_nobodys_by_its_kind_is_named():
    row = JournalledRow.objects.order_by("pk").first()
    put(row, "kind", "elsewhere.thing")
    assert any("keeps no such rows" in one for one in sentences())


def test_content_erased_without_an_erasure_that_says_so_is_named():
    row = JournalledRow.objects.get(kind="competence.employer", key=str(_first_key("competence.employer")))
    put(row, "content", None, is_raw=True)
    put(row, "salt", None)
    run("UPDATE competence_employer SET name = %s WHERE id = %s", "(erased)", int(row.key))
    report = verify()
    assert report.erased == 1
    assert {one.kind for one in report.problems} == {"unexplained erasure"}
    subjects = {one.subject for one in report.problems}
    assert f"competence.employer {row.key} in entry {row.entry_id}" in subjects


def _first_key(kind):
    return JournalledRow.objects.filter(kind=kind).order_by("entry_id").first().key


def test_what_is_not_submitted_yet_is_no_record():
    check = factories.DailyCheckFactory()
    factories.FindingFactory(daily_check=check)
    write_journal_without_drafts(check)
    report = verify()
    assert report.problems == []
    assert report.drafts == 2


def write_journal_without_drafts(check):
    known = set(JournalledRow.objects.values_list("kind", "key"))
    rows = [
        row
        for model in journalled_models()
        for row in model._base_manager.all()
        if (model._meta.label_lower, str(row.pk)) not in known
        and row != check
        and getattr(row, "daily_check_id", None) != check.pk
    ]
    with transaction.atomic():
        record(by=None, action="check.started", rows=rows)


def test_a_submitted_check_is_not_excused_by_calling_it_a_draft():
    check = DailyCheck.objects.filter(status="submitted").first()
    with undone():
        put(check, "status", "draft")
        assert any("status was submitted, is draft" in one for one in sentences())


def test_an_altered_photograph_is_named():
    finding = Finding.objects.exclude(photograph="").get()
    with open(finding.photograph.path, "ab") as file:
        file.write(b"!")
    assert any("is not the one that was taken" in one for one in sentences("altered photograph"))


def test_a_missing_photograph_is_named():
    finding = Finding.objects.exclude(photograph="").get()
    finding.photograph.storage.delete(finding.photograph.name)
    assert sentences("missing photograph") == [
        f"The photograph of finding “{finding}” (key {finding.pk}) is missing."
    ]


def test_the_number_of_statements_does_not_grow_with_the_rows():
    with CaptureQueriesContext(connection) as before:
        assert verify().is_well
    make_rows()
    write_journal()
    seal()
    with CaptureQueriesContext(connection) as after:
        assert verify().is_well
    assert len(after) == len(before)
