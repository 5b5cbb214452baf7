"""A workbook of about a million cells, against the least that one could take: a bare openpyxl loop in the
same run that writes the very same values, which are ready in memory. What ours takes beside is asking the
database, folding tickets, and making each value safe and typed.

Memory: the peak of a process of its own that writes a tenth of the cells, and of one that writes them all.
"""

import json
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from time import perf_counter
from typing import Any

from django.db import connection
from openpyxl import Workbook

from competence.models import Site
from competence.outputs.typed_sheets import Layout, write_rows
from competence.outputs.workbook import all_sheets, write_workbook
from competence.queries.workbook import Slice, names

CHILD = """
import json, re, sys
given = json.load(sys.stdin)
import django
django.setup()
from django.db import connection
connection.settings_dict.update(given["database"])
from tests.bench.workbook import the_slice, write_part
cells = write_part(given["path"], the_slice(given["sites"]), given["rows_each"])
# The kernel's other count, ru_maxrss, is that of whoever started this process where that one was larger.
peak = re.search(r"VmHWM:\\s+(\\d+) kB", open("/proc/self/status").read())
print(json.dumps({"cells": cells, "kilobytes": int(peak.group(1))}))
"""
REPEATS = 2


@dataclass(frozen=True)
class Workbooks:
    cells: int
    ours: float
    bare: float
    few_cells: int
    few_kilobytes: int
    many_kilobytes: int

    @property
    def ratio(self) -> float:
        return self.ours / self.bare

    @property
    def memory(self) -> float:
        return self.many_kilobytes / self.few_kilobytes

    def line(self) -> str:
        return (
            f"workbook of {self.cells:,} cells: {self.ours:.1f} s, {self.cells / self.ours:,.0f} a second; "
            f"bare loop over the same values {self.bare:.1f} s: {self.ratio:.2f} times; peak memory at "
            f"{self.few_cells:,} cells {self.few_kilobytes / 1024:.0f} MB, at all of them "
            f"{self.many_kilobytes / 1024:.0f} MB"
        )


def measure(sites: int, few_rows: int) -> Workbooks:
    """``sites``: so many of the register's, the first; ``few_rows``: of each sheet, for the small process."""
    part = the_slice(sites)
    with tempfile.TemporaryDirectory(prefix="register-bench-") as folder:
        path = Path(folder, "out.xlsx")
        values = [(title, list(rows)) for title, rows in plain_values(part)]
        cells = sum(value is not None for _, rows in values for row in rows for value in row)
        ours, bare = [], []
        for _ in range(REPEATS):
            started = perf_counter()
            write_workbook(path, part, by="bench", taken_at=datetime.now(UTC))
            ours.append(perf_counter() - started)
            started = perf_counter()
            write_bare(path, values)
            bare.append(perf_counter() - started)
        del values
        few, many = (in_a_process(path, sites, rows) for rows in (few_rows, None))
    return Workbooks(cells, min(ours), min(bare), few["cells"], few["kilobytes"], many["kilobytes"])


def the_slice(sites: int) -> Slice:
    chosen = Site.objects.order_by("pk").values_list("pk", flat=True)[:sites]
    moment = datetime.now(UTC)
    return Slice(moment, moment, "Europe/London", frozenset(chosen))


def plain_values(part: Slice) -> Iterator[tuple[str, Iterator[list]]]:
    """Each sheet's rows as the values that its cells hold: moments on the clock, nothing for no text."""

    def plain(value: Any) -> Any:
        if isinstance(value, datetime):
            return value.astimezone(part.clock).replace(tzinfo=None, microsecond=0)
        return None if value == "" else value

    named = names()
    for sheet in all_sheets():
        headings = [[column.heading for column in sheet.columns]]
        rows = ([plain(value) for value in row] for row in sheet.rows(part, named))
        yield sheet.title, [*headings, *rows]


def write_bare(path: Path, values: list[tuple[str, list]]) -> None:
    book = Workbook(write_only=True)
    for title, rows in values:
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)


def in_a_process(path: Path, sites: int, rows_each: int | None) -> dict[str, int]:
    database = {key: connection.settings_dict[key] for key in ("NAME", "USER", "PASSWORD", "HOST", "PORT")}
    given = {"database": database, "path": str(path), "sites": sites, "rows_each": rows_each}
    done = subprocess.run(
        [sys.executable, "-c", CHILD],
        input=json.dumps(given, default=str),
        capture_output=True,
        text=True,
        check=True,
    )
    return json.loads(done.stdout)


def write_part(path: str, part: Slice, rows_each: int | None) -> int:
    """The sheets with at most so many rows each, written as a workbook's are; the number of cells."""
    cells, named = 0, names()
    layout = Layout(part.clock, part.on, "bench")
    book = Workbook(write_only=True)

    def counted(rows: Iterator[tuple]) -> Iterator[tuple]:
        nonlocal cells
        for row in rows:
            cells += sum(value is not None and value != "" for value in row)
            yield row

    for sheet in all_sheets():
        rows = counted(islice(sheet.rows(part, named), rows_each))
        write_rows(book, sheet.title, sheet.columns, rows, layout)
    book.save(path)
    return cells
