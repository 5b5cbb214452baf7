"""Recording, sealing and proving: what the journal promises to those who keep it and to strangers."""

import json
import threading
import time

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from django.core.management import CommandError, call_command
from django.db import connection, transaction

from competence.actions import journal
from competence.actions.journal import record, seal
from competence.models import Checkpoint, Employer, JournalEntry, Site
from competence.queries.checkpoints import signed_bytes, statement_of
from competence.queries.journal import verify
from competence.queries.journal_proofs import CannotProve, NotSealed, prove, prove_extension
from competence.queries.journal_tree import JournalBroken
from competence.queries.one_snapshot import one_snapshot
from competence.rules.journal import faults_of_proof, is_consistent
from tests import factories
from tests.actions.journalled_register import put


@pytest.fixture(autouse=True)
def fresh_process(monkeypatch):
    """No sealing has been made yet by this process."""
    monkeypatch.setattr(journal, "_last_sealing", None)


def enter(*rows, action="site.entered"):
    with transaction.atomic():
        return record(by=None, action=action, rows=rows or [factories.SiteFactory()])


@pytest.mark.django_db
def test_nothing_to_seal_makes_no_checkpoint():
    assert seal() is None
    enter()
    first = seal()
    assert first.size == 1
    assert seal() == first
    assert Checkpoint.objects.count() == 1


@pytest.mark.django_db
def test_sealing_gives_places_in_the_order_of_recording():
    entries = [enter() for _ in range(3)]
    seal()
    entries += [enter() for _ in range(2)]
    assert seal().size == 5
    places = [JournalEntry.objects.get(pk=entry.pk).position for entry in entries]
    assert places == [0, 1, 2, 3, 4]


@pytest.mark.django_db
def test_a_checkpoint_is_signed_over_what_it_states():
    enter()
    checkpoint = seal()
    key = Ed25519PublicKey.from_public_bytes(bytes(checkpoint.public_key))
    stated = signed_bytes(
        size=1, root=bytes(checkpoint.root), at=checkpoint.at.isoformat(timespec="microseconds")
    )
    key.verify(bytes(checkpoint.signature), stated)
    assert json.loads(stated)["origin"] == "competence-register"


@pytest.mark.django_db
def test_a_sealing_that_was_rolled_back_leaves_nothing_behind():
    enter()
    seal()
    with transaction.atomic():
        enter()
        enter()
        assert seal().size == 3
        transaction.set_rollback(True)
    enter()
    assert seal().size == 2
    assert verify().is_well


@pytest.mark.django_db
def test_nothing_is_signed_over_entries_that_were_altered():
    entry = enter()
    seal()
    journal_tree_forgotten()
    put(JournalEntry.objects.get(pk=entry.pk), "leaf", bytes(32))
    enter()
    with pytest.raises(JournalBroken, match="journal verify"):
        seal()
    assert Checkpoint.objects.count() == 1


@pytest.mark.django_db
def test_nothing_is_signed_after_places_that_no_sealing_gave():
    entry = enter()
    put(entry, "position", 0)
    enter()
    with pytest.raises(JournalBroken, match="no checkpoint signed"):
        seal()


def journal_tree_forgotten():
    """As in a process that has just started."""
    from competence.queries import journal_tree

    journal_tree._kept.clear()


@pytest.mark.django_db
def test_a_fresh_process_reads_the_tree_from_the_rows():
    for _ in range(5):
        enter()
    seal()
    journal_tree_forgotten()
    enter()
    assert seal().size == 6
    assert verify().is_well


@pytest.mark.parametrize(("seconds", "sealed"), [(0, 2), (-1, 0), (3600, 1)])
@pytest.mark.django_db
def test_a_change_seals_when_the_last_sealing_is_long_enough_ago(
    settings, django_capture_on_commit_callbacks, seconds, sealed
):
    settings.JOURNAL_SEAL_SECONDS = seconds
    for _ in range(2):
        with django_capture_on_commit_callbacks(execute=True):
            enter()
    assert JournalEntry.objects.filter(position__isnull=False).count() == sealed


