"""Cover: who is authorised at a site for a category all day long, day by day, as far as can be seen.

Cover changes only where something starts or ends, so a forecast is a sweep over spans of days.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from .dates import first_moment
from .gate import Frame, PersonFacts, TicketFacts, condition_reasons, zone_named
from .requirements import LASTING, Scope, assess
from .roster import Asked
from .standing import Level

DAY = timedelta(days=1)
Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True, order=True)
class Span:
    """Whole days on a site's calendar, both ends included."""

    first: date
    last: date


@dataclass(frozen=True, slots=True)
class Horizon:
    """The days of a forecast: ``days`` of them from ``first`` on."""

    first: date
    days: int

    @property
    def last(self) -> date:
        return self.first + timedelta(days=self.days - 1)


def spans_of(person: PersonFacts, machines: Sequence[Asked], horizon: Horizon) -> list[Span]:
    """The days on which the gate would let ``person``, alone and at full level, take at least one of
    ``machines`` out at any hour, if nothing were renewed or recorded from ``horizon.first`` on.

    The machines are those of one category at one site. A ticket for daylight only is good for no whole day.
    In order, without overlap and without neighbours that touch.
    """
    if not person.is_active:
        return []
    found: list[Span] = []
    for machine, standards in machines:
        starts = sorted({v.in_force_from for v in standards if horizon.first < v.in_force_from})
        edges = [horizon.first, *(start for start in starts if start <= horizon.last), horizon.last + DAY]
        for first, following in pairwise(edges):
            frame = Frame.of(machine, standards, first_moment(first, zone_named(machine.site.zone)))
            if not frame.reasons:
                found += _under_one_standard(person, frame, Span(first, following - DAY))
    return joined(found)


def _under_one_standard(person: PersonFacts, frame: Frame, under: Span) -> list[Span]:
    """The person's spans for one machine while one version of the standard is in force."""
    last = _lasting_to(person, frame, under.last)
    if last is None:
        return []
    spans = (_in_force(ticket, frame, Span(under.first, last)) for ticket in person.tickets)
    return [span for span in spans if span is not None]


def _lasting_to(person: PersonFacts, frame: Frame, last: date) -> date | None:
    """The last day, no later than ``last``, on which every lasting requirement is still met; ``None`` where
    one is not met to begin with. Nothing is recorded in days to come, so what has ended stays ended."""
    machine, standard = frame.machine, frame.standard
    scope = Scope(frame.categories, machine.site.code, machine.machine_model, person.started_on)
    for requirement in standard.requirements if standard else ():
        if requirement.kind not in LASTING:
            continue
        found = assess(requirement, person.evidence, scope, frame.today)
        if not found.is_met:
            return None
        if found.counts_to is not None:
            last = min(last, found.counts_to)
    return last


def _in_force(ticket: TicketFacts, frame: Frame, within: Span) -> Span | None:
    """The days ``within`` which one ticket serves for the frame's machine."""
    standing = ticket.standing
    if standing is None or ticket.category not in frame.categories or standing.level is not Level.FULL:
        return None
    if standing.conditions.daylight_only or standing.is_suspended or standing.is_withdrawn:
        return None
    span = Span(max(within.first, standing.first_day), min(within.last, standing.last_day))
    if span.first > span.last:
        return None
    # What is left to ask, site, mass and attachments, is the same every day.
    return None if condition_reasons(frame, ticket.number, standing) else span


def joined(spans: Iterable[Span]) -> list[Span]:
    """The same days in as few spans as can be."""
    merged: list[Span] = []
    for span in sorted(spans):
        if merged and span.first <= merged[-1].last + DAY:
            merged[-1] = Span(merged[-1].first, max(merged[-1].last, span.last))
        else:
            merged.append(span)
    return merged


def less(spans: Sequence[Span], taken: Sequence[Span]) -> list[Span]:
    """The days of ``spans`` that are not among ``taken``."""
    left = list(spans)
    for cut in taken:
        parts: list[Span] = []
        for span in left:
            before = Span(span.first, min(span.last, cut.first - DAY))
            after = Span(max(span.first, cut.last + DAY), span.last)
            parts += [part for part in (before, after) if part.first <= part.last]
        # A span that the cut does not touch comes out whole from both sides; joining makes it one again.
        left = joined(parts)
    return left


def count(spans: Iterable[Span], horizon: Horizon) -> Counts:
    """How many of ``spans`` hold each day of the horizon: one step up at a start, one down after an end."""
    numbered = [((span.first - horizon.first).days, (span.last - horizon.first).days) for span in spans]
    firsts, lasts = np.array(numbered, dtype=np.int64).reshape(-1, 2).T
    return count_days(firsts, lasts, horizon.days)


def count_days(firsts: Counts, lasts: Counts, days: int) -> Counts:
    """The same for days numbered from the horizon's first, which is 0; both ends are included."""
    inside = (firsts < days) & (lasts >= 0) & (firsts <= lasts)
    up = np.bincount(np.clip(firsts[inside], 0, days), minlength=days + 1)
    down = np.bincount(np.clip(lasts[inside] + 1, 0, days), minlength=days + 1)
    return np.cumsum(up - down)[:days].astype(np.int64)


def first_short(counts: Counts, minimum: int, horizon: Horizon) -> date | None:
    """The first day on which fewer than ``minimum`` are authorised; ``None`` where none is."""
    short = np.flatnonzero(counts < minimum)
    return horizon.first + timedelta(days=int(short[0])) if short.size else None
