"""Cover of one site by a spreadsheet's COUNTIFS, against the forecast's own count of the same tickets.

The spreadsheet is LibreOffice, run without a window; where it is not installed nothing is measured.
"""

import csv
import shutil
import subprocess
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter

from openpyxl import Workbook
from openpyxl.utils import get_column_letter

from competence.rules.cover import Span, count
from tests.bench.forecast import CATEGORIES, DAY, HORIZON, SITES, spans_by_cell


@dataclass(frozen=True)
class CountifsSpeed:
    tickets: int
    days: int
    seconds: float
    spreadsheet: float
    different: int

    @property
    def times(self) -> float:
        return self.spreadsheet / self.seconds

    def line(self) -> str:
        return (
            f"cover of one site of {SITES}, {CATEGORIES} categories x {self.days} days, from "
            f"{self.tickets:,} tickets: {self.seconds * 1e3:.1f} ms, COUNTIFS {self.spreadsheet:.1f} s "
            f"({self.times:,.0f} times), {self.different} figures differ"
        )


def write_tickets(path: Path, cells: list[list[Span]], days: int) -> None:
    """A sheet of all the tickets, and one that counts those of the first site, a row a category."""
    book = Workbook()
    counts, tickets = book.active, book.create_sheet("Tickets")
    for place, cell in enumerate(cells):
        for span in cell:
            tickets.append([place // CATEGORIES, place % CATEGORIES, span.first, span.last])
    last = tickets.max_row
    counts.append([HORIZON.first + DAY * day for day in range(days)])
    for category in range(CATEGORIES):
        counts.append(
            [
                f"=COUNTIFS(Tickets!$A$1:$A${last},0,Tickets!$B$1:$B${last},{category},"
                f'Tickets!$C$1:$C${last},"<="&{day}$1,Tickets!$D$1:$D${last},">="&{day}$1)'
                for day in (get_column_letter(number + 1) for number in range(days))
            ]
        )
    book.save(path)


def measure(tickets: int, days: int) -> CountifsSpeed | None:
    office = shutil.which("soffice")
    if office is None:
        return None
    cells = spans_by_cell(tickets)
    started = perf_counter()
    ours = [count(cell, HORIZON)[:days].tolist() for cell in cells[:CATEGORIES]]
    seconds = perf_counter() - started
    with TemporaryDirectory() as folder:
        path = Path(folder, "cover.xlsx")
        write_tickets(path, cells, days)
        command = [
            office,
            f"-env:UserInstallation=file://{folder}/profile",
            "--headless",
            "--convert-to",
            "csv",
        ]
        # Once for the program's own start, which is not counting.
        empty = Path(folder, "empty.xlsx")
        Workbook().save(empty)
        took = []
        for each in (empty, empty, path):
            started = perf_counter()
            subprocess.run([*command, "--outdir", folder, each], check=True, capture_output=True, timeout=600)
            took.append(perf_counter() - started)
        with path.with_suffix(".csv").open(newline="") as file:
            theirs = [[int(cell) for cell in row] for row in list(csv.reader(file))[1:]]
    return CountifsSpeed(tickets, days, seconds, max(took[2] - took[1], 0.001), _different(ours, theirs))


def _different(ours: list[list[int]], theirs: list[list[int]]) -> int:
    pairs = zip(ours, theirs, strict=True)
    return sum(one != other for row, other_row in pairs for one, other in zip(row, other_row, strict=True))
