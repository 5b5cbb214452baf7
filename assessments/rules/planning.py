"""Planning re-assessments: who is assessed by whom and when, so that no site runs short.

A mixed-integer program on HiGHS (scipy). Least expected shortfall comes first, then lateness, then journeys,
as weights say: a person-day short weighs as a hundred days late, and a day late as ten journeys.
"""

from __future__ import annotations

import random
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linear_sum_assignment, milp
from scipy.sparse import csr_matrix

SHORT_DAY, LATE_DAY, JOURNEY = 1000.0, 10.0, 1.0
# A renewal that is not placed counts as this much later than the last day that was planned.
UNPLACED_DAYS = 30
DAY = timedelta(days=1)
# How much of the time goes to the whole program, and how many days are planned anew at once after that.
SHARE_FOR_THE_WHOLE, WEEK, A_TRY = 0.3, 6, 5.0
# Shares nearer than this are one and the same.
ROUNDING = 1e-9
# A cover: site and category.
Place = tuple[str, str]
# What an assessor looks at: site, category, and whose renewal it is where that is an assessor's own.
Kind = tuple[str, str, str]


@dataclass(frozen=True, slots=True)
class Need:
    """A renewal that is due. It may be assessed from ``earliest`` to ``latest``; from the day after
    ``last_day`` its person is not authorised. ``chance``: that it is passed."""

    key: str
    site: str
    category: str
    last_day: date
    earliest: date
    latest: date
    chance: float = 1.0
    away: frozenset[date] = frozenset()
    # The assessor who is this person: nobody assesses themself.
    not_by: str = ""

    @property
    def place(self) -> Place:
        return self.site, self.category

    @property
    def kind(self) -> Kind:
        return self.site, self.category, self.not_by

    def may_be(self, on: date) -> bool:
        return self.earliest <= on <= self.latest and on not in self.away

    def late(self, on: date) -> int:
        return max(0, (on - self.last_day).days)


@dataclass(frozen=True, slots=True)
class Assessor:
    """``appointed``: first and last day for each category; ``sites``: where they may assess, ``None``
    everywhere; ``capacity``: assessments a day. One site a day."""

    key: str
    appointed: Mapping[str, tuple[date, date]]
    capacity: int
    sites: frozenset[str] | None = None
    away: frozenset[date] = frozenset()

    def may(self, kind: Kind, on: date) -> bool:
        return on not in self.away and self.may_if_there(kind, on)

    def may_if_there(self, kind: Kind, on: date) -> bool:
        site, category, not_by = kind
        if self.key == not_by or (self.sites is not None and site not in self.sites):
            return False
        first, last = self.appointed.get(category, (date.max, date.min))
        return first <= on <= last


@dataclass(frozen=True)
class Task:
    """All that a plan is made from. ``days``: those on which anybody assesses, in order; ``missing``: how
    many people each place is short on each day from the first of ``days`` on, if nobody renews."""

    needs: tuple[Need, ...]
    assessors: tuple[Assessor, ...]
    days: tuple[date, ...]
    missing: Mapping[Place, Sequence[int]] = field(default_factory=dict)

    @property
    def span(self) -> int:
        """Calendar days from the first to the last of ``days``."""
        return (self.days[-1] - self.days[0]).days + 1


@dataclass(frozen=True, slots=True)
class Placement:
    need: Need
    assessor: Assessor
    on: date


@dataclass(frozen=True, slots=True)
class Cost:
    """``short``: expected person-days under the minimum; ``late``: days after ends; ``journeys``:
    assessor-days."""

    short: float
    late: float
    journeys: int

    @property
    def total(self) -> float:
        return SHORT_DAY * self.short + LATE_DAY * self.late + JOURNEY * self.journeys


@dataclass(frozen=True)
class Plan:
    """``bound``: no plan whatever costs less. ``unplaced``: each with why."""

    placements: tuple[Placement, ...]
    unplaced: tuple[tuple[Need, str], ...]
    cost: Cost
    bound: float
    seconds: float

    @property
    def gap(self) -> float:
        """How far the plan may be from the best, as a share of its cost."""
        return (self.cost.total - self.bound) / self.cost.total if self.cost.total > 0 else 0.0


