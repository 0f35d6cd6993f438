"""The bundled invented weather: `provider = "sample"`, no network.

Each course of daily highs begins today, whatever today is. Around it 51 scenarios are drawn with a
fixed seed, spreading with the days ahead and persisting from day to day as real courses do, so that
the same morning always shows the same notice.
"""

from __future__ import annotations

import json
import random
import zlib
from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from windowcast.sky.highs import DailyHighs, Members
from windowcast.trade.yard import Yard

ATTRIBUTION = "Invented sample weather, not of any real place."
SEASONS = ("late-summer", "early-winter")
FORECAST_DAYS = 15
ENSEMBLE_DAYS = 15
MEMBERS = 51


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleWeather:
    """One yard's invented weather, in the shape of the real sources."""

    forecast: DailyHighs
    ensemble: Members
    extended: Members


def read(folder: Path, season: str, yards: Sequence[Yard], now: datetime) -> list[SampleWeather]:
    """The invented weather of each yard, in order.

    A yard that the sample set does not name gets one of its courses, always the same one.
    """
    document = json.loads((folder / f"{season}.json").read_text("utf-8"))
    courses = list(document["highs_c"])
    found = []
    for yard in yards:
        key = document["yards"].get(yard.name)
        seed = zlib.crc32(yard.name.encode())
        course = document["highs_c"][key or courses[seed % len(courses)]]
        today = now.astimezone(ZoneInfo(yard.timezone)).date()
        found.append(_weather(course, document, today, random.Random(seed)))  # noqa: S311
    return found


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
    )


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
