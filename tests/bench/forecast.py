"""Cover of 20 sites by 30 categories over a year from 100,000 tickets; and that it grows with the tickets.

The floor is numpy's own counting of the same days, made ready beforehand.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from time import perf_counter

import numpy as np

from competence.rules.cover import Horizon, Span, count, first_short

SITES, CATEGORIES = 20, 30
HORIZON = Horizon(date(2026, 6, 1), 365)
DAY = timedelta(days=1)


@dataclass(frozen=True)
class ForecastSpeed:
    tickets: int
    seconds: float
    tenth: float
    floor: float

    @property
    def growth(self) -> float:
        """Time at ten times the tickets, for each ticket."""
        return self.seconds / (10 * self.tenth)

    def line(self) -> str:
        return (
            f"cover of {SITES * CATEGORIES} site-categories x {HORIZON.days} days from {self.tickets:,} "
            f"tickets: {self.seconds * 1e3:.0f} ms; from a tenth of them {self.tenth * 1e3:.0f} ms; numpy "
            f"alone {self.floor * 1e3:.0f} ms"
        )


def spans_by_cell(tickets: int) -> list[list[Span]]:
    rng = np.random.default_rng(7)
    cells: list[list[Span]] = [[] for _ in range(SITES * CATEGORIES)]
    starts, lengths = rng.integers(-900, 200, tickets), rng.integers(30, 1100, tickets)
    places = rng.integers(0, len(cells), tickets)
    for place, start, length in zip(places, starts, lengths, strict=True):
        first = HORIZON.first + DAY * int(start)
        cells[place].append(Span(first, first + DAY * int(length)))
    return cells


def sweep(cells: list[list[Span]]) -> float:
    started = perf_counter()
    for cell in cells:
        first_short(count(cell, HORIZON), 3, HORIZON)
    return perf_counter() - started


def by_numpy(cells: list[list[Span]]) -> float:
    first = HORIZON.first
    numbered = [
        np.array([((span.first - first).days, (span.last - first).days) for span in cell]).reshape(-1, 2)
        for cell in cells
    ]
    days = np.arange(HORIZON.days)
    started = perf_counter()
    for ends in numbered:
        ((ends[:, :1] <= days) & (days <= ends[:, 1:])).sum(axis=0)
    return perf_counter() - started


def measure(tickets: int) -> ForecastSpeed:
    whole, tenth = spans_by_cell(tickets), spans_by_cell(tickets // 10)
    return ForecastSpeed(
        tickets,
        min(sweep(whole) for _ in range(3)),
        min(sweep(tenth) for _ in range(3)),
        min(by_numpy(whole) for _ in range(3)),
    )
