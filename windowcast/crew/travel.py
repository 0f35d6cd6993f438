"""How long the drive from one place to another takes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import NamedTuple

EARTH_KM = 6371.0088
"""Mean radius of the Earth, GRS 80: International Union of Geodesy and Geophysics (Moritz 2000)."""
ROAD_FACTOR = 1.3
"""How much longer the road is than the line through the air; published averages are 1.2 to 1.4
(Ballou, Rahardja & Sakai 2002, Transport. Res. A 36:843-848; from memory)."""
SPEED_KMH = 50.0
"""On country roads with a loaded truck; common practice, no source."""


class Point(NamedTuple):
    """Degrees, north and east positive."""

    latitude: float
    longitude: float


def great_circle_km(one: Point, other: Point) -> float:
    """The shortest way over a sphere of the Earth's mean radius, by haversines: exact also for near
    places."""
    north, east = math.radians(one.latitude), math.radians(one.longitude)
    north_2, east_2 = math.radians(other.latitude), math.radians(other.longitude)
    half = (
        math.sin((north_2 - north) / 2) ** 2
        + math.cos(north) * math.cos(north_2) * math.sin((east_2 - east) / 2) ** 2
    )
    return 2 * EARTH_KM * math.asin(min(1.0, math.sqrt(half)))


def roads(
    places: Sequence[Point],
    *,
    road_factor: float = ROAD_FACTOR,
    speed_kmh: float = SPEED_KMH,
    given: Mapping[tuple[int, int], float] | None = None,
) -> list[list[float]]:
    """Minutes from each place to each; those that are given stand, one way or both."""
    known = given or {}
    table = [[0.0] * len(places) for _ in places]
    for row, one in enumerate(places):
        for column in range(row + 1, len(places)):
            km = great_circle_km(one, places[column]) * road_factor
            table[row][column] = table[column][row] = km / speed_kmh * 60
    for (row, column), minutes in known.items():
        table[row][column] = minutes
        table[column][row] = known.get((column, row), minutes)
    return table


def with_calls(table: Sequence[Sequence[float]], calls: Sequence[float]) -> list[list[float]]:
    """The roads with half of what a call takes at either end, so that a trip takes each once, and
    nothing where a crew is already."""
    return [
        [
            minutes if row == column else minutes + (calls[row] + calls[column]) / 2
            for column, minutes in enumerate(line)
        ]
        for row, line in enumerate(table)
    ]
