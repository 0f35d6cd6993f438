"""On which days a hive can be opened, as far as the weather goes."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from enum import Enum
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

from windowcast.language import marked
from windowcast.trade.rules import WorkRules
from windowcast.trade.treatment import Regimen, Treatment

FRAMES_STAY = ("trickle", "vapour")
"""Forms that are given without taking a frame out: the hive is open for a minute or two, or not at
all."""
NO_BOUND_C = Fraction(-100)
TOO_COLD = 0.5
"""Beyond the single forecast a day is no day to open hives where more scenarios than this share are
too cold; our own choice."""


class DayWeather(NamedTuple):
    """What is forecast of one day; None where it is not known.

    high_c:    the daily high
    rain_mm:   precipitation in the working day
    wind_kmh:  the strongest wind (ten-minute mean) of the working day
    """

    high_c: float | None
    rain_mm: float | None = None
    wind_kmh: float | None = None


class Taken(NamedTuple):
    """Days of a yard that something else has taken, both inside.

    visits:      nobody can work there
    treatments:  nothing may be in the hives
    why:         as its people call it
    """

    first: date
    last: date
    visits: bool
    treatments: bool
    why: str


class Hindrance(Enum):
    """Why a day is no day to open a hive."""

    COLD = "too cold"
    WET = "too wet"
    WINDY = "too windy"
    MOSTLY_COLD = "too cold in most scenarios"


HINDRANCES = {
    Hindrance.COLD: marked("too cold"),
    Hindrance.WET: marked("too wet"),
    Hindrance.WINDY: marked("too windy"),
    Hindrance.MOSTLY_COLD: marked("too cold in most scenarios"),
}
"""In a word or two, to be translated."""


def hindrances(weather: DayWeather, rules: WorkRules) -> tuple[Hindrance, ...]:
    """What speaks against opening a hive; what is not known does not speak against it."""
    found = []
    if weather.high_c is not None and weather.high_c < _least_c(rules.open_min_c):
        found.append(Hindrance.COLD)
    if weather.rain_mm is not None and weather.rain_mm > rules.open_max_rain_mm:
        found.append(Hindrance.WET)
    if weather.wind_kmh is not None and weather.wind_kmh > rules.open_max_wind_kmh:
        found.append(Hindrance.WINDY)
    return tuple(found)


@lru_cache(maxsize=64)
def _least_c(bound_c: Fraction) -> float:
    """The least float that is not below a bound: the same ones are below either, and to compare two
    floats takes a twentieth of the time."""
    near = float(bound_c)
    return near if near >= bound_c else math.nextafter(near, math.inf)


@lru_cache(maxsize=64)
def _least_tenths(bound_c: Fraction) -> int:
    return math.ceil(bound_c * 10)


def mostly_too_cold(tenths: Sequence[int], rules: WorkRules, *, missing: int) -> bool:
    """Whether most scenarios are too cold to open a hive, on a day that no single forecast reaches.

    tenths:   that day's highs in tenths of a °C, one a scenario
    missing:  stands for a high that is not known, below all that are
    """
    lowest = _least_tenths(rules.open_min_c)
    unknown = tenths.count(missing)
    return sum(map(lowest.__gt__, tenths)) - unknown > TOO_COLD * (len(tenths) - unknown)


def rules_for(
    rules: WorkRules, treatment: Treatment, regimen: Regimen, dose_day: int = 0
) -> WorkRules:
    """What holds on the day of a dose: where no frame is taken out and the treatment's own band
    goes lower than `open_min_c`, a day is only too cold below that band.

    dose_day:  of the exposure
    """
    if treatment.form not in FRAMES_STAY:
        return rules
    low = regimen.band_on(dose_day).low_c
    own = NO_BOUND_C if low is None else low
    return rules._replace(open_min_c=min(rules.open_min_c, own))


def nearest_better(
    wanted: date,
    weather: Mapping[date, DayWeather],
    rules: WorkRules,
    *,
    earlier_days: int,
    later_days: int,
) -> date | None:
    """The day nearest to `wanted` whose high is known and that nothing speaks against.

    Looks up to `earlier_days` before and `later_days` after; of two as near the later one, since a
    treatment that works a day longer loses less than one cut short. None: there is none.
    """
    for away in range(1, max(earlier_days, later_days) + 1):
        for sign, most in ((1, later_days), (-1, earlier_days)):
            day = wanted + timedelta(days=sign * away)
            known = weather.get(day)
            if (
                away <= most
                and known is not None
                and known.high_c is not None
                and not hindrances(known, rules)
            ):
                return day
    return None
