"""How strong a day makes formic acid: its vapour pressure by the daily high.

An explanation, never a dose: what evaporates in a hive also depends on its air, its bees and the
form, and the label decides.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

ACTIVE = "formic acid"
REFERENCE_C = 20.0
# ln P[Pa] = A - B / (T[K] + C), valid 278 to 398 K: Landolt-Boernstein IV/20B (Dykyj et al. 2000).
_A, _B, _C = 21.838545953, 3572.18446157, -27.44
LOWEST_C, HIGHEST_C = 278.0 - 273.15, 398.0 - 273.15
GAS_CONSTANT = 8.314462618


class Strength(NamedTuple):
    """How strong an exposure is against the same days at 20 °C: its middle, and the range that 8 of
    10 scenarios lie in."""

    middle: float
    low: float
    high: float


def pressure_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure of formic acid, kPa.

    Raises ValueError outside the range in which the constants hold, 4.85 to 124.85 °C.
    """
    if not LOWEST_C <= temperature_c <= HIGHEST_C:
        raise ValueError(
            f"{temperature_c:g} °C is outside {LOWEST_C:g} to {HIGHEST_C:g} °C, where the vapour"
            " pressure is known"
        )
    return math.exp(_A - _B / (temperature_c + 273.15 + _C)) / 1000


def evaporation_heat_kj(temperature_c: float) -> float:
    """The apparent heat of evaporation that belongs to these pressures, kJ/mol (Clausius and
    Clapeyron): B R T² / (T + C)²."""
    kelvin = temperature_c + 273.15
    return _B * GAS_CONSTANT * kelvin**2 / (kelvin + _C) ** 2 / 1000


def relative(high_tenths: int) -> float:
    """A day's strength against one of 20 °C, for a high in tenths of a °C.

    Colder than 4.85 °C counts as 4.85 °C: acid strips are not used there.
    """
    return _RELATIVE[high_tenths]


class _Table(dict[int, float]):
    """What `relative` gives, worked out once for each high: a morning asks a million times."""

    def __missing__(self, high_tenths: int) -> float:
        at = min(max(high_tenths / 10, LOWEST_C), HIGHEST_C)
        found = self[high_tenths] = pressure_kpa(at) / pressure_kpa(REFERENCE_C)
        return found


_RELATIVE = _Table()


def strength(courses: Iterable[Sequence[int]]) -> Strength | None:
    """Of an exposure over scenarios; None without any.

    courses:  one for each scenario, its highs in tenths of a °C, day by day
    """
    found = _RELATIVE.__getitem__
    return _ranked(sum(map(found, course)) / len(course) for course in courses if course)


def strengths(tenths: Sequence[int], count: int, lengths: Iterable[int]) -> dict[int, Strength]:
    """By length, of exposures that begin on one day; each day's strength is looked up once.

    tenths:   (days x count,) day-major, none of them missing
    count:    of scenarios, at least 1
    lengths:  of the exposures, at most as many days
    """
    courses = list(map(_RELATIVE.__getitem__, tenths))
    of_each = [courses[scenario::count] for scenario in range(count)]
    found = {}
    for days in lengths:
        strong = _ranked(sum(course[:days]) / days for course in of_each)
        assert strong is not None
        found[days] = strong
    return found


def _ranked(means: Iterable[float]) -> Strength | None:
    ranked = sorted(means)
    if not ranked:
        return None
    tail = len(ranked) // 10
    return Strength(ranked[len(ranked) // 2], ranked[tail], ranked[-1 - tail])
