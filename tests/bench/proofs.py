"""Verifying a long journal, and one proof out of it, against hashing the very same bytes.

The register is made by bulk SQL in a scratch SQLite file of its own, in a process of its own: every entry
speaks of one row of evidence, as it still stands, and every hundredth part of the journal is signed. What
each figure is held against is said where it is measured.
"""

import hashlib
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from statistics import median
from time import perf_counter, process_time
from typing import Any

_sha256 = hashlib.sha256
CHECKPOINTS = 100
PROOFS = 200


@dataclass(frozen=True)
class Proofs:
    """Seconds, of processor time where two are compared."""

    entries: int
    # Hashing alone, in this process: every entry's bytes as a leaf, the tree over the leaves, and every row's
    # salt and bytes, all lying ready in memory.
    journal_floor: float
    rows_floor: float
    # Reading the journal from the database, making each entry's bytes anew, hashing, tree, checkpoints.
    journal: float
    # All of ``verify``: the same, and each row's image, and each row of the register against it.
    whole: float
    # The first proof reads every leaf; the median of those after it.
    first_proof: float
    proof: float

    @property
    def ratio(self) -> float:
        return self.journal / self.journal_floor

    @property
    def whole_ratio(self) -> float:
        return self.whole / (self.journal_floor + self.rows_floor)

    def line(self) -> str:
        return (
            f"journal of {self.entries:,} entries: hashing the same bytes {self.journal_floor:.2f} s "
            f"(+ {self.rows_floor:.2f} s for the rows'), entries verified {self.journal:.2f} s "
            f"({self.ratio:.1f} times), with every image and row of the register {self.whole:.2f} s "
            f"({self.whole_ratio:.1f} times); one proof {self.proof * 1e3:.2f} ms "
            f"(the first, which reads the leaves, {self.first_proof:.2f} s)"
        )


def measure(entries: int) -> Proofs:
    """In a process of its own, which leaves nothing behind."""
    folder = tempfile.mkdtemp(prefix="register-proofs-")
    try:
        environment = {**os.environ, "REGISTER_DATA": folder, "DJANGO_SETTINGS_MODULE": "competence.settings"}
        environment.pop("DATABASE_URL", None)
        done = subprocess.run(
            [sys.executable, "-m", "tests.bench.proofs", str(entries)],
            env=environment,
            check=True,
            stdout=subprocess.PIPE,
        )
        return Proofs(**json.loads(done.stdout))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _main(entries: int) -> None:
    import django

    django.setup()
    from django.core.management import call_command

    call_command("migrate", verbosity=0)
    _fill(entries)
    print(json.dumps(asdict(_measured(entries))))


