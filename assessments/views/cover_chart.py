"""The drawing of a forecast: a step line a day, over the line of what the site needs."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from assessments.queries.cover import Forecast
from competence.rules.cover import Counts

# As many months are named under the chart as a phone can show; from a year on each takes its year with it.
MONTHS_NAMED, WITH_YEARS = 6, 4
A_YEAR = 330
# Lines across are this many at most; a small chart of few people has one for each.
LINES = 5


@dataclass(frozen=True)
class Tick:
    """A word beside the drawing. ``at``: percent of its width or height."""

    at: str
    word: str


@dataclass(frozen=True)
class Chart:
    """The nested drawing is ``days`` wide and ``top`` high, upside down as SVG is; ticks are in percents."""

    days: int
    top: int
    certain: str
    if_all_pass: str
    # Who is authorised and there, where anybody is away.
    available: str
    needed_at: int | None
    short: tuple[tuple[int, int], ...]
    months: tuple[Tick, ...]
    numbers: tuple[Tick, ...]


def chart_of(forecast: Forecast) -> Chart:
    """Lay a forecast out, from nought to one more than anybody is or needs to be."""
    top = int(max(forecast.if_all_pass.max(), forecast.minimum)) + 1
    apart = -(-top // LINES)
    is_more = bool((forecast.if_all_pass > forecast.certain).any())
    return Chart(
        days=forecast.horizon.days,
        top=top,
        certain=_steps(forecast.certain, top),
        if_all_pass=_steps(forecast.if_all_pass, top) if is_more else "",
        available=_steps(forecast.available, top) if forecast.is_anybody_away else "",
        needed_at=top - forecast.minimum if forecast.minimum else None,
        short=tuple(_runs(forecast.available < forecast.minimum)),
        months=tuple(_months(forecast.horizon.first, forecast.horizon.days)),
        numbers=tuple(Tick(f"{1 - n / top:.2%}", str(n)) for n in range(0, top, apart)),
    )


def _steps(counts: Counts, top: int) -> str:
    """A path that runs level through each day and steps between days."""
    changes = [0, *(int(day) + 1 for day in np.flatnonzero(np.diff(counts)))]
    steps = "".join(f"V{top - int(counts[day])}H{end}" for day, end in _spans(changes, len(counts)))
    return f"M0 {top - int(counts[0])}{steps}"


def _spans(starts: list[int], end: int) -> Iterator[tuple[int, int]]:
    return zip(starts, [*starts[1:], end], strict=True)


def _runs(days: "np.ndarray") -> Iterator[tuple[int, int]]:
    """First day and length of every run of days that are so."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], days.astype(np.int8), [0]))))
    for first, after in edges.reshape(-1, 2):
        yield int(first), int(after - first)


def _months(first: date, days: int) -> Iterator[Tick]:
    starts = [
        day
        for n in range(days)
        if (day := first + timedelta(days=n)).day == 1
        # Near the right edge there is no room for its name.
        and n < days * 0.85
    ]
    is_long = days >= A_YEAR
    apart = max(1, -(-len(starts) // (WITH_YEARS if is_long else MONTHS_NAMED)))
    for day in starts[::apart]:
        yield Tick(f"{(day - first).days / days:.2%}", f"{day:%b %Y}" if is_long else f"{day:%b}")
