"""The US National Weather Service's gridpoint forecast → the highs of a yard's next days.

Two requests: which grid square a place is in, and that square's forecast. Its highs are those of
the day from about seven to eight local time. It knows only the United States.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast.edges.http import Fetcher
from windowcast.errors import WeatherRefused, WeatherUnusable
from windowcast.sky.highs import DailyHighs, tenths
from windowcast.trade.yard import Yard

ATTRIBUTION = "Data from the US National Weather Service"
BEGINS_BY = 10
"""A daytime that begins later than this local hour is what is left of one: its high may be past."""


def covers(yard: Yard) -> bool:
    """Whether a yard may lie where the service forecasts: from Puerto Rico to Alaska, and Guam."""
    west = -180 <= yard.longitude <= -64 and 17 <= yard.latitude <= 72
    return west or (144 <= yard.longitude <= 147 and 13 <= yard.latitude <= 16)


def fetch(fetcher: Fetcher, url: str, yard: Yard, today: date, since: str) -> DailyHighs:
    """The highs from today on.

    Raises WeatherError, and NotChanged where there is nothing newer than `since`.
    """
    place = fetcher.get_json(f"{url}/points/{yard.latitude:.4f},{yard.longitude:.4f}", {})
    properties = place.get("properties") if isinstance(place, dict) else None
    grid = properties.get("forecastGridData") if isinstance(properties, dict) else None
    if not isinstance(grid, str):
        raise WeatherUnusable("it does not name the grid square of this place")
    if (
        urlsplit(grid).netloc != urlsplit(url).netloc
        or urlsplit(grid).scheme != urlsplit(url).scheme
    ):
        raise WeatherRefused(
            f"{urlsplit(url).hostname} names a grid square on another host: not followed"
        )
    return read(fetcher.get_json(grid, {}, since=since), ZoneInfo(yard.timezone), today)


def read(reply: Any, zone: ZoneInfo, today: date) -> DailyHighs:
    """A grid square's highs. Raises WeatherUnusable where it does not say what was asked."""
    properties = reply.get("properties") if isinstance(reply, dict) else None
    layer = properties.get("maxTemperature") if isinstance(properties, dict) else None
    values = layer.get("values") if isinstance(layer, dict) else None
    if not isinstance(layer, dict) or not isinstance(values, list):
        raise WeatherUnusable("no maxTemperature in the answer")
    unit = layer.get("uom")
    if unit not in ("wmoUnit:degC", "wmoUnit:degF"):
        raise WeatherUnusable(f"maxTemperature is in {unit!r}, wanted wmoUnit:degC")
    highs: dict[date, int] = {}
    for one in values:
        begins, value = _value(one)
        local = begins.astimezone(zone)
        if value is None or local.hour > BEGINS_BY:
            continue
        celsius = (value - 32) / 1.8 if unit.endswith("degF") else value
        high = tenths(round(celsius, 1))
        if high is not None:
            highs[local.date()] = high
    found = [highs.get(today + timedelta(days=ahead)) for ahead in range(9)]
    while found and found[-1] is None:
        found.pop()
    if not found:
        raise WeatherUnusable("no day from today on is covered")
    return DailyHighs(first_day=today, tenths=tuple(found))


def _value(one: Any) -> tuple[datetime, float | None]:
    """When a daytime begins, and its high; None: not known."""
    try:
        when, value = one["validTime"], one["value"]
        begins = datetime.fromisoformat(re.split("/", when, maxsplit=1)[0])
    except (KeyError, TypeError, ValueError) as error:
        raise WeatherUnusable("a value of maxTemperature is not as described") from error
    if begins.tzinfo is None or (value is not None and type(value) not in (int, float)):
        raise WeatherUnusable("a value of maxTemperature is not as described")
    return begins.astimezone(UTC), value
