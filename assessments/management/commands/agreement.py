"""Two raters' marks in, how far they agree out; needs no register."""

import json
from argparse import ArgumentParser
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand

from assessments.inputs.marks import MarkColumns, UnreadableMarks, read_marks
from assessments.rules.agreement import Agreement, Kappa, agreement
from competence.management.questions import not_understood

NO_ORDER = "The marks have no order, so there are no weighted kappas. Give one with --order, least first."
UNUSED_NUMBERS = "In order of number; steps are counted among the marks given. Use --order to name others."
LISTED = 20


class Command(BaseCommand):
    help = (
        "How far two raters agree: percent, Cohen's kappa and, where the marks have an order, weighted "
        "kappas, each with its large-sample standard error and 95 % interval. Exit: 0 worked out, "
        "2 not understood."
    )

    # A calculation on a file: it asks nothing of the register or its database.
    requires_system_checks = []

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("marks", metavar="MARKS.csv", help="a header, then one row a point")
        parser.add_argument(
            "--columns", nargs=2, metavar=("A", "B"), help="the raters' columns; else the first two"
        )
        parser.add_argument("--order", metavar="a,b,c", help="every mark that can be given, least first")
        parser.add_argument("--json", action="store_true", help="print the figures as JSON")

    def handle(self, *, marks: str, **options: Any) -> None:
        order = options["order"]
        try:
            read = read_marks(
                Path(marks),
                columns=options["columns"],
                order=None if order is None else order.split(","),
            )
        except UnreadableMarks as problem:
            raise not_understood(str(problem)) from problem
        found = agreement(read.marks, read.categories, is_ordered=read.is_ordered)
        if options["json"]:
            self.stdout.write(json.dumps(_as_plain(read, found), indent=2, ensure_ascii=False))
            return
        self._tell(read, found)
        if not read.is_ordered:
            self.stdout.write(NO_ORDER)
        elif order is None:
            self.stdout.write(UNUSED_NUMBERS)

    def _tell(self, read: MarkColumns, found: Agreement) -> None:
        first, second = read.raters
        self.stdout.write(f"{first} and {second}: {found.compared} rows, marked by both.")
        if found.share_agreed is not None:
            self.stdout.write(
                f"Agreed on {found.agreed} of {found.compared}: {float(found.share_agreed * 100):.1f} %."
            )
        for name, value in _kappas(found).items():
            if value is not None:
                self.stdout.write(f"{name + ':':<17}{_told(value)}")
        self.stdout.write(f"\nRows: {first}. Columns: {second}.")
        self.stdout.writelines(_table(found))
        if found.disagreements:
            lines = [str(one.mark.key) for one in found.disagreements[:LISTED]]
            more = len(found.disagreements) - len(lines)
            widest = " (widest apart first)" if read.is_ordered else ""
            self.stdout.write(
                f"They differ on lines{widest} {', '.join(lines)}{f' and {more} more' if more else ''}."
            )


def _kappas(found: Agreement) -> dict[str, Kappa | None]:
    return {"Kappa": found.kappa, "Linear kappa": found.linear, "Quadratic kappa": found.quadratic}


def _told(kappa: Kappa) -> str:
    if kappa.value is None:
        return kappa.why_not
    if kappa.interval is None or kappa.standard_error is None:
        return f"{kappa.value:.4f}. {kappa.why_not}"
    low, high = kappa.interval
    return f"{kappa.value:.4f}, standard error {kappa.standard_error:.4f}, 95 % {low:.4f} to {high:.4f}"


def _table(found: Agreement) -> list[str]:
    """The confusion table, its columns as wide as they need."""
    heads = ["", *found.categories]
    rows = [[name, *map(str, counts)] for name, counts in zip(found.categories, found.table, strict=True)]
    widths = [max(len(row[n]) for row in (heads, *rows)) for n in range(len(heads))]
    return [
        "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True)).rstrip() + "\n"
        for row in (heads, *rows)
    ]


def _as_plain(read: MarkColumns, found: Agreement) -> dict[str, Any]:
    share = found.share_agreed
    return {
        "raters": list(read.raters),
        "compared": found.compared,
        "agreed": found.agreed,
        "share_agreed": None if share is None else float(share),
        "categories": list(found.categories),
        "is_ordered": read.is_ordered,
        "table": [list(row) for row in found.table],
        "kappa": _kappa_as_plain(found.kappa),
        "linear_kappa": _kappa_as_plain(found.linear),
        "quadratic_kappa": _kappa_as_plain(found.quadratic),
        "differ": [
            {
                "line": one.mark.key,
                "first": one.mark.first,
                "second": one.mark.second,
                "steps": one.steps,
            }
            for one in found.disagreements
        ],
    }


def _kappa_as_plain(kappa: Kappa | None) -> dict[str, Any]:
    if kappa is None:
        return {"value": None, "standard_error": None, "interval": None, "why_not": NO_ORDER}
    return {
        "value": kappa.value,
        "standard_error": kappa.standard_error,
        "interval": None if kappa.interval is None else list(kappa.interval),
        "why_not": kappa.why_not,
    }
