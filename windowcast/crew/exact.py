"""The best plan there is, where the task is small: every way to serve a need and every set of yards
on a trip is a column, with the shortest tour of the roads."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import combinations, product
from typing import Any

from windowcast.crew.instance import (
    Chosen,
    Instance,
    Leg,
    Placed,
    Plan,
    follow_each_other,
    option_value,
    placed_value,
)
from windowcast.crew.route import length, tour

HOW = "every way looked at"
MOST_PLACES = 6
MOST_COLUMNS = 12_000


def exactly(instance: Instance, *, left_s: Callable[[], float]) -> Plan | None:
    """The best plan; None where the task is too large, or the time over."""
    places = sorted({need.place for need in instance.needs if need.options})
    if not 0 < len(places) <= MOST_PLACES:
        return None
    columns = _columns(instance)
    if columns is None:
        return None
    days = sorted({(one.crew, one.day) for _, chosen in columns for one in chosen.stops})
    sets = [each for size in range(1, len(places) + 1) for each in combinations(places, size)]
    if not columns or len(columns) + len(days) * len(sets) > 3 * MOST_COLUMNS:
        return None
    import numpy as np
    import scipy.sparse as sparse
    from scipy.optimize import Bounds, LinearConstraint, milp

    cells: list[tuple[int, int, float]] = []
    limit: list[float] = []
    row_of: dict[Any, int] = {}

    def cell(row: Any, column: int, value: float, at_most: float) -> None:
        if row not in row_of:
            row_of[row] = len(limit)
            limit.append(at_most)
        cells.append((row_of[row], column, value))

    worth = []
    for number, (need, chosen) in enumerate(columns):
        option = instance.needs[need].options[chosen.option]
        cell(("need", need), number, 1.0, 1.0)
        minutes, kept = 0.0, placed_value(instance, need, chosen)
        for placed, stop in zip(chosen.stops, option.stops, strict=True):
            key = (placed.crew, placed.day)
            work = stop.minutes(instance.crews[placed.crew].people)
            minutes += work
            room = instance.crews[placed.crew].minutes[placed.day]
            cell(("minutes", key), number, work, room)
            cell(("there", key, need), number, 1.0, 0.0)
            for stock in instance.stock:
                if stock.treatment == option.treatment and stop.strips:
                    for day in _ends(instance, stock.treatment):
                        if placed.day <= day:
                            cell(("strips", stock.treatment, day), number, float(stop.strips),
                                 float(stock.by(day)))  # fmt: skip
        value = option_value(instance, need, chosen.option) + kept
        worth.append(value - instance.hour * minutes / 60)
    trips: list[tuple[tuple[int, int], tuple[int, ...]]] = []
    tours: dict[tuple[int, tuple[int, ...]], float] = {}
    for key in days:
        home = instance.crews[key[0]].place
        for each in sets:
            if (home, each) not in tours:
                order = tour(instance.roads, home, each)
                tours[home, each] = length(instance.roads, home, [each[one] for one in order])
            minutes = tours[home, each]
            room = instance.crews[key[0]].minutes[key[1]]
            if minutes >= room:
                continue
            number = len(columns) + len(trips)
            trips.append((key, each))
            cell(("trip", key), number, 1.0, 1.0)
            cell(("minutes", key), number, minutes, room)
            for need, one in enumerate(instance.needs):
                if one.place in each and ("there", key, need) in row_of:
                    cell(("there", key, need), number, -1.0, 0.0)
            worth.append(-instance.hour * minutes / 60)
    rows, cols, data = zip(*cells, strict=True)
    matrix = sparse.csr_array((data, (rows, cols)), shape=(len(limit), len(worth)))
    found = milp(
        -np.array(worth),
        constraints=LinearConstraint(matrix, ub=np.array(limit)),
        bounds=Bounds(0, 1),
        integrality=np.ones(len(worth)),
        options={"time_limit": max(left_s(), 0.5), "mip_rel_gap": 1e-7},
    )
    if found.x is None or found.status != 0:
        return None
    chosen_of = {
        need: chosen for (need, chosen), share in zip(columns, found.x, strict=False) if share > 0.5
    }
    return _driven(instance, chosen_of, -float(found.fun))


def _ends(instance: Instance, treatment: str) -> list[int]:
    """The last day of each stretch between deliveries."""
    stock = instance.stock_of(treatment)
    assert stock is not None
    return sorted({when - 1 for when, _ in stock.arrivals if when > 0} | {instance.days - 1})


def _columns(instance: Instance) -> list[tuple[int, Chosen]] | None:
    """Every way to serve each need; None where there are too many."""
    found: list[tuple[int, Chosen]] = []
    for number, need in enumerate(instance.needs):
        for place, option in enumerate(need.options):
            each = [
                [
                    Placed(day, crew)
                    for day in stop.days
                    for crew, one in enumerate(instance.crews)
                    if one.can(stop.skill) and one.minutes[day] >= stop.minutes(one.people)
                ]
                for stop in option.stops
            ]
            if math.prod(map(len, each)) + len(found) > MOST_COLUMNS:
                return None
            for stops in product(*each):
                if follow_each_other(option.stops, [placed.day for placed in stops]):
                    found.append((number, Chosen(place, stops)))
    return found


def _driven(instance: Instance, chosen: dict[int, Chosen], worth: float) -> Plan:
    legs: dict[tuple[int, int], list[Leg]] = {}
    for need, one in chosen.items():
        for stop, placed in enumerate(one.stops):
            legs.setdefault((placed.crew, placed.day), []).append(Leg(need, stop))
    routes = {}
    for key, mine in sorted(legs.items()):
        places = [instance.needs[leg.need].place for leg in mine]
        order = tour(instance.roads, instance.crews[key[0]].place, places)
        routes[key] = tuple(mine[number] for number in order)
    return Plan(chosen=chosen, routes=routes, bound=worth, gap=0.0, how=HOW)
