"""Invented yards, crews and windows for the crew's planner, the same for the same number."""

from __future__ import annotations

import math
import random
from collections.abc import Mapping

from windowcast.crew.instance import Chosen, Crew, Instance, Need, Option, Stock, Stop
from windowcast.crew.travel import Point, roads

SCENARIOS = 51
HOME = Point(45.0, -100.0)


def window(chance: random.Random, days: int) -> list[tuple[float, int]]:
    """By start day the chance and the scenarios that hold: warm spells come and go."""
    warm_until = [chance.gauss(chance.uniform(3, 16), 4.0) for _ in range(SCENARIOS)]
    cold_from = [chance.gauss(chance.uniform(18, 34), 4.0) for _ in range(SCENARIOS)]
    found = []
    for day in range(days):
        bits = 0
        for number in range(SCENARIOS):
            if warm_until[number] <= day <= cold_from[number]:
                bits |= 1 << number
        found.append((bits.bit_count() / SCENARIOS, bits))
    return found


def instance(
    seed: int, *, yards: int, crews: int, days: int = 30, load: float = 1.0, hour: float = 0.1,
    exposures: tuple[int, ...] = (14, 20), near_km: float = 6.0, stock: bool = False,
    least: float = 0.6,
) -> Instance:  # fmt: skip
    """Yards in nests around a home; crews of two on weekdays, eight hours.

    load:  colonies a yard, as a share of 12 to 40
    """
    chance = random.Random(seed)
    spread = 6.0 * math.sqrt(yards / crews)
    places = [HOME]
    nests = [
        (chance.uniform(-spread, spread), chance.uniform(-spread, spread))
        for _ in range(max(1, yards // 7))
    ]
    for _ in range(yards):
        east, north = chance.choice(nests)
        east += chance.gauss(0, near_km)
        north += chance.gauss(0, near_km)
        places.append(
            Point(
                HOME.latitude + north / 111.2,
                HOME.longitude + east / (111.2 * math.cos(math.radians(HOME.latitude))),
            )
        )
    whole = days + max(exposures) + 6
    minutes = tuple(480.0 if day % 7 < 5 else 0.0 for day in range(whole))
    works = [day for day in range(whole) if minutes[day]]
    needs = []
    for yard in range(yards):
        colonies = max(2, round(chance.randint(12, 40) * load))
        weight = chance.uniform(0.5, 2.0)
        last = chance.randint(days // 2, days - 1)
        options = []
        for exposure in exposures:
            held = window(chance, days)
            swap = 10 if exposure > 14 else None
            for start in range(min(last + 1, days)):
                share, bits = held[start]
                if share < least or not minutes[start]:
                    continue
                stops = [Stop("apply", (start,), 3.0 * colonies, 12.0, "formic acid",
                              colonies * (1 if swap else 2))]  # fmt: skip
                if swap:
                    right = start + swap
                    wide = [day for day in works if -1 <= day - right <= 3]
                    wide.sort(key=lambda day, right=right: (abs(day - right), day))
                    stops.append(Stop("swap", tuple(wide), 2.5 * colonies, 12.0, "formic acid",
                                      colonies, 9, right, swap, swap + 3))  # fmt: skip
                right, rest = start + exposure, exposure - (swap or 0)
                # As long after the dose before as that works, on whatever day it is given.
                wide = [
                    day for day in works
                    if any(rest <= day - before <= rest + 4 for before in stops[-1].days)
                ]  # fmt: skip
                wide.sort(key=lambda day, right=right: (abs(day - right), day))
                stops.append(Stop("remove", tuple(wide), 1.5 * colonies, 12.0, "formic acid", 0,
                                  rest, right, rest, rest + 4))  # fmt: skip
                options.append(
                    Option(start, "formic-strips", f"days-{exposure}", tuple(stops),
                           colonies * weight * share, share, bits, SCENARIOS)
                )  # fmt: skip
        needs.append(
            Need(f"yard-{yard}", f"Yard {yard}", 1 + yard, colonies, last, tuple(options), weight)
        )
    total = sum(need.colonies for need in needs)
    return Instance(
        crews=tuple(Crew(f"Crew {number + 1}", 2, 0, minutes) for number in range(crews)),
        needs=tuple(needs),
        roads=roads(places),
        days=whole,
        stock=(Stock("formic-strips", ((0, total), (10, total // 2))),) if stock else (),
        hour=hour,
        away=0.003,
    )


def expected(task: Instance, chosen: Mapping[int, Chosen]) -> float:
    """Colonies expected to be treated in a window that holds, weighted."""
    return sum(task.needs[need].options[one.option].value for need, one in chosen.items())
