"""Proof for strangers: from a record's page to a bundle, and a page that checks what strangers bring."""

import json
import subprocess
import sys
import zipfile
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import CommandError, call_command
from django.urls import reverse

from competence.actions.journal import record, seal
from competence.actions.setup import keep_setup
from competence.inputs import bundle_files
from competence.models import Checkpoint, Employer, JournalEntry, Look
from competence.outputs.proof_bundle import bundle, bundle_file
from competence.outputs.verify_bundle import as_written, check
from competence.queries.checkpoints import public_key
from competence.queries.record_entries import RECORD_KINDS
from tests.factories import AccountFactory, SiteFactory, TicketFactory

pytestmark = pytest.mark.django_db


@pytest.fixture
def auditor():
    return AccountFactory(roles=["auditor"])


@pytest.fixture
def ticket():
    """A ticket in the journal, together with somebody else's in the same entry; then sealed."""
    ticket, other = TicketFactory(), TicketFactory()
    record(by=None, action="ticket.issued", rows=[ticket, *ticket.events.all(), other, other.operator])
    seal()
    return ticket


def unpacked(answer):
    with zipfile.ZipFile(BytesIO(answer.content)) as kept:
        return {name: kept.read(name) for name in kept.namelist()}


def proof_url(name, ticket):
    return reverse(name, args=["ticket", ticket.pk])


def test_a_tickets_page_leads_to_its_proof_and_the_proof_to_a_bundle_that_holds_alone(
    client, auditor, ticket, tmp_path
):
    client.force_login(auditor)
    at_ticket = client.get(reverse("ticket", args=[ticket.number])).content.decode()
    assert proof_url("record-proof", ticket) in at_ticket
    page = client.get(proof_url("record-proof", ticket)).content.decode()
    assert "Ticket issued" in page
    files = unpacked(client.post(proof_url("record-bundle", ticket)))
    assert sorted(files) == ["README.txt", "bundle.json", "verify_bundle.py"]
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
    done = subprocess.run(
        [sys.executable, "-I", "-S", "verify_bundle.py", "bundle.json", "--key", public_key().hex()],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert f"row competence.ticket {ticket.pk}: holds." in done.stdout


def test_a_records_bundle_shows_its_own_rows_and_nobody_elses(client, auditor, ticket):
    client.force_login(auditor)
    made = json.loads(unpacked(client.post(proof_url("record-bundle", ticket)))["bundle.json"])
    shown = {(row["kind"], row["key"]) for entry in made["entries"] for row in entry["rows"]}
    assert ("competence.ticket", str(ticket.pk)) in shown
    assert "competence.operator" not in {kind for kind, _ in shown}
    assert sum(kind == "competence.ticket" for kind, _ in shown) == 1


def test_taking_a_bundle_out_is_noted_and_what_was_not_sealed_is_sealed_first(client, auditor, ticket):
    record(by=None, action="ticket.renewed", rows=[ticket])
    client.force_login(auditor)
    files = unpacked(client.post(proof_url("record-bundle", ticket)))
    assert check(files["bundle.json"]).holds
    assert len(json.loads(files["bundle.json"])["entries"]) == 2
    look = Look.objects.get()
    assert (look.kind, look.by, look.operator) == ("bundle", auditor, ticket.operator)
    assert ticket.number in look.asked["record"]


def test_one_entry_of_a_record_is_taken_out_and_reaches_back_to_a_checkpoint(client, auditor, ticket):
    older = Checkpoint.objects.latest("size")
    second = record(by=None, action="ticket.renewed", rows=[ticket])
    client.force_login(auditor)
    answer = client.post(proof_url("record-bundle", ticket), {"entry": second.pk, "since": older.size})
    findings = check(unpacked(answer)["bundle.json"], key=public_key())
    assert findings.holds
    assert [entry.action for entry in findings.entries] == ["ticket.renewed"]
    assert findings.older.size == older.size


def test_a_checkpoint_that_was_never_signed_is_said_and_nothing_is_noted(client, auditor, ticket):
    client.force_login(auditor)
    answer = client.post(proof_url("record-bundle", ticket), {"since": 999}, follow=True)
    assert "No checkpoint was signed at 999 entries." in answer.content.decode()
    assert not Look.objects.exists()


def test_a_record_that_is_not_there_is_not_found(client, auditor):
    client.force_login(auditor)
    for kind, key in (("ticket", "999"), ("ticket", "x"), ("check", "x"), ("nothing", "1")):
        assert client.get(reverse("record-proof", args=[kind, key])).status_code == 404


def test_a_role_at_another_site_gets_no_proof(client, ticket):
    client.force_login(AccountFactory(roles=[("auditor", SiteFactory())]))
    assert client.post(proof_url("record-bundle", ticket)).status_code == 403
    assert not Look.objects.exists()


def test_both_apps_have_their_records():
    assert {"operator", "ticket", "evidence", "check", "refusal", "defect"} < set(RECORD_KINDS)
    assert {"assessment", "sitting"} < set(RECORD_KINDS)


def test_entries_are_taken_out_by_number(client, auditor, ticket):
    keep_setup(by=AccountFactory(roles=["site_admin"]), row=Employer(name="Fellside Plant Hire"))
    first, last = JournalEntry.objects.earliest("pk").pk, JournalEntry.objects.latest("pk").pk
    client.force_login(auditor)
    answer = client.post(reverse("journal-bundle"), {"entries": f"{first}-{last}"})
    assert len(check(unpacked(answer)["bundle.json"]).entries) == last - first + 1


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ("x", "a number nor a run such as 40-52"),
        ("1-99999", "at most 5000 entries"),
        ("9-2", "the larger one"),
        ("77777", "There is no entry 77777."),
    ],
)
def test_numbers_that_make_no_bundle_are_told(client, auditor, ticket, typed, told):
    client.force_login(auditor)
    answer = client.post(reverse("journal-bundle"), {"entries": typed}, follow=True)
    assert told in answer.content.decode()


