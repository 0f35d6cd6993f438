"""MET Norway's Locationforecast → the highs of a yard's next days.

Its manners: a User-Agent that says who asks, four decimals at most, nothing before it expires and
then only if it has changed. Hours for two to three days, six-hour blocks after that.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

from windowcast.edges.http import Fetcher
from windowcast.errors import WeatherUnusable
from windowcast.sky.highs import DailyHighs, tenths
from windowcast.trade.yard import Yard

ATTRIBUTION = "Data from MET Norway (CC BY 4.0)"
WARM_FROM, WARM_UNTIL = 8, 20
"""A day counts where these of its local hours are covered: the high falls between them."""


def fetch(fetcher: Fetcher, url: str, yard: Yard, today: date, since: str) -> DailyHighs:
    """The highs from today on, of days that the forecast covers.

    Raises WeatherError, and NotChanged where there is nothing newer than `since`.
    """
    query = {"lat": _decimals(yard.latitude), "lon": _decimals(yard.longitude)}
    if yard.elevation_m is not None:
        query["altitude"] = str(round(yard.elevation_m))
    return read(fetcher.get_json(url, query, since=since), ZoneInfo(yard.timezone), today)


def _decimals(degrees: float) -> str:
    return f"{degrees:.4f}".rstrip("0").rstrip(".")


def read(reply: Any, zone: ZoneInfo, today: date) -> DailyHighs:
    """A reply's highs. Raises WeatherUnusable where it does not say what was asked."""
    properties = reply.get("properties") if isinstance(reply, dict) else None
    steps = properties.get("timeseries") if isinstance(properties, dict) else None
    if not isinstance(steps, list) or not steps:
        raise WeatherUnusable("no timeseries in the answer")
    meta = properties.get("meta") if isinstance(properties, dict) else None
    units = meta.get("units") if isinstance(meta, dict) else None
    unit = units.get("air_temperature") if isinstance(units, dict) else None
    if unit != "celsius":
        raise WeatherUnusable(f"air_temperature is in {unit!r}, wanted celsius")
    highs: dict[date, float] = {}
    covered: dict[date, set[int]] = {}
    for step in steps:
        begins, details, block = _step(step)
        local = begins.astimezone(zone)
        value = _number(details.get("air_temperature"))
        if value is not None:
            highs[local.date()] = max(highs.get(local.date(), -999.0), value)
            covered.setdefault(local.date(), set()).add(local.hour)
        top = _number(block.get("air_temperature_max"))
        ends = (begins + timedelta(hours=6)).astimezone(zone)
        # A block that lies across midnight belongs to no day: the night has no high.
        if top is not None and (ends - timedelta(minutes=1)).date() == local.date():
            highs[local.date()] = max(highs.get(local.date(), -999.0), top)
            hours = covered.setdefault(local.date(), set())
            hours.update(range(local.hour, local.hour + 6))
    whole = set(range(WARM_FROM, WARM_UNTIL))
    found: list[int | None] = []
    for ahead in range(16):
        day = today + timedelta(days=ahead)
        known = day in highs and whole <= covered.get(day, set())
        found.append(tenths(highs[day]) if known else None)
    while found and found[-1] is None:
        found.pop()
    if not found:
        raise WeatherUnusable("no day from today on is covered")
    return DailyHighs(first_day=today, tenths=tuple(found))


def _step(step: Any) -> tuple[datetime, dict[str, Any], dict[str, Any]]:
    """A step's instant, its values, and those of the six hours from it on."""
    try:
        begins = datetime.fromisoformat(step["time"])
        data = step["data"]
        details = data["instant"]["details"]
        block = data.get("next_6_hours", {}).get("details", {})
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise WeatherUnusable("a step of the timeseries is not as described") from error
    if begins.tzinfo is None or not isinstance(details, dict) or not isinstance(block, dict):
        raise WeatherUnusable("a step of the timeseries is not as described")
    return begins.astimezone(UTC), details, block


def _number(value: Any) -> float | None:
    """A temperature that air can have."""
    return float(value) if type(value) in (int, float) and -90 <= value <= 60 else None