def cost_of(task: Task, placements: Iterable[Placement]) -> Cost:
    """What a plan costs. Shortfall is that of the expected number of people who are authorised again."""
    placed = {one.need.key: one for one in placements}
    again: dict[Place, np.ndarray] = defaultdict(lambda: np.zeros(task.span))
    late = 0.0
    for need in task.needs:
        one = placed.get(need.key)
        if one is None:
            late += _unplaced_late(task, need)
            continue
        late += need.late(one.on)
        again[need.place][_effective(task, need, one.on) :] += need.chance
    short = sum(float(np.maximum(0.0, _missing(task, place) - again[place]).sum()) for place in task.missing)
    return Cost(short, late, len({(one.assessor.key, one.on) for one in placed.values()}))


def _missing(task: Task, place: Place) -> np.ndarray:
    return np.asarray(task.missing.get(place, ()), dtype=float)[: task.span]


def _effective(task: Task, need: Need, on: date) -> int:
    """The day, numbered from the first, from which a pass on ``on`` makes a difference."""
    return max(0, (max(on, need.last_day + DAY) - task.days[0]).days)


def _unplaced_late(task: Task, need: Need) -> float:
    return max(0, (task.days[-1] - need.last_day).days) + UNPLACED_DAYS


def earliest_due_first(task: Task) -> list[Placement]:
    """What a careful person does by hand: the soonest end first, each on the first day that somebody has
    room, where that somebody is already if it can be."""
    placements: list[Placement] = []
    where: dict[tuple[str, date], str] = {}
    load: dict[tuple[str, date], int] = defaultdict(int)
    for need in sorted(task.needs, key=lambda one: (one.last_day, one.key)):
        for on in task.days:
            if not need.may_be(on):
                continue
            free = [
                one
                for one in task.assessors
                if one.may(need.kind, on)
                and load[one.key, on] < one.capacity
                and where.get((one.key, on), need.site) == need.site
            ]
            if free:
                best = min(free, key=lambda one: ((one.key, on) not in where, one.key))
                placements.append(Placement(need, best, on))
                where[best.key, on] = need.site
                load[best.key, on] += 1
                break
    return placements


def plan(
    task: Task, *, seconds: float = 30.0, gap: float = 0.005, seen: Callable[[Plan], bool] | None = None
) -> Plan:
    """The best plan found within ``seconds``, or sooner once it is within ``gap`` of its bound; never worse
    than the earliest due first.

    The whole program gives the bound, and on a small task the best plan. On a large one the plan at hand is
    then improved a few weeks at a time. ``seen`` is told of the plan
    at hand after each try, and ends the search by ``True``.
    """
    started = time.monotonic()
    best = earliest_due_first(task)
    if not best:
        # Nobody can assess anything, so there is but one plan.
        return _as_plan(task, [], cost_of(task, []).total, started)
    found, bound = _Program(task).solve(seconds * SHARE_FOR_THE_WHOLE, max(gap, 0.0))
    best = min((found, best), key=lambda one: cost_of(task, one).total)
    rng = random.Random(len(task.needs))  # noqa: S311 -- to be repeated, not to be secret
    plan = _as_plan(task, best, bound, started)
    while plan.gap > gap + ROUNDING and plan.seconds < seconds and not (seen and seen(plan)):
        days = _some_weeks(task, rng)
        fixed = [one for one in best if one.on not in days]
        again, _ = _Program(task, fixed, days).solve(min(A_TRY, seconds - plan.seconds), 0.0)
        best = min(([*fixed, *again], best), key=lambda one: cost_of(task, one).total)
        plan = _as_plan(task, best, bound, started)
    return plan


def _some_weeks(task: Task, rng: random.Random) -> frozenset[date]:
    """Two runs of days, next to each other or apart; the first rather early, where most is late."""
    length = min(WEEK, len(task.days))
    last = len(task.days) - length
    starts = (int(rng.random() ** 2 * (last + 1)), rng.randrange(last + 1))
    return frozenset(day for start in starts for day in task.days[start : start + length])


