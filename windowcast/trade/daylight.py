"""How long the day is."""

from __future__ import annotations

import math
from datetime import date

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


def shortest_day(latitude: float, year: int) -> date:
    """The winter solstice of the hemisphere, in the calendar year; a day off in some years."""
    return date(year, 12, 21) if latitude >= 0 else date(year, 6, 21)
