"""The bundled invented weather: `provider = "sample"`, no network.

Each course of daily highs begins today, whatever today is. Around it 51 scenarios are drawn with a
fixed seed, spreading with the days ahead and persisting from day to day as real courses do, so that
the same morning always shows the same notice.
"""

from __future__ import annotations

import json
import math
import random
import zlib
from array import array
from calendar import isleap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cache, lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from windowcast.sky.highs import DailyHighs, Members
from windowcast.trade.yard import Yard

ATTRIBUTION = "Invented sample weather, not of any real place."
SEASONS = ("late-summer", "early-winter")
FORECAST_DAYS = 15
ENSEMBLE_DAYS = 15
MEMBERS = 51
PAST_YEARS = 30
WET_DAYS = 0.2
# A year for the invented past: plausible for a place with warm summers, taken from nowhere.
YEAR_SWING_K = 11.0
PAST_SPREAD_K = 3.5
WARMEST_DAY_NORTH, WARMEST_DAY_SOUTH = (7, 20), (1, 20)
# Where in the northern year each course begins; half a year later in the southern one.
COURSE_BEGINS = {"late-summer": (9, 1), "early-winter": (12, 1)}


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleWeather:
    """One yard's invented weather, in the shape of the real sources."""

    forecast: DailyHighs
    ensemble: Members
    extended: Members
    open_days: tuple[date, list[tuple[float | None, float | None]]]


def read(folder: Path, season: str, yards: Sequence[Yard], now: datetime) -> list[SampleWeather]:
    """The invented weather of each yard, in order.

    A yard that the sample set does not name gets one of its courses, always the same one.
    """
    document = json.loads((folder / f"{season}.json").read_text("utf-8"))
    found = []
    for yard in yards:
        seed = zlib.crc32(yard.name.encode())
        course = _course(document, yard)
        today = now.astimezone(ZoneInfo(yard.timezone)).date()
        weather = _weather(course, document, today, random.Random(seed))  # noqa: S311
        found.append(weather)
    return found


def past_years(folder: Path, season: str, yard: Yard, now: datetime) -> DailyHighs:
    """Thirty invented years that end three days before today in the yard's zone.

    A smooth year whose level over the days of the yard's course is that of the course, with courses
    of weather around it; a day of the past is the same whenever it is asked for.
    """
    document = json.loads((folder / f"{season}.json").read_text("utf-8"))
    course = _course(document, yard)
    peak = WARMEST_DAY_NORTH if yard.latitude >= 0 else WARMEST_DAY_SOUTH
    begin = begins(season, yard, date(2001, 12, 31))
    swing = [_swing_k(begin + timedelta(days=n), peak) for n in range(len(course))]
    level_c = (sum(course) - sum(swing)) / len(course)
    last_day = now.astimezone(ZoneInfo(yard.timezone)).date() - timedelta(days=3)
    return _years(yard.name, last_day, level_c, peak, float(document["persistence"]))


@lru_cache(maxsize=8)
def _years(
    name: str, last_day: date, level_c: float, peak: tuple[int, int], persistence: float
) -> DailyHighs:
    """Kept for a moment: a yard's picture and its season, one after the other, rest on them."""
    first_day = date(last_day.year - PAST_YEARS, last_day.month, 1)
    fresh = (1 - persistence**2) ** 0.5
    tenths: list[int | None] = []
    for year in range(first_day.year, last_day.year + 1):
        chance = random.Random(zlib.crc32(f"{name} {year}".encode()))  # noqa: S311
        gauss, anomaly = chance.gauss, chance.gauss(0, 1)
        for swing_k in _swings_k(isleap(year), peak):
            tenths.append(round((level_c + swing_k + PAST_SPREAD_K * anomaly) * 10))
            anomaly = persistence * anomaly + fresh * gauss(0, 1)
    before = (first_day - date(first_day.year, 1, 1)).days
    days = (last_day - first_day).days + 1
    return DailyHighs(first_day=first_day, tenths=tuple(tenths[before : before + days]))


@cache
def _swings_k(leap: bool, peak: tuple[int, int]) -> tuple[float, ...]:
    """Of each day of a year."""
    first = date(2000 if leap else 2001, 1, 1)
    return tuple(_swing_k(first + timedelta(days=n), peak) for n in range(365 + leap))


def begins(season: str, yard: Yard, today: date) -> date:
    """The day of this year on which the season of the invented past begins at a yard."""
    half_a_year = timedelta(days=0 if yard.latitude >= 0 else 182)
    return date(today.year, *COURSE_BEGINS[season]) + half_a_year


def _swing_k(day: date, warmest: tuple[int, int]) -> float:
    from_warmest = (day - date(day.year, *warmest)).days
    return YEAR_SWING_K * math.cos(2 * math.pi * from_warmest / 365.25)


def _course(document: dict[str, Any], yard: Yard) -> list[float]:
    """A yard's course; one that the sample set does not name gets always the same of them."""
    courses = list(document["highs_c"])
    seed = zlib.crc32(yard.name.encode())
    key = document["yards"].get(yard.name) or courses[seed % len(courses)]
    return list(document["highs_c"][key])


def _weather(
    course: list[float], document: dict[str, list[float]], today: date, chance: random.Random
) -> SampleWeather:
    columns = [
        _scenario(course, document["spread_k"], float(document["persistence"]), chance)  # type: ignore[arg-type]
        for _ in range(MEMBERS)
    ]
    bias_k = float(document["extended_bias_k"])  # type: ignore[arg-type]
    return SampleWeather(
        forecast=DailyHighs(
            first_day=today,
            tenths=tuple(round(high_c * 10) for high_c in course[:FORECAST_DAYS]),
        ),
        ensemble=_members(columns, ENSEMBLE_DAYS, today, 0.0),
        extended=_members(columns, len(course), today, bias_k),
        open_days=(today, _open_days(random.Random(len(course) + round(course[0] * 10)))),  # noqa: S311
    )


def _open_days(chance: random.Random) -> list[tuple[float | None, float | None]]:
    """Invented rain (mm) and wind (km/h) of working hours: now and then a wet and windy day."""
    found: list[tuple[float | None, float | None]] = []
    for _ in range(FORECAST_DAYS):
        wet = chance.random() < WET_DAYS
        rain_mm = round(chance.uniform(2, 12), 1) if wet else 0.0
        found.append((rain_mm, round(chance.uniform(6, 18) + (14 if wet else 0), 1)))
    return found


def _scenario(
    course: list[float], spread_k: list[float], persistence: float, chance: random.Random
) -> list[float]:
    near, far = spread_k
    drawn, anomaly = [], chance.gauss(0, 1)
    fresh = (1 - persistence**2) ** 0.5
    for day, high_c in enumerate(course):
        spread = near + (far - near) * min(day / ENSEMBLE_DAYS, 1.0)
        drawn.append(high_c + spread * anomaly)
        anomaly = persistence * anomaly + fresh * chance.gauss(0, 1)
    return drawn


def _members(columns: list[list[float]], days: int, today: date, bias_k: float) -> Members:
    tenths = array(
        "h",
        (round((column[day] + bias_k) * 10) for day in range(days) for column in columns),
    )
    return Members(first_day=today, days=days, count=len(columns), tenths=tenths, dropped=0)
