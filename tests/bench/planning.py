"""A plan of 400 renewals, 10 assessors and 60 days in 30 seconds: how near its bound, and against by hand."""

import random
from dataclasses import dataclass
from datetime import date, timedelta

from assessments.rules.planning import Assessor, Cost, Need, Plan, Task, cost_of, earliest_due_first, plan

DAY = timedelta(days=1)
FIRST = date(2026, 6, 1)
SITES, CATEGORIES = [f"S{n}" for n in range(8)], [f"C{n}" for n in range(6)]


@dataclass(frozen=True)
class PlanSpeed:
    task: Task
    found: Plan
    by_hand: Cost

    @property
    def against_by_hand(self) -> float:
        return self.found.cost.total / self.by_hand.total

    def line(self) -> str:
        found, hand = self.found.cost, self.by_hand
        return (
            f"plan of {len(self.task.needs)} renewals, {len(self.task.assessors)} assessors, "
            f"{len(self.task.days)} days in {self.found.seconds:.0f} s: {self.found.gap:.2%} above its "
            f"bound; days short {found.short:.0f}, late {found.late:.0f}, journeys {found.journeys}; "
            f"earliest due first {hand.short:.0f}, {hand.late:.0f}, {hand.journeys}"
        )


def invented(needs: int, assessors: int, days: int) -> Task:
    """The same on any machine: ends spread from a month ago to four months ahead, some sites tight."""
    rng = random.Random(1)  # noqa: S311
    calendar = (FIRST + DAY * n for n in range(days * 2))
    working = tuple(day for day in calendar if day.weekday() < 5)[:days]
    people = []
    for n in range(needs):
        last = FIRST + DAY * rng.randrange(-30, 120)
        opens, away = max(FIRST, last - DAY * 90), frozenset(rng.sample(working, min(5, days // 4)))
        place, chance = (rng.choice(SITES), rng.choice(CATEGORIES)), rng.choice([0.7, 0.8, 0.9])
        people.append(Need(f"N{n}", *place, last, opens, last + DAY * 180, chance, away))
    staff = tuple(
        Assessor(
            f"A{n}",
            {c: (FIRST - DAY * 300, FIRST + DAY * rng.choice([40, 400])) for c in rng.sample(CATEGORIES, 4)},
            4,
            frozenset(rng.sample(SITES, 5)),
            frozenset(rng.sample(working, min(6, days // 4))),
        )
        for n in range(assessors)
    )
    missing = {}
    for site in SITES:
        for category in CATEGORIES:
            ends = [need.last_day for need in people if need.place == (site, category)]
            spare = rng.randrange(0, 4)
            span = range((working[-1] - FIRST).days + 1)
            missing[site, category] = [max(0, sum(e < FIRST + DAY * n for e in ends) - spare) for n in span]
    return Task(tuple(people), staff, working, missing)


def measure(needs: int, assessors: int, days: int, seconds: float) -> PlanSpeed:
    task = invented(needs, assessors, days)
    return PlanSpeed(task, plan(task, seconds=seconds), cost_of(task, earliest_due_first(task)))
