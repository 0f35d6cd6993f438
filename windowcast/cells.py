"""Which yards lie in one grid cell of a model, so that one answer serves them all.

A weather model knows one temperature for a whole cell. The service takes the cell nearest to the
place asked for (or a neighbour of it on land, at a more similar height) and moves its temperature
to the place's own height by 0.65 K for each 100 m (open-meteo/open-meteo, Sources/App/Helper/
Reader/GenericReader.swift: `(modelElevation - targetElevation) * 0.0065`, the same for each hour,
each member and each model that an answer is made of). So two places of one cell differ by a
constant, and from the answer for one follows that for the other. The constant in whole tenths,
added to highs in whole tenths, is at most one tenth off what the service would print, which rounds
but once. For places of one height nothing is added and nothing is off.

What no such rule knows is what the cell itself does not: a cold valley floor under an inversion, a
slope in the sun. The service, asked for each place alone, knows it as little.

Which cell it takes is not guessed: its answers say so whenever a yard is asked for. The one asked
for in the others' stead changes from time to time, so that what is known of each is renewed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal
from typing import NamedTuple

from windowcast.edges.store import KnownCell
from windowcast.trade.yard import Yard

TENTHS_PER_METRE = Decimal("0.065")
"""0.0065 K for each metre."""
NEAR_M = 500.0
"""Nearer neighbours of one given height share an answer before their cells are known: the finest
grid that the service has is about 1 km wide (from memory)."""
SAME_CELL_DEGREES = 1e-4
SAME_HEIGHT_M = 1.0

_METRES_PER_DEGREE = 111_200.0
_NEVER = datetime.min.replace(tzinfo=UTC)


class Share(NamedTuple):
    """Yards that one answer serves.

    lead:    the one that is asked for
    others:  whom its answer serves too
    """

    lead: Yard
    others: tuple[Yard, ...]


def shift_tenths(from_m: float, to_m: float) -> int:
    """Whole tenths of a degree to be added to a temperature at one height for that at another.

    Half to even, on the decimals as written.
    """
    exact = (Decimal(repr(float(from_m))) - Decimal(repr(float(to_m)))) * TENTHS_PER_METRE
    return int(exact.to_integral_value(ROUND_HALF_EVEN))


def shares(yards: Sequence[Yard], known: Mapping[str, KnownCell]) -> list[Share]:
    """Each yard once, as a lead or among the others of one, in the order of the first of each.

    known:  by yard name; the cell that the service last named for the yard asked for alone

    Together are yards of one cell and one time zone; and those of one place, or of one given height
    and less than NEAR_M apart, of which at least one has no known cell yet.
    """
    together: dict[object, list[Yard]] = {}
    places: dict[object, list[Yard]] = {}
    near: dict[tuple[object, ...], list[tuple[Yard, list[Yard]]]] = {}
    unknown = any(yard.name not in known for yard in yards)
    for yard in sorted(yards, key=lambda yard: yard.name not in known):
        cell, place = known.get(yard.name), _place(yard)
        found = None
        if cell is not None:
            key = (round(cell.latitude, 4), round(cell.longitude, 4), yard.timezone)
            found = together.setdefault(key, [])
        else:
            found = places.get(place)
            if found is None and yard.elevation_m is not None:
                found = _near(yard, near)
            if found is None:
                found = together.setdefault(place, [])
        found.append(yard)
        places.setdefault(place, found)
        if unknown and yard.elevation_m is not None:
            near.setdefault(_squares(yard)[0], []).append((yard, found))
    order = {yard.name: index for index, yard in enumerate(yards)}
    groups = [sorted(group, key=lambda yard: order[yard.name]) for group in together.values()]
    groups.sort(key=lambda group: order[group[0].name])
    return [_led(group, known) for group in groups]


def _led(group: Sequence[Yard], known: Mapping[str, KnownCell]) -> Share:
    """The group with that one to ask for whose cell is not known or was seen longest ago."""

    def seen_at(yard: Yard) -> datetime:
        cell = known.get(yard.name)
        return _NEVER if cell is None else cell.seen_at

    lead = min(group, key=seen_at)
    return Share(lead, tuple(yard for yard in group if yard is not lead))


def _place(yard: Yard) -> tuple[object, ...]:
    return ("place", yard.latitude, yard.longitude, yard.elevation_m, yard.timezone)


def _squares(yard: Yard) -> list[tuple[object, ...]]:
    """The yard's own square of ground and its neighbours, each at least NEAR_M wide."""
    side = NEAR_M / _METRES_PER_DEGREE
    found: list[tuple[object, ...]] = []
    for north in (0, -1, 1):
        row = math.floor(yard.latitude / side) + north
        narrowest = math.cos(math.radians(min(max(abs(row), abs(row + 1)) * side, 89.0)))
        column = math.floor(yard.longitude * narrowest / side)
        found += [(row, column + east, yard.elevation_m, yard.timezone) for east in (0, -1, 1)]
    return found


def _near(
    yard: Yard, near: Mapping[tuple[object, ...], list[tuple[Yard, list[Yard]]]]
) -> list[Yard] | None:
    """A group with a yard near this one and at the same given height."""
    for square in _squares(yard):
        for other, group in near.get(square, ()):
            if distance_m(yard, other) < NEAR_M:
                return group
    return None


def distance_m(one: Yard, other: Yard) -> float:
    """How far apart two near yards are on the ground."""
    north = one.latitude - other.latitude
    east = (one.longitude - other.longitude + 180) % 360 - 180
    east *= math.cos(math.radians((one.latitude + other.latitude) / 2))
    return math.hypot(north, east) * _METRES_PER_DEGREE