def test_two_checkpoints_are_compared_and_the_proof_holds_alone(client, auditor, ticket):
    older = Checkpoint.objects.latest("size").size
    record(by=None, action="ticket.renewed", rows=[ticket])
    newer = seal().size
    client.force_login(auditor)
    page = client.get(reverse("journal-checkpoints"), {"older": older, "newer": newer}).content.decode()
    assert "in the same order and unaltered" in page
    findings = check(unpacked(client.get(reverse("journal-consistency", args=[older, newer])))["bundle.json"])
    assert findings.holds
    assert (findings.older.size, findings.checkpoint.size) == (older, newer)
    wrong = client.get(reverse("journal-checkpoints"), {"older": newer, "newer": older}).content.decode()
    assert "is beyond the newer one" in wrong
    never = client.get(reverse("journal-checkpoints"), {"older": 999, "newer": newer}).content.decode()
    assert "No checkpoint was signed at 999 entries." in never


def test_the_key_and_the_program_are_handed_out(client, auditor):
    client.force_login(auditor)
    assert client.get(reverse("journal-key")).content.decode().strip() == public_key().hex()
    assert b"def is_signed(" in client.get(reverse("journal-verifier")).content


class TestCheckingABundle:
    @pytest.fixture
    def made(self, ticket):
        return bundle(list(JournalEntry.objects.order_by("pk")))

    @pytest.fixture
    def sent(self, client, auditor):
        client.force_login(auditor)

        def send(content, name="bundle.zip", **more):
            file = SimpleUploadedFile(name, content)
            return client.post(reverse("bundle-check"), {"bundle": file, **more}).content.decode()

        return send

    def test_a_good_one_holds(self, made, sent):
        assert "Everything in it holds" in sent(bundle_file(made))
        assert "Everything in it holds" in sent(as_written(made), "bundle.json")

    def test_the_altered_entry_is_named(self, made, sent):
        row = made["entries"][0]["rows"][0]
        row["content"] = row["content"].replace("full", "fuller").replace("}", ',"x":1}')
        page = sent(as_written(made), "bundle.json")
        assert "Something in it does not hold" in page
        assert "Place 0, Ticket issued" in page
        assert "what is shown is not what the entry committed to" in page

    def test_another_key_is_told(self, made, sent):
        assert "Wrong key" in sent(bundle_file(made), key="00" * 32)
        assert "A key has 64 digits" in sent(bundle_file(made), key="xyz")

    def test_a_kept_checkpoint_is_held_against_it(self, made, sent):
        kept = SimpleUploadedFile("kept.json", json.dumps(made["checkpoint"]).encode())
        assert "It agrees with the checkpoint that you kept." in sent(bundle_file(made), checkpoint=kept)

    def test_what_is_no_bundle_is_told(self, made, sent):
        good = bundle_file(made)
        assert "neither a .zip nor a bundle.json" in sent(b"hello")
        assert "neither a .zip nor a bundle.json" in sent(good[: len(good) // 2])
        assert "the file was cut short" in sent(as_written(made)[:-40], "bundle.json")
        other = BytesIO()
        with zipfile.ZipFile(other, "w") as kept:
            kept.writestr("else.txt", "x")
        assert "holds no bundle.json" in sent(other.getvalue())
        spoilt = bytearray(good)
        at = good.index(b"bundle.json") + 60
        spoilt[at : at + 20] = bytes(20)
        assert "cannot be unpacked" in sent(bytes(spoilt))

    def test_a_file_that_is_too_large_packed_or_unpacked_is_not_unpacked(self, made, sent, monkeypatch):
        monkeypatch.setattr(bundle_files, "MOST_BYTES", 100_000)
        assert "larger than" in sent(b"{" * 100_001)
        bomb = BytesIO()
        with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as kept:
            kept.writestr("bundle.json", b"{" + b" " * 10_000_000)
        assert len(bomb.getvalue()) < 100_000
        assert "It was not unpacked." in sent(bomb.getvalue())
        # The same with a false statement of its size, in both headers of the .zip.
        lying = bomb.getvalue().replace((10_000_001).to_bytes(4, "little"), (99).to_bytes(4, "little"))
        assert "cannot be unpacked" in sent(lying)


def test_a_bundle_and_a_consistency_proof_from_a_terminal(ticket, auditor, tmp_path, capsys):
    entry, older = JournalEntry.objects.latest("pk"), Checkpoint.objects.latest("size").size
    out = tmp_path / "out.zip"
    call_command("journal", "bundle", str(entry.pk), "--by", auditor.username, "--out", str(out))
    with zipfile.ZipFile(out) as kept:
        assert check(kept.read("bundle.json"), key=public_key()).holds
    assert Look.objects.get().by == auditor
    newer = seal().size
    capsys.readouterr()
    call_command("journal", "consistency", str(older), str(newer))
    assert check(capsys.readouterr().out.encode()).holds
    for by in ("nobody", AccountFactory(roles=[("auditor", SiteFactory())]).username):
        with pytest.raises(CommandError) as refused:
            call_command("journal", "bundle", str(entry.pk), "--by", by, "--out", str(out))
        assert refused.value.returncode == 2
