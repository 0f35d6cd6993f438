"""How long the day is, and when the sun rises and sets."""

from __future__ import annotations

import math
from datetime import date, datetime, time
from typing import NamedTuple
from zoneinfo import ZoneInfo

HORIZON_DEGREES = 0.8333
"""The sun's centre below the horizon at sunrise and sunset: half its disc and the refraction."""


def day_length_hours(
    latitude: float, day_of_year: int, horizon_degrees: float = HORIZON_DEGREES
) -> float:
    """Hours from sunrise to sunset; 24 or 0 where the sun does not set or rise.

    latitude:     degrees, north positive
    day_of_year:  1 for January 1

    The CBM model of Forsythe et al. 1995, Ecol. Model. 80:87-95.
    """
    turn = 0.2163108 + 2 * math.atan(0.9671396 * math.tan(0.00860 * (day_of_year - 186)))
    declination = math.asin(0.39795 * math.cos(turn))
    here = math.radians(latitude)
    cosine = (math.sin(math.radians(horizon_degrees)) + math.sin(here) * math.sin(declination)) / (
        math.cos(here) * math.cos(declination)
    )
    return 24 - 24 / math.pi * math.acos(max(-1.0, min(1.0, cosine)))


class Sun(NamedTuple):
    """When it is light on a day, in minutes after midnight by the local clock.

    rises, sets:  where the sun does not set, minus and plus infinity; where it does not rise, both
                  are its highest point. `sets` can lie after the next midnight, `rises` before
                  this one
    """

    rises: float
    sets: float

    @property
    def up(self) -> bool:
        """Whether it rises at all."""
        return self.sets > self.rises


def sun(latitude: float, longitude: float, day: date, timezone: ZoneInfo) -> Sun:
    """When the sun rises and sets at a place on a day, by the clock of a time zone.

    latitude, longitude:  degrees, north and east positive

    Half of `day_length_hours` before and after the sun's highest point, which the longitude, the
    time zone and the equation of time give.
    """
    offset = datetime.combine(day, time(12), timezone).utcoffset()
    assert offset is not None
    day_of_year = day.timetuple().tm_yday
    highest = 720 - 4 * longitude - equation_of_time_minutes(day_of_year)
    # East of the date line a clock can be a day ahead of its longitude.
    highest = (highest + offset.total_seconds() / 60) % 1440
    hours = day_length_hours(latitude, day_of_year)
    if hours >= 24:
        return Sun(-math.inf, math.inf)
    return Sun(highest - 30 * hours, highest + 30 * hours)


def equation_of_time_minutes(day_of_year: int) -> float:
    """By how much a sundial is ahead of a clock, in minutes.

    The series of Spencer 1971, Search 2:172, within a minute.
    """
    turn = 2 * math.pi * (day_of_year - 1) / 365
    series = (
        0.000075
        + 0.001868 * math.cos(turn)
        - 0.032077 * math.sin(turn)
        - 0.014615 * math.cos(2 * turn)
        - 0.040849 * math.sin(2 * turn)
    )
    return 720 / math.pi * series


def shortest_day(latitude: float, year: int) -> date:
    """The winter solstice of the hemisphere, in the calendar year; a day off in some years."""
    return date(year, 12, 21) if latitude >= 0 else date(year, 6, 21)
