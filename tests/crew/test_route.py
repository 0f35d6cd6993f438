"""Tours and a day's routes, held against a general optimiser (OR-tools)."""

from __future__ import annotations

import random
from itertools import permutations

import pytest
from ortools.constraint_solver import pywrapcp, routing_enums_pb2

from windowcast.crew import planner, route, settle
from windowcast.crew.board import Board
from windowcast.crew.instance import Crew, Instance, Need, Option, Stop, driving, faults
from windowcast.crew.travel import Point, roads

WORK, DAY = 45.0, 540.0


def places(seed: int, count: int, *, one_way: bool = False) -> list[list[float]]:
    """Minutes between invented places; `one_way`: not the same both ways."""
    chance = random.Random(seed)
    table = roads(
        [Point(45 + chance.uniform(-0.3, 0.3), -100 + chance.uniform(-0.4, 0.4))
         for _ in range(count)]
    )  # fmt: skip
    if one_way:
        table = [[minutes * chance.uniform(0.8, 1.3) for minutes in row] for row in table]
    return table


def by_or_tools(table: list[list[float]], crews: int, *, day: float = DAY) -> float:
    """Minutes of driving of the best routes that OR-tools finds: every place but the first once,
    each crew's day at most so many minutes with WORK at each place."""
    manager = pywrapcp.RoutingIndexManager(len(table), crews, 0)
    model = pywrapcp.RoutingModel(manager)

    def drive(one: int, other: int) -> int:
        return round(100 * table[manager.IndexToNode(one)][manager.IndexToNode(other)])

    def time(one: int, other: int) -> int:
        work = WORK if manager.IndexToNode(one) else 0.0
        return drive(one, other) + round(100 * work)

    model.SetArcCostEvaluatorOfAllVehicles(model.RegisterTransitCallback(drive))
    model.AddDimension(model.RegisterTransitCallback(time), 0, round(100 * day), True, "time")
    wanted = pywrapcp.DefaultRoutingSearchParameters()
    first, then = (
        routing_enums_pb2.FirstSolutionStrategy,
        routing_enums_pb2.LocalSearchMetaheuristic,
    )
    wanted.first_solution_strategy = first.PARALLEL_CHEAPEST_INSERTION
    wanted.local_search_metaheuristic = then.GUIDED_LOCAL_SEARCH
    wanted.solution_limit = 300
    found = model.SolveWithParameters(wanted)
    assert found is not None
    return found.ObjectiveValue() / 100


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("one_way", [False, True])
def test_a_small_tour_is_the_shortest_of_all_orders(seed: int, one_way: bool):
    table = places(seed, 7, one_way=one_way)
    order = route.tour(table, 0, range(1, 7))

    shortest = min(route.length(table, 0, one) for one in permutations(range(1, 7)))

    assert route.length(table, 0, [1 + one for one in order]) == pytest.approx(shortest)


@pytest.mark.parametrize("seed", range(4))
def test_a_larger_tour_is_within_a_tenth_of_what_or_tools_finds(seed: int):
    table = places(seed, 26)

    order = route.tour(table, 0, range(1, 26))
    ours = route.length(table, 0, [1 + one for one in order])

    assert ours <= 1.1 * by_or_tools(table, 1, day=100_000.0)


def one_day(table: list[list[float]], crews: int) -> Instance:
    """All places once on one day; driving is all that can be spared."""
    return Instance(
        crews=tuple(Crew(f"Crew {number}", 1, 0, (DAY,)) for number in range(crews)),
        needs=tuple(
            Need(str(place), str(place), place, 1, 0,
                 (Option(0, "t", "r", (Stop("apply", (0,), WORK, 0.0),), 1000.0),))
            for place in range(1, len(table))
        ),
        roads=table,
        days=1,
        hour=1.0,
    )  # fmt: skip


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(("count", "crews"), [(6, 2), (10, 2), (14, 3)])
def test_a_day_of_several_crews_is_within_a_tenth_of_what_or_tools_finds(
    seed: int, count: int, crews: int
):
    table = places(100 + seed, count + 1)
    task = one_day(table, crews)

    plan = planner.make(task, left_s=lambda: 60.0)

    assert len(plan.chosen) == count
    assert faults(task, plan) == []
    ours = sum(driving(task, crew, legs) for (crew, _), legs in plan.routes.items())
    assert ours <= 1.1 * by_or_tools(table, crews)


def test_yards_at_one_place_are_one_stop_of_the_tour():
    table = places(3, 4)

    assert route.length(table, 0, [1, 1, 2]) == route.length(table, 0, [1, 2])
    order = route.tour(table, 0, [1, 2, 1])
    assert {order.index(0) - order.index(2)} <= {-1, 1}


def test_no_places_are_no_drive():
    assert route.tour(places(1, 3), 0, []) == []
    assert route.length(places(1, 3), 0, []) == 0.0


@pytest.mark.parametrize("seed", range(5))
def test_what_a_place_costs_more_is_what_the_tour_is_longer(seed: int):
    table = places(seed, 8, one_way=True)
    order = [3, 1, 5, 2]

    more, position = route.cheapest(table, 0, order, 7)

    longer = [*order[:position], 7, *order[position:]]
    assert more == pytest.approx(route.length(table, 0, longer) - route.length(table, 0, order))
    assert all(
        route.length(table, 0, [*order[:at], 7, *order[at:]])
        >= route.length(table, 0, longer) - 1e-9
        for at in range(5)
    )


def test_improving_never_makes_a_plan_worse():
    task = one_day(places(9, 12), 3)
    board = Board(task)
    settle.fill(board)
    before = board.worth

    for seed in range(5):
        settle.improve(board, rounds=20, enough=lambda: False, seed=seed)
        assert board.worth >= before - 1e-9
        before = board.worth
