"""Hostile words and files for every management command, and for the verifier that goes out with a bundle."""

import io
import itertools
from collections.abc import Callable, Sequence
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

from hypothesis import strategies as st

from tests.drills import hostile
from tests.drills.hostile import Upload

# What a command may end with: well, not well, not understood, refused.
CODES = {None, 0, 1, 2, 3}


@dataclass(frozen=True)
class Command:
    """A command with words that it understands. ``Upload`` lists stand for a file that is damaged; no word
    says where a file is written to but those that stand here."""

    name: str
    words: tuple[Any, ...]
    # Only words that cannot be understood: the command itself would take this register away.
    is_never_run: bool = False


def taken_out(world: SimpleNamespace) -> list[Upload]:
    """A bundle, a proof and a checkpoint, as the register gives them out."""
    from django.core.management import call_command

    from competence.actions.journal import seal
    from competence.models import JournalEntry

    seal()
    entry = str(JournalEntry.objects.latest("pk").pk)
    by = world.everywhere_auditor.username
    call_command("journal", "bundle", entry, "--by", by, "--out", "taken.zip", stdout=io.StringIO())
    made = [Upload("bundle.zip", Path("taken.zip").read_bytes(), "application/zip")]
    for words in (("prove", entry), ("checkpoint",)):
        printed = io.StringIO()
        call_command("journal", *words, stdout=printed)
        made.append(Upload("taken.json", printed.getvalue().encode(), "application/json"))
    return made


class Commands:
    def __init__(self, drill: Any) -> None:
        self.drill, world = drill, drill.world
        self._number = itertools.count()
        operator, machine = world.operator.number, world.machine.fleet_number
        site, category = world.site.code, world.category.code
        head, auditor = world.everywhere_site_admin.username, world.everywhere_auditor.username
        marks = [Upload("m.csv", b"first,second\nunprompted,prompted\nmissed,missed\nunprompted,unsafe\n")]
        answers = [Upload("r.csv", b"person,q1,q2\na,1,0\nb,0,1\nc,1,1\n")]
        key = [Upload("k.csv", b"question,right\nq1,1\nq2,1\n")]
        mapping = [Upload("m.toml", b'[columns]\n"Operator number" = "number"\n')]
        bundles = drill.bundles
        self.all = [
            Command(
                "gate", (operator, machine, "--at", "2026-03-01T05:50", "--known-at", "2026-03-02", "--json")
            ),
            Command("record", (operator, machine, "--at", "2026-03-01T05:50", "--by", auditor, "--json")),
            Command("journal", ("verify", "--json")),
            Command("journal", ("verify", "--checkpoint", bundles)),
            Command("journal", ("prove", "1")),
            Command("journal", ("bundle", "1", "--by", auditor, "--out", "out.zip")),
            Command("journal", ("bundle", "1", "--by", auditor, "--since", bundles)),
            Command("journal", ("consistency", "1", "2")),
            Command("analyse", (answers, "--cut", "1", "--json")),
            Command("analyse", (answers, "--key", key)),
            Command("agreement", (marks, "--order", "missed,prompted,unprompted", "--json")),
            Command("cover", ("--site", site, "--category", category, "--days", "30", "--json")),
            Command("plan", ("--site", site, "--days", "20", "--first", "2026-12-01", "--seconds", "1")),
            Command("sample", ("--population", "500", "--rate", "0.02", "--confidence", "0.95", "--json")),
            Command("sample", ("--population", "tickets", "--aql", "1.0", "--site", site, "--by", auditor)),
            Command("import_register", (drill.workbooks, "--by", head, "--dry-run", "--json")),
            Command("import_register", (drill.workbooks, "--mapping", mapping, "--by", head)),
            Command("workbook", ("out.xlsx", "--by", auditor, "--as-of", "2026-03-01", "--site", site)),
            Command("restore", (bundles, "--check")),
            Command("restore", (bundles,)),
            Command("keeping", ("--json",)),
            Command("close_sittings", ()),
            Command("digest", ("--dry-run", "--at", "2026-03-01T12:00")),
            Command("first_account", ("new.name", "--given-name", "Ada", "--family-name", "Ashworth")),
            Command("work_off_import", ("7",)),
            Command("load_reference", ("--by", "nobody.here")),
            Command("demo", ("--no-serve",), is_never_run=True),
            Command("backup", ("kept.zip",), is_never_run=True),
            Command("verify_bundle", (bundles, "--checkpoint", bundles, "--show")),
        ]

    def inputs(self, command: Command) -> st.SearchStrategy[list[str | Upload]]:
        # Arguments of a process hold no null character; where files are written stays as it is.
        words = hostile.texts.filter(lambda text: "\x00" not in text)
        written_to = {
            index for index, word in enumerate(command.words) if str(word).startswith(("out.", "kept."))
        }

        @st.composite
        def one(draw: Any) -> list[str | Upload]:
            said: list[str | Upload] = []
            for index, word in enumerate(command.words):
                if isinstance(word, list):
                    said.append(draw(hostile.mutated(word)))
                    continue
                before = command.words[index - 1] if index else None
                is_free = index not in written_to and before not in ("--seconds",)
                is_free = is_free and not str(word).startswith("--") and before != "--out"
                said.append(draw(words) if is_free and draw(st.integers(0, 2)) == 2 else word)
            if draw(st.integers(0, 5)) == 5:
                # After a flag of this kind nothing is a place to write to.
                said.append(f"--no-such={draw(words)}")
            if command.is_never_run:
                said.append("--no-such")
            return said

        return one()

    def call(self, command: Command, words: Sequence[str | Upload]) -> None:
        from django.core.management import CommandError
        from django.db import transaction

        from tests.drills.fuzz import Caught, told

        self.drill.result.sent[f"command {command.name}"] += 1
        argv = [self._kept(word) if isinstance(word, Upload) else word for word in words]
        code: Any = None
        with transaction.atomic(), redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            try:
                self._run(command.name)(argv)
            except CommandError as refused:
                code = getattr(refused, "returncode", 1)
            except SystemExit as ended:
                code = ended.code
            except Exception as error:
                raise Caught(f"raised {told(error)}\n  {command.name} {words!r}") from None
            finally:
                transaction.set_rollback(True)
        if code not in CODES:
            raise Caught(f"ended with {code!r}\n  {command.name} {words!r}")

    def _run(self, name: str) -> Callable[[list[str]], Any]:
        if name == "verify_bundle":
            from competence.outputs.verify_bundle import main

            return main
        from django.core.management import call_command

        # As strings, so that nothing is passed by but what a shell would pass.
        return lambda argv: call_command(name, *argv)

    def _kept(self, upload: Upload) -> str:
        path = self.drill.world.folder / f"given-{next(self._number)}{Path(upload.name).suffix[:8]}"
        path = Path(str(path).replace("\x00", "").replace("\n", "").replace("\r", ""))
        path.write_bytes(upload.content)
        return str(path)
