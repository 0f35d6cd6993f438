"""What no plan that can be driven is worth more than, held against trying everything."""

from __future__ import annotations

import random
from itertools import pairwise, permutations

import pytest

from crew.test_planner import by_trying_everything, small
from support.crew_instances import instance
from windowcast.crew import bound, greedy, planner
from windowcast.crew.instance import (
    Crew,
    Instance,
    Need,
    Option,
    Placed,
    Plan,
    Stock,
    Stop,
    measured,
    worth,
)

NOTHING = Plan({}, {})


def ample() -> float:
    """Seconds left: always enough."""
    return 60.0


def upper(task: Instance) -> float:
    return bound.upper(task, greedy.most_urgent_first(task), left_s=ample)


@pytest.mark.parametrize("seed", range(40))
def test_no_plan_is_worth_more_than_the_bound(seed: int):
    """Every option, day, crew and order of yards is tried. An hour costs little or much, days are
    long or short, yards near or far, at one place or at several, roads the same both ways or not;
    crews have one base or two, and hands of their own."""
    chance = random.Random(seed)
    crews = chance.choice([1, 1, 2])
    task = small(
        seed, crews=crews, yards=4 if crews == 1 else 3, load=chance.choice([0.5, 1.5, 3.0]),
        hour=chance.choice([0.01, 0.5, 2.0, 6.0]),
    )  # fmt: skip
    stretch = chance.choice([0.2, 1.0, 3.0, 6.0])
    roads = [[stretch * one for one in row] for row in task.roads]
    if seed % 3 == 0:  # a table of drives, as somebody gave it: no geometry at all
        every = range(len(roads))
        roads = [[0.0 if a == b else chance.uniform(1, 120) for b in every] for a in every]
    day = chance.choice([200.0, 480.0])
    task = task._replace(
        roads=roads,
        crews=tuple(
            one._replace(
                minutes=tuple(min(day, each) for each in one.minutes),
                place=3 if number and seed % 2 else 0,
                people=1 + (number + seed) % 3,
            )
            for number, one in enumerate(task.crews)
        ),
    )
    if seed % 4 == 1:  # two needs at one place
        task = task._replace(needs=(task.needs[0]._replace(place=2), *task.needs[1:]))
    if seed % 5 == 2:  # a promise, which is worth more
        need = next((one for one in task.needs if one.options), None)
        if need is not None:
            kept = tuple(Placed(stop.days[0], 0) for stop in need.options[0].stops)
            told = need._replace(promised=0, kept=kept)
            task = task._replace(
                needs=tuple(told if one == need else one for one in task.needs), keep=40.0
            )
    if seed % 7 == 3:
        task = task._replace(stock=(Stock("formic-strips", ((0, 60), (2, 50))),))

    best = by_trying_everything(task)

    assert upper(task) >= best - 1e-6
    assert bound.upper(task, NOTHING, left_s=lambda: -1.0) >= best - 1e-6


@pytest.mark.parametrize("share", bound.SHARES)
@pytest.mark.parametrize("seed", range(10))
def test_no_trip_is_shorter_than_the_driving_that_its_yards_are_charged(seed: int, share: float):
    """Every set of yards and every order of it, as far as it fits into the day."""
    np = pytest.importorskip("numpy")
    chance = random.Random(seed)
    task = instance(seed, yards=6, crews=1, near_km=chance.choice([1.0, 6.0, 20.0]))
    if seed % 2:
        task = task._replace(
            roads=[[chance.uniform(1, 90) if a != b else 0.0 for b in range(7)] for a in range(7)]
        )
    least = bound.Least(task, 0, share)
    day, seen = 480.0, 0
    for count in range(1, 5):
        for trip in permutations([one.place for one in task.needs if one.options], count):
            work = [chance.uniform(5, 200) for _ in trip]
            stops = (0, *trip, 0)
            drive = sum(task.roads[a][b] for a, b in pairwise(stops))
            if sum(work) + drive <= day:
                seen += 1
                charged = least.minutes(np.array(trip), np.array(work), np.full(count, day))
                assert charged.sum() <= sum(work) + drive + 1e-6
    assert seen > 50


def test_one_yard_far_away_is_bounded_by_its_whole_drive():
    """Nothing else is to be done: the bound is the plan itself."""
    stop = Stop("apply", (0,), 60.0, 12.0)
    option = Option(0, "t", "r", (stop,), 100.0)
    task = Instance(
        crews=(Crew("A", 2, 0, (480.0,)),),
        needs=(Need("a", "a", 1, 20, 0, (option,)),),
        roads=[[0.0, 150.0], [150.0, 0.0]],
        days=1,
        hour=2.0,
    )

    assert upper(task) == pytest.approx(100.0 - 2.0 * (42.0 + 300.0) / 60)


@pytest.mark.parametrize("seed", range(3))
def test_the_gap_stated_is_that_of_the_plan_that_is_driven(seed: int):
    task = instance(seed, yards=40, crews=2)

    plan = planner.make(task, left_s=ample)

    assert plan.bound is not None and plan.gap is not None
    assert plan.bound >= worth(task, plan)
    assert plan.gap == pytest.approx(plan.bound / worth(task, plan) - 1)
    assert plan.gap <= 0.01


def test_a_plan_that_is_worth_nothing_has_no_gap():
    task = instance(1, yards=5, crews=1)

    assert measured(task, NOTHING, 7.0).gap is None
    assert measured(task, NOTHING, 0.0).gap == 0.0  # nothing is the best there is