def _as_plan(task: Task, placements: Sequence[Placement], bound: float, started: float) -> Plan:
    cost, placed = cost_of(task, placements), {one.need.key for one in placements}
    return Plan(
        tuple(sorted(placements, key=lambda one: (one.on, one.assessor.key, one.need.key))),
        tuple((need, why_not(task, need)) for need in task.needs if need.key not in placed),
        cost,
        min(bound, cost.total),
        time.monotonic() - started,
    )


def why_not(task: Task, need: Need) -> str:
    """Why a renewal found no place, in a sentence for the screen."""
    inside = [on for on in task.days if need.earliest <= on <= need.latest]
    if not inside:
        return "None of the days planned lies in its window."
    days = [on for on in inside if need.may_be(on)]
    if not days:
        return "The person is away, or booked already, on every day planned in its window."
    if not any(one.may(need.kind, on) for one in task.assessors for on in days):
        if any(one.may_if_there(need.kind, on) for one in task.assessors for on in days):
            return "Every assessor who may is away, or booked already, on the days of its window."
        return "No assessor is appointed for the category at the site on any day of its window."
    return "Every assessor who may is full on the days of its window."


class _Program:
    """The program's variables: x (a need on a day), f (how many of a place an assessor takes on a day), y (an
    assessor at a site on a day), g (expected people back by a day), h (expected people short on a day)."""

    def __init__(
        self, task: Task, fixed: Sequence[Placement] = (), days: frozenset[date] | None = None
    ) -> None:
        """``fixed`` placements stay; ``days``: the others are placed on these, and no fixed one is."""
        self.task = task
        held = {one.need.key for one in fixed}
        self.free = [need for need in task.needs if need.key not in held]
        self.days = [day for day in task.days if days is None or day in days]
        self.back = {place: np.zeros(task.span) for place in task.missing}
        for one in fixed:
            if one.need.place in self.back:
                self.back[one.need.place][_effective(task, one.need, one.on) :] += one.need.chance
        self.costs: list[float] = []
        self.upper: list[float] = []
        self.whole: list[int] = []
        self.rows: list[tuple[list[int], list[float], float, float]] = []
        self.constant = sum(LATE_DAY * _unplaced_late(task, need) for need in self.free)
        self.x: dict[tuple[int, date], int] = {}
        self.f: dict[tuple[Kind, int, date], int] = {}
        self.y: dict[tuple[int, str, date], int] = {}
        self._placing()
        self._staffing()
        self._covering()

    def _variable(self, cost: float, upper: float, *, whole: bool) -> int:
        self.costs.append(cost)
        self.upper.append(upper)
        self.whole.append(int(whole))
        return len(self.costs) - 1

    def _row(self, terms: Iterable[tuple[int, float]], low: float, high: float) -> None:
        columns, values = zip(*terms, strict=True)
        self.rows.append((list(columns), list(values), low, high))

    def _placing(self) -> None:
        """Each need at most once, on a day on which somebody may assess it."""
        open_on = {
            (kind, on)
            for kind in {need.kind for need in self.free}
            for on in self.days
            if any(one.may(kind, on) for one in self.task.assessors)
        }
        for n, need in enumerate(self.free):
            mine = []
            for on in self.days:
                if need.may_be(on) and (need.kind, on) in open_on:
                    saved = LATE_DAY * (need.late(on) - _unplaced_late(self.task, need))
                    self.x[n, on] = self._variable(saved, 1, whole=True)
                    mine.append((self.x[n, on], 1.0))
            if mine:
                self._row(mine, 0, 1)

    def _staffing(self) -> None:
        """As many of a place on a day as assessors take; each at one site, and no more than they can."""
        wanted: dict[tuple[Kind, date], list[int]] = defaultdict(list)
        for (n, on), column in self.x.items():
            wanted[self.free[n].kind, on].append(column)
        at_site: dict[tuple[int, str, date], list[int]] = defaultdict(list)
        for (kind, on), columns in wanted.items():
            taken = []
            for a, assessor in enumerate(self.task.assessors):
                if assessor.may(kind, on):
                    most = min(assessor.capacity, len(columns))
                    self.f[kind, a, on] = self._variable(0, most, whole=True)
                    taken.append(self.f[kind, a, on])
                    at_site[a, kind[0], on].append(self.f[kind, a, on])
            self._row([*((c, 1.0) for c in columns), *((c, -1.0) for c in taken)], 0, 0)
        per_day: dict[tuple[int, date], list[int]] = defaultdict(list)
        for (a, site, on), columns in at_site.items():
            there = self.y[a, site, on] = self._variable(JOURNEY, 1, whole=True)
            capacity = float(self.task.assessors[a].capacity)
            self._row([*((c, 1.0) for c in columns), (there, -capacity)], -np.inf, 0)
            per_day[a, on].append(there)
        for columns in per_day.values():
            if len(columns) > 1:
                self._row([(c, 1.0) for c in columns], 0, 1)

    def _covering(self) -> None:
        """Expected people back by each day, and expected people short where a minimum is missed."""
        back: dict[tuple[Place, int], list[tuple[int, float]]] = defaultdict(list)
        for (n, on), column in self.x.items():
            need = self.free[n]
            back[need.place, _effective(self.task, need, on)].append((column, need.chance))
        for place in self.task.missing:
            missing = np.maximum(0.0, _missing(self.task, place) - self.back[place])
            if not missing.any():
                continue
            before: int | None = None
            for day in range(len(missing)):
                by_day = self._variable(0, np.inf, whole=False)
                terms = [(by_day, 1.0), *((c, -chance) for c, chance in back.get((place, day), ()))]
                self._row(terms if before is None else [*terms, (before, -1.0)], 0, 0)
                before = by_day
                if missing[day] > 0:
                    short = self._variable(SHORT_DAY, float(missing[day]), whole=False)
                    self._row([(short, 1.0), (by_day, 1.0)], float(missing[day]), np.inf)

    def solve(self, seconds: float, gap: float) -> tuple[list[Placement], float]:
        """The placements found, none where nothing was, and the bound under every plan's cost."""
        if not self.x:
            return [], self.constant + SHORT_DAY * cost_of(self.task, []).short
        lengths = [len(columns) for columns, *_ in self.rows]
        matrix = csr_matrix(
            (
                np.concatenate([values for _, values, *_ in self.rows]),
                np.concatenate([columns for columns, *_ in self.rows]),
                np.concatenate(([0], np.cumsum(lengths))),
            ),
            shape=(len(self.rows), len(self.costs)),
        )
        found = milp(
            c=np.array(self.costs),
            integrality=np.array(self.whole),
            bounds=Bounds(0, np.array(self.upper)),
            constraints=LinearConstraint(
                matrix, [low for *_, low, _ in self.rows], [high for *_, high in self.rows]
            ),
            options={"time_limit": seconds, "mip_rel_gap": gap},
        )
        bound = self.constant + (found.mip_dual_bound if found.mip_dual_bound is not None else -np.inf)
        return (self._placements(found.x) if found.x is not None else []), max(0.0, float(bound))

    def _placements(self, values: np.ndarray) -> list[Placement]:
        """Share out each day's needs among the assessors who are at their site that day."""
        waiting: dict[tuple[str, date], list[Need]] = defaultdict(list)
        for (n, on), column in self.x.items():
            if values[column] > 0.5:
                need = self.free[n]
                waiting[need.site, on].append(need)
        there: dict[tuple[str, date], list[Assessor]] = defaultdict(list)
        for (a, site, on), column in self.y.items():
            if values[column] > 0.5:
                assessor = self.task.assessors[a]
                there[site, on] += [assessor] * assessor.capacity
        placements = []
        for (site, on), needs in waiting.items():
            hours = there[site, on]
            fits = np.array([[not hour.may(need.kind, on) for hour in hours] for need in needs], dtype=float)
            # Rounding may have left one need too many; it stays unplaced rather than double booked.
            rows, columns = linear_sum_assignment(fits) if hours else ([], [])
            placements += [
                Placement(needs[row], hours[column], on)
                for row, column in zip(rows, columns, strict=True)
                if not fits[row, column]
            ]
        return placements