@pytest.mark.django_db
def test_a_sealing_that_fails_is_logged_and_the_change_stands(
    settings, django_capture_on_commit_callbacks, caplog
):
    settings.JOURNAL_SEAL_SECONDS, settings.JOURNAL_KEY = 0, "not a key"
    with django_capture_on_commit_callbacks(execute=True):
        entry = enter()
    assert "could not be sealed" in caplog.text
    assert JournalEntry.objects.get(pk=entry.pk).position is None
    assert Checkpoint.objects.count() == 0


@pytest.mark.django_db(transaction=True)
def test_recording_outside_a_transaction_is_refused():
    with pytest.raises(RuntimeError, match="in the transaction"):
        record(by=None, action="site.entered", rows=[])


@pytest.mark.django_db(transaction=True)
def test_sealers_at_once_give_each_place_once():
    sites = factories.SiteFactory.create_batch(24)
    start, faults = threading.Barrier(4), []

    def enter_and_seal(mine):
        try:
            start.wait()
            for site in mine:
                enter(site)
                seal()
        except Exception as error:
            faults.append(error)
        finally:
            connection.close()

    threads = [threading.Thread(target=enter_and_seal, args=(sites[part::4],)) for part in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    seal()
    assert sorted(JournalEntry.objects.values_list("position", flat=True)) == list(range(24))
    assert Checkpoint.objects.order_by("-size").first().size == 24
    assert verify().problems == []


@pytest.mark.django_db(transaction=True)
def test_verifying_sees_one_moment_and_keeps_no_writer_waiting():
    enter()

    def write():
        enter()
        connection.close()

    with one_snapshot():
        before = JournalEntry.objects.count()
        writer, began = threading.Thread(target=write), time.monotonic()
        writer.start()
        writer.join(timeout=5)
        assert not writer.is_alive(), "the writer had to wait for the reader"
        assert time.monotonic() - began < 5
        assert JournalEntry.objects.count() == before
    assert JournalEntry.objects.count() == before + 1
    assert verify().is_well


@pytest.mark.django_db
class TestProving:
    @pytest.fixture
    def entry(self):
        entries = [enter(factories.SiteFactory(), factories.EmployerFactory()) for _ in range(7)]
        seal()
        return JournalEntry.objects.get(pk=entries[4].pk)

    def test_a_stranger_finds_no_fault_in_a_proof(self, entry):
        proof = json.loads(json.dumps(prove(entry)))
        assert faults_of_proof(proof) == []
        assert (proof["index"], proof["checkpoint"]["size"], len(proof["rows"])) == (4, 7, 2)

    @pytest.mark.parametrize(
        ("alter", "fault"),
        [
            (lambda proof: proof.update(index=3), "not in the tree"),
            (
                lambda proof: proof.update(entry=proof["entry"].replace("site.entered", "x")),
                "not in the tree",
            ),
            (lambda proof: proof["path"].pop(), "not in the tree"),
            (lambda proof: proof["rows"][0].update(key="9"), "says nothing of"),
            (
                lambda proof: proof["rows"][0].update(
                    content=proof["rows"][0]["content"].replace("Europe/London", "Europe/Paris")
                ),
                "not what the entry committed to",
            ),
            (lambda proof: proof["rows"][0].update(salt="00" * 16), "not what the entry committed to"),
        ],
    )
    def test_a_stranger_finds_the_fault_in_an_altered_proof(self, entry, alter, fault):
        proof = prove(entry)
        alter(proof)
        assert any(fault in one for one in faults_of_proof(proof))

    def test_one_row_is_shown_and_the_others_stay_unsaid(self, entry):
        row = entry.rows.get(kind="competence.employer")
        proof = prove(entry, kind=row.kind, key=row.key)
        assert [(one["kind"], one["key"]) for one in proof["rows"]] == [(row.kind, row.key)]
        assert "Quarry" not in json.dumps(proof)
        assert faults_of_proof(proof) == []

    def test_a_row_that_the_entry_lacks_cannot_be_shown(self, entry):
        with pytest.raises(CannotProve, match=r"says nothing of competence\.site 999999"):
            prove(entry, kind="competence.site", key="999999")

    def test_an_entry_without_a_place_cannot_be_proven(self, entry):
        with pytest.raises(NotSealed, match="not sealed yet"):
            prove(enter())

    def test_an_altered_entry_gets_no_proof(self, entry):
        entry.reason = "Altered"
        with pytest.raises(JournalBroken, match="is not what was sealed"):
            prove(entry)

    def test_an_erased_row_is_proven_without_its_content(self, entry):
        entry.rows.filter(kind="competence.site").update(content=None, salt=None)
        proof = prove(entry)
        assert faults_of_proof(proof) == []
        assert proof["rows"][0]["content"] is None

    def test_a_later_journal_is_proven_to_extend_an_earlier_one(self, entry):
        older = Checkpoint.objects.get()
        enter()
        newer = seal()
        path = prove_extension(statement_of(older), newer)
        assert is_consistent(
            old_size=older.size,
            old_root=bytes(older.root),
            new_size=newer.size,
            new_root=bytes(newer.root),
            path=[bytes.fromhex(node) for node in path],
        )


def told(capsys, *arguments):
    call_command("journal", *arguments)
    return capsys.readouterr().out


def refusal(*arguments):
    with pytest.raises(CommandError) as caught:
        call_command("journal", *arguments)
    assert "\n" not in str(caught.value)
    return caught.value.returncode, str(caught.value)


@pytest.mark.django_db
class TestCommand:
    def test_a_register_is_sealed_verified_and_proven_from_a_terminal(self, capsys, tmp_path):
        entry = enter()
        assert "checkpoint at 1" in told(capsys, "seal")
        assert "All is as it was written." in told(capsys, "verify")
        assert faults_of_proof(json.loads(told(capsys, "prove", str(entry.pk)))) == []
        kept = tmp_path / "kept.json"
        kept.write_text(told(capsys, "checkpoint"))
        assert json.loads(kept.read_text())["public_key"] == told(capsys, "key").strip()
        report = json.loads(told(capsys, "verify", "--json", "--checkpoint", str(kept)))
        assert report["is_well"]
        assert report["counts"]["entries"] == 1

    def test_problems_end_with_1_and_are_told(self, capsys):
        enter()
        put(Site.objects.get(), "name", "Elsewhere")
        with pytest.raises(SystemExit) as caught:
            told(capsys, "verify")
        assert caught.value.code == 1
        assert "is Elsewhere" in capsys.readouterr().out

    @pytest.mark.parametrize(
        "text",
        [
            "",
            "[]",
            "{}",
            "not json",
            "[" * 100_000,
            '{"origin": "other", "size": 1, "root": "", "at": "", "public_key": "", "signature": ""}',
            '{"origin": "competence-register", "size": "1", "root": "", "at": "", "public_key": "", '
            '"signature": ""}',
        ],
        ids=["nothing", "a list", "empty", "no JSON", "too deep", "another origin", "size as text"],
    )
    def test_what_is_no_checkpoint_ends_with_2(self, tmp_path, text):
        kept = tmp_path / "kept.json"
        kept.write_text(text)
        code, sentence = refusal("verify", "--checkpoint", str(kept))
        assert code == 2
        assert "checkpoint" in sentence

    def test_a_file_that_is_not_there_ends_with_2(self, tmp_path):
        assert refusal("verify", "--checkpoint", str(tmp_path / "no.json"))[0] == 2

    def test_a_kept_checkpoint_that_was_altered_ends_with_1(self, capsys, tmp_path):
        enter()
        seal()
        kept = tmp_path / "kept.json"
        kept.write_text(told(capsys, "checkpoint").replace('"at": "2', '"at": "3'))
        with pytest.raises(SystemExit) as caught:
            told(capsys, "verify", "--checkpoint", str(kept))
        assert caught.value.code == 1

    def test_what_cannot_be_proven_ends_with_2(self):
        assert refusal("prove", "77") == (2, "There is no entry 77.")
        assert refusal("prove", "seven") == (2, "There is no entry seven.")
        assert refusal("prove", "9" * 40)[0] == 2
        assert refusal("checkpoint")[0] == 2
        assert refusal("prove", str(enter().pk))[0] == 2

    def test_a_key_that_is_none_ends_with_2(self, settings):
        settings.JOURNAL_KEY = "short"
        assert refusal("key")[0] == 2


@pytest.mark.django_db
def test_only_what_was_recorded_is_expected():
    Employer.objects.create(name="Unrecorded Earthworks")
    [problem] = verify().problems
    assert problem.kind == "inserted row"
