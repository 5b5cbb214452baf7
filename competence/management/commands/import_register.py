"""Bring an old spreadsheet in from a terminal."""

import hashlib
import json
import sys
import tomllib
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from competence.actions.clock import now
from competence.actions.errors import ActionRefused
from competence.actions.imports import import_rows, keep_import_file
from competence.inputs.import_files import lines_of
from competence.inputs.spreadsheet import Sheet, UnreadableSpreadsheet, read_spreadsheet
from competence.management.questions import account_named, not_understood
from competence.models import Account
from competence.permissions import Right, sites_with
from competence.queries.import_plan import plan_import
from competence.queries.import_steps import Plan
from competence.queries.import_words import Meanings
from competence.rules.import_mapping import (
    UnreadableMapping,
    first_mapping,
    mapping_from_toml,
    open_questions,
)
from competence.rules.import_rows import Line, Meaning

SOME_LEFT_OUT = 3


class Command(BaseCommand):
    help = (
        "Bring an old spreadsheet (.xlsx, .ods, .csv) in: every good row or none. MAP is TOML and names what "
        "the guess does not find: [columns], [order], [century], [categories], [sites], [employers], "
        "[levels], [[same]]. Exit: 0 every row is in, 3 some were left out, 2 nothing could be read."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("file", metavar="FILE")
        parser.add_argument("--mapping", metavar="MAP", help="a TOML file; without it, the guess alone")
        parser.add_argument("--by", metavar="USERNAME", required=True, help="whose rights the rows go in by")
        parser.add_argument("--dry-run", action="store_true", help="say what would happen; change nothing")
        parser.add_argument("--json", action="store_true", help="print counts and doubtful rows as JSON")

    def handle(self, *, file: str, by: str, **options: Any) -> None:
        account, path = account_named(by, Right.KEEP_PEOPLE), Path(file)
        sheet, mapping = self._read(path, options["mapping"])
        self._say(f"{len(sheet.rows):,} rows read")
        for question in open_questions(sheet.rows, mapping):
            self._ask(question, mapping)
        lines, meaning = lines_of(sheet, Meanings().with_certain(mapping))
        plan = self._plan(account, lines, meaning)
        self._say(f"{len(lines):,} lines held against the register")
        if not options["dry_run"]:
            # The plan has written its findings beside the lines; they are read again for the import.
            lines, meaning = lines_of(sheet, Meanings().with_certain(mapping))
            self._bring_in(account, path, lines, meaning)
        self._tell(plan, as_json=options["json"], is_dry=options["dry_run"])
        if plan.counts["left_out"]:
            sys.exit(SOME_LEFT_OUT)

    def _say(self, stage: str) -> None:
        """How far it is: on the error stream, so that what is printed can be read by a program."""
        self.stderr.write(f"{now():%H:%M:%S} {stage}")

    def _say_stage(self, stage: str, written: int) -> None:
        self._say(f"{stage}: {written:,} rows" if written else stage)

    def _read(self, path: Path, mapping: str | None) -> tuple[Sheet, dict[str, Any]]:
        try:
            document = tomllib.loads(Path(mapping).read_text(encoding="utf-8")) if mapping else {}
            sheet = read_spreadsheet(path, path.name, document.get("sheet", ""))
            read = mapping_from_toml(document, sheet.rows) if mapping else first_mapping(sheet.rows)
        except (UnreadableSpreadsheet, UnreadableMapping) as problem:
            raise not_understood(str(problem)) from problem
        except tomllib.TOMLDecodeError as problem:
            raise not_understood(f"{mapping} is no TOML: {problem}.") from problem
        except (OSError, UnicodeDecodeError) as problem:
            raise not_understood(f"The file cannot be read: {problem}.") from problem
        return sheet, read

    def _ask(self, question: Any, mapping: dict[str, Any]) -> None:
        place, heading = str(question.column), question.heading
        if question.asks.is_order_open and not mapping["orders"].get(place):
            self._say(f"Open: the order of days in “{heading}” ([order], dmy, mdy or ymd)")
        if question.asks.is_century_open and not mapping["centuries"].get(place):
            self._say(f"Open: years of two digits in “{heading}” ([century], 2000 or split)")

    def _plan(self, account: Account, lines: list[Line], meaning: Meaning) -> Plan:
        return plan_import(
            lines,
            meaning,
            sites=sites_with(account, Right.KEEP_PEOPLE),
            own=account.operator_id,
            moment=now(),
        )

    def _bring_in(self, account: Account, path: Path, lines: list[Line], meaning: Meaning) -> None:
        with path.open("rb") as opened:
            digest = hashlib.file_digest(opened, "sha256").hexdigest()
        kept = keep_import_file(
            by=account, name=path.name, size=path.stat().st_size, sha256=digest, file=None, mapping={}
        )
        try:
            import_rows(by=account, import_file=kept, lines=lines, meaning=meaning, tell=self._say_stage)
        except ActionRefused as refused:
            raise not_understood(refused.sentence) from refused

    def _tell(self, plan: Plan, *, as_json: bool, is_dry: bool) -> None:
        if as_json:
            doubtful = [
                {
                    "row": step.line.row,
                    "operator": step.line.number,
                    "outcome": step.outcome,
                    "problems": step.line.problems,
                    "remarks": step.line.remarks,
                }
                for step in plan.doubtful
            ]
            told = {"dry_run": is_dry, "counts": plan.counts, "pairs": plan.pairs, "doubtful": doubtful}
            self.stdout.write(json.dumps(told, indent=2, ensure_ascii=False))
            return
        counts = plan.counts
        would = "would be" if is_dry else "were"
        self.stdout.write(
            f"{counts['rows']:,} rows: {counts['people_new']:,} people, {counts['tickets_new']:,} tickets, "
            f"and {counts['facts_new']:,} facts {would} new; {counts['people_changed']:,} people and "
            f"{counts['tickets_changed']:,} tickets {would} changed; {counts['same']:,} rows were as they "
            f"stand; {counts['left_out']:,} {would} left out."
        )
        for step in plan.doubtful:
            word = "Left out" if step.line.problems else "Look"
            self.stdout.write(
                f"{word}, row {step.line.row}: {' '.join(step.line.problems or step.line.remarks)}"
            )