def _fill(entries: int) -> None:
    """Rows of evidence, their entries and the checkpoints, by executemany into the tables themselves."""
    from django.db import connection, transaction

    from competence.actions.journal import record, seal
    from competence.models import JournalEntry
    from competence.models.images import canonical, row_image
    from competence.queries.checkpoints import signed_bytes, signing_key, written
    from competence.queries.journal_rows import journalled_models
    from competence.queries.journal_tree import LeafTree
    from tests import factories

    factories.EvidenceFactory(came_from="Record of training 0000000")
    with transaction.atomic():
        known = [row for model in journalled_models() for row in model._base_manager.all()]
        first = record(by=None, action="register.begun", rows=known)
    seal()
    [pattern] = [row for row in known if row._meta.label_lower == "competence.evidence"]
    image, base = row_image(pattern), JournalEntry.objects.get(pk=first.pk)
    tree, key, at = LeafTree(), signing_key(), base.at
    tree.append_leaf(bytes(base.leaf))
    public, per = key.public_key().public_bytes_raw(), max(1, entries // CHECKPOINTS)
    with transaction.atomic(), connection.cursor() as cursor:
        cursor.execute("SELECT * FROM competence_evidence WHERE id = %s", [pattern.pk])
        columns, values = [one[0] for one in cursor.description], list(cursor.fetchone())
        id_at, words_at = columns.index("id"), columns.index("came_from")
        for start in range(1, entries, per):
            rows, entered, images = [], [], []
            for place in range(start, min(start + per, entries)):
                number, words = pattern.pk + place, f"Record of training {place:07d}"
                values[id_at], values[words_at] = number, words
                rows.append(tuple(values))
                content = {**image, "id": number, "came_from": words}
                salt = hashlib.sha256(str(place).encode()).digest()[:16]
                commitment = hashlib.sha256(salt + canonical(content)).digest()
                entry = canonical(
                    {
                        "action": "evidence.recorded",
                        "at": written(at),
                        "by": None,
                        "reason": "",
                        "rows": [["competence.evidence", str(number), commitment.hex()]],
                    }
                )
                leaf = hashlib.sha256(b"\x00" + entry).digest()
                entered.append((first.pk + place, str(at)[:26], "evidence.recorded", "", leaf, place))
                images.append(
                    (
                        first.pk + place,
                        "competence.evidence",
                        str(number),
                        json.dumps(content),
                        salt,
                        commitment,
                    )
                )
            marks = ", ".join("?" * len(columns))
            many = connection.connection.executemany
            many(f"INSERT INTO competence_evidence VALUES ({marks})", rows)
            many(
                "INSERT INTO competence_journalentry (id, at, action, reason, leaf, position) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                entered,
            )
            many(
                "INSERT INTO competence_journalledrow (entry_id, kind, key, content, salt, commitment) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                images,
            )
            tree.append_leaves([one[4] for one in entered])
            size, root = tree.get_size(), tree.get_root()
            signature = key.sign(signed_bytes(size=size, root=root, at=written(at)))
            cursor.execute(
                "INSERT INTO competence_checkpoint (size, root, at, public_key, signature) "
                "VALUES (%s, %s, %s, %s, %s)",
                [size, root, str(at)[:26], public, signature],
            )


def _measured(entries: int) -> Proofs:
    from competence.models import JournalEntry
    from competence.queries import journal, journal_tree
    from competence.queries.journal_proofs import prove
    from competence.queries.journal_report import Report

    journal_floor, rows_floor = _floors()
    started = process_time()
    report = Report()
    journal.check_journal(report)
    of_journal = process_time() - started
    _must(report.is_well and report.entries == entries, report)
    started = process_time()
    report = journal.verify()
    whole = process_time() - started
    _must(report.is_well and report.compared_rows >= entries, report)
    journal_tree._kept.clear()
    wanted = JournalEntry.objects.filter(position__in=range(0, entries, max(1, entries // PROOFS)))
    times = []
    for entry in list(wanted):
        started = perf_counter()
        prove(entry)
        times.append(perf_counter() - started)
    return Proofs(
        entries=entries,
        journal_floor=journal_floor,
        rows_floor=rows_floor,
        journal=of_journal,
        whole=whole,
        first_proof=times[0],
        proof=median(times[1:]),
    )


def _floors() -> tuple[float, float]:
    """Processor seconds of hashing what lies ready: leaves and tree; and the rows."""
    from competence.models import JournalEntry
    from competence.models.images import canonical, entry_bytes

    spent = [0.0, 0.0]
    leaves: list[bytes] = []
    for run in _runs(JournalEntry.objects.order_by("id").prefetch_related("rows")):
        contents = [
            entry_bytes(entry, [(row.kind, row.key, row.commitment) for row in entry.rows.all()])
            for entry in run
        ]
        rows = [(row.salt, canonical(row.content)) for entry in run for row in entry.rows.all()]
        started = process_time()
        leaves += [_sha256(b"\x00" + content).digest() for content in contents]
        spent[0] += process_time() - started
        started = process_time()
        for salt, content in rows:
            _sha256(salt + content).digest()
        spent[1] += process_time() - started
    started = process_time()
    while len(leaves) > 1:
        pairs = range(0, len(leaves) - 1, 2)
        above = [_sha256(b"\x01" + leaves[at] + leaves[at + 1]).digest() for at in pairs]
        leaves = above + (leaves[-1:] if len(leaves) % 2 else [])
    return spent[0] + process_time() - started, spent[1]


def _runs(entries: Any, size: int = 5000) -> Iterator[list[Any]]:
    last = 0
    while run := list(entries.filter(pk__gt=last)[:size]):
        yield run
        last = run[-1].pk


def _must(is_so: bool, report: Any) -> None:
    if not is_so:
        raise SystemExit(
            f"the register of the benchmark is not well: {report.counts()} {report.problems[:3]}"
        )


if __name__ == "__main__":
    _main(int(sys.argv[1]))
