"""Plans of re-assessments: allowed, never worse than by hand, and on small tasks the best there is."""

import itertools
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from assessments.rules.planning import (
    Assessor,
    Need,
    Placement,
    Task,
    cost_of,
    earliest_due_first,
    plan,
    why_not,
)

DAY = timedelta(days=1)
MONDAY = date(2026, 6, 1)
DAYS = tuple(MONDAY + DAY * n for n in range(4))
SITES, CATEGORIES = ("EAST", "WEST"), ("dumper", "roller")

NEEDS = st.builds(
    lambda site, category, ends, opens, chance, away, not_by: Need(
        "",
        site,
        category,
        MONDAY + DAY * ends,
        MONDAY + DAY * opens,
        MONDAY + DAY * 30,
        chance,
        frozenset(MONDAY + DAY * n for n in away),
        not_by,
    ),
    st.sampled_from(SITES),
    st.sampled_from(CATEGORIES),
    st.integers(-3, 4),
    st.integers(0, 2),
    st.sampled_from([0.5, 0.8, 1.0]),
    st.sets(st.integers(0, 3), max_size=2),
    st.sampled_from(["", "", "A0"]),
)
ASSESSORS = st.builds(
    lambda of, sites, capacity, away: Assessor(
        "",
        dict.fromkeys(of, (MONDAY - DAY, MONDAY + DAY * 60)),
        capacity,
        sites,
        frozenset(MONDAY + DAY * n for n in away),
    ),
    st.sets(st.sampled_from(CATEGORIES), min_size=1),
    st.one_of(st.none(), st.sets(st.sampled_from(SITES), min_size=1).map(frozenset)),
    st.integers(1, 2),
    st.sets(st.integers(0, 3), max_size=2),
)
MISSING = st.dictionaries(
    st.tuples(st.sampled_from(SITES), st.sampled_from(CATEGORIES)),
    st.lists(st.integers(0, 2), min_size=4, max_size=4),
    max_size=2,
)


@st.composite
def tasks(draw, needs=3, assessors=2):
    return Task(
        tuple(
            replace(one, key=f"N{n}")
            for n, one in enumerate(draw(st.lists(NEEDS, min_size=1, max_size=needs)))
        ),
        tuple(
            replace(one, key=f"A{n}")
            for n, one in enumerate(draw(st.lists(ASSESSORS, min_size=1, max_size=assessors)))
        ),
        DAYS,
        draw(MISSING),
    )


def is_allowed(task, placements) -> bool:
    """Every rule of a plan, asked one by one."""
    load = Counter((one.assessor.key, one.on) for one in placements)
    sites = {(one.assessor.key, one.on, one.need.site) for one in placements}
    return (
        len({one.need.key for one in placements}) == len(placements)
        and all(one.on in task.days and one.need.may_be(one.on) for one in placements)
        and all(one.assessor.may(one.need.kind, one.on) for one in placements)
        and all(load[one.assessor.key, one.on] <= one.assessor.capacity for one in placements)
        and len(sites) == len(load)
    )


def best_by_trying_everything(task) -> float:
    choices = [
        [
            None,
            *(
                Placement(need, one, on)
                for one in task.assessors
                for on in task.days
                if need.may_be(on) and one.may(need.kind, on)
            ),
        ]
        for need in task.needs
    ]
    tried = ([one for one in chosen if one] for chosen in itertools.product(*choices))
    return min(cost_of(task, placements).total for placements in tried if is_allowed(task, placements))


@settings(max_examples=40, deadline=None)
@given(tasks())
def test_on_a_small_task_the_plan_is_the_best_there_is(task):
    found = plan(task, seconds=10, gap=0)
    assert is_allowed(task, found.placements)
    best = best_by_trying_everything(task)
    assert found.cost.total == pytest.approx(best)
    assert found.bound <= best + 1e-6


@settings(max_examples=40, deadline=None)
@given(tasks(needs=8, assessors=3))
def test_a_plan_is_allowed_and_never_worse_than_the_earliest_due_first(task):
    by_hand = earliest_due_first(task)
    found = plan(task, seconds=5)
    assert is_allowed(task, by_hand)
    assert is_allowed(task, found.placements)
    assert found.bound - 1e-6 <= found.cost.total <= cost_of(task, by_hand).total + 1e-6
    placed = {one.need.key for one in found.placements}
    assert {need.key for need, _ in found.unplaced} == {need.key for need in task.needs} - placed


def need(key="N", **parts):
    whole = {
        "site": "EAST",
        "category": "dumper",
        "last_day": MONDAY + DAY * 20,
        "earliest": MONDAY,
        "latest": MONDAY + DAY * 90,
    }
    return Need(key, **whole | parts)


def assessor(key="A", capacity=1, **parts):
    return Assessor(key, {"dumper": (MONDAY, MONDAY + DAY * 90)}, capacity, **parts)


def test_who_keeps_a_site_from_running_short_comes_before_who_ended_first():
    """One place today, and two to fill it: a site that is short outweighs three more days late."""
    short = need("short", site="EAST", last_day=MONDAY - DAY)
    sooner = need("sooner", site="WEST", last_day=MONDAY - DAY * 4)
    task = Task((short, sooner), (assessor(),), DAYS[:2], {("EAST", "dumper"): [1, 1]})
    assert [one.need.key for one in plan(task).placements] == ["short", "sooner"]


def test_journeys_are_saved_where_nothing_else_is_lost():
    task = Task((need("one"), need("two")), (assessor("A", 2), assessor("B", 2)), DAYS)
    assert plan(task).cost.journeys == 1


def test_an_assessor_is_at_one_site_a_day():
    task = Task((need("one"), need("two", site="WEST")), (assessor(capacity=5),), DAYS[:1])
    found = plan(task)
    assert len(found.placements) == 1
    assert [why for _, why in found.unplaced] == ["Every assessor who may is full on the days of its window."]


def test_nobody_is_planned_to_assess_themself():
    task = Task((need("own", not_by="A"),), (assessor("A"),), DAYS)
    assert plan(task).placements == ()
    both = Task((need("own", not_by="A"), need("other")), (assessor("A"), assessor("B")), DAYS[:1])
    assert {(one.need.key, one.assessor.key) for one in plan(both).placements} == {
        ("own", "B"),
        ("other", "A"),
    }


def test_what_could_not_be_placed_says_why():
    task = Task((), (assessor(),), DAYS)
    assert "window" in why_not(task, need(earliest=MONDAY + DAY * 50))
    assert "away" in why_not(task, need(away=frozenset(DAYS)))
    assert "appointed" in why_not(task, need(category="roller"))


def test_a_search_is_ended_when_told():
    needs = tuple(need(f"N{n}", site=f"S{n % 5}", last_day=MONDAY - DAY * n) for n in range(30))
    days = tuple(MONDAY + DAY * n for n in range(20))
    told = []
    task = Task(needs, (assessor("A", 2), assessor("B", 2)), days)
    found = plan(task, seconds=20, gap=-1, seen=lambda one: told.append(one) or True)
    assert len(told) == 1
    assert is_allowed(task, found.placements)


def test_nothing_to_plan_is_a_plan():
    assert plan(Task((), (), DAYS)).placements == ()
    found = plan(Task((need(),), (), DAYS))
    assert found.cost == cost_of(Task((need(),), (), DAYS), [])
    assert len(found.unplaced) == 1
