"""The weather service's replies → tables of tenths and highs: parsing alone, no network, no clock.

Each part of a reply is checked against what was asked: units, dates one after another, counts.
What does not say what was asked is refused with WeatherUnusable; a null is a missing value.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache, reduce
from operator import add
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from windowcast.edges.http import clean
from windowcast.errors import WeatherUnusable
from windowcast.sky.highs import (
    DailyHighs,
    Members,
    complete_members,
    from_day,
    local_days_of_tenths,
    tenths,
    trim,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DailyTable:
    """Daily highs as a reply holds them: columns of tenths of a °C, the control member first."""

    first_day: date
    utc_offset_seconds: int
    columns: list[list[int | None]]


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyTable:
    """Hourly temperatures as a reply holds them: columns of tenths from an instant in UTC on."""

    first_hour_utc: datetime
    columns: list[list[int | None]]


WORK_BEGINS, WORK_ENDS = 9, 18
"""Local hours in which hives are opened, the second not inside. Common practice, no source."""


FARTHEST_DEGREES = 1.0
"""How far the middle of a grid cell may lie from the place asked for: the coarsest grid used has
half a degree, and the service may take a neighbouring cell on land."""


UNKNOWN_TO_MOST = "no day from today on that more than half of the members know"


class OpenDay(NamedTuple):
    """The weather of a day's working hours; None where it is not known.

    rain_mm:   precipitation in all
    wind_kmh:  the strongest hourly wind at 10 m
    """

    rain_mm: float | None
    wind_kmh: float | None


def read_daily(item: dict[str, Any]) -> DailyTable:
    """The daily highs of one place's reply.

    Raises WeatherUnusable, saying what was found and what was wanted.
    """
    stamps, columns = _table(item, "daily", "temperature_2m_max")
    try:
        first_day = date.fromisoformat(stamps[0])
    except ValueError as error:
        raise WeatherUnusable(
            f"{clean(stamps[0], 30)!r} is not a date, wanted YYYY-MM-DD"
        ) from error
    _check_steps(stamps, days_from(first_day, len(stamps)), "day")
    offset = item.get("utc_offset_seconds")
    if type(offset) is not int:
        raise WeatherUnusable("it does not say its offset from UTC in whole seconds")
    return DailyTable(first_day=first_day, utc_offset_seconds=offset, columns=columns)


def read_hourly(item: dict[str, Any], variable: str = "temperature_2m") -> HourlyTable:
    """The hourly temperatures of one place's reply, which must be in GMT.

    variable:  "temperature_2m", or what an earlier run said of it, "temperature_2m_previous_day1" …

    Raises WeatherUnusable, saying what was found and what was wanted.
    """
    stamps, columns = _table(item, "hourly", variable)
    if item.get("utc_offset_seconds") != 0:
        raise WeatherUnusable(
            f"its hours are {clean(str(item.get('utc_offset_seconds')), 20)} s off UTC, wanted 0"
        )
    try:
        first = datetime.fromisoformat(stamps[0])
    except ValueError as error:
        raise WeatherUnusable(
            f"{clean(stamps[0], 30)!r} is not an hour, wanted YYYY-MM-DDThh:mm"
        ) from error
    if first.tzinfo is not None or first.minute or first.second:
        raise WeatherUnusable(f"{clean(stamps[0], 30)!r} is not a full hour without an offset")
    _check_steps(stamps, hours_from(first, len(stamps)), "hour")
    return HourlyTable(first_hour_utc=first.replace(tzinfo=UTC), columns=columns)


def read_open_days(
    item: dict[str, Any], first_hour_utc: datetime, zone: ZoneInfo, today: date
) -> tuple[date, list[OpenDay]] | None:
    """Rain and wind of the working hours of each local day from `today` on.

    None where a reply has neither in the units asked for, one value an hour: what is nice to have
    must not cost the highs that came with it. A day some of whose working hours are missing is not
    known.
    """
    rain = _extra(item, "precipitation", "mm")
    wind = _extra(item, "wind_speed_10m", "km/h")
    if rain is None and wind is None:
        return None
    hours = len(rain or wind or ())
    by_day: dict[date, list[int]] = {}
    for index in range(hours):
        local = (first_hour_utc + timedelta(hours=index)).astimezone(zone)
        if local.date() >= today and WORK_BEGINS <= local.hour < WORK_ENDS:
            by_day.setdefault(local.date(), []).append(index)
    whole = WORK_ENDS - WORK_BEGINS
    found = []
    for ahead in range((max(by_day, default=today) - today).days + 1):
        at = by_day.get(today + timedelta(days=ahead), [])
        fell = [rain[index] for index in at] if rain is not None and len(at) == whole else [None]
        blew = [wind[index] for index in at] if wind is not None and len(at) == whole else [None]
        sums = [one for one in fell if one is not None]
        most = [one for one in blew if one is not None]
        found.append(
            OpenDay(
                # One after another: what sum() does with floats differs between versions.
                rain_mm=round(reduce(add, sums), 1) if len(sums) == len(fell) else None,
                wind_kmh=round(max(most), 1) if len(most) == len(blew) else None,
            )
        )
    return today, found


def _extra(item: dict[str, Any], variable: str, unit: str) -> list[float | None] | None:
    """An hourly variable beside the temperature; None where it is not there as asked."""
    table, units = item.get("hourly"), item.get("hourly_units")
    if not isinstance(table, dict) or not isinstance(units, dict) or units.get(variable) != unit:
        return None
    stamps, values = table.get("time"), table.get(variable)
    if not isinstance(values, list) or not isinstance(stamps, list) or len(values) != len(stamps):
        return None
    return [
        float(one) if type(one) in (int, float) and 0 <= one <= 1000 else None for one in values
    ]


def read_places(reply: Any, count: int) -> list[dict[str, Any]]:
    """The parts of an answer, one a place, in the order asked; one place is a bare object."""
    items = reply if isinstance(reply, list) else [reply]
    if len(items) != count:
        raise WeatherUnusable(f"it answers for {len(items)} places, asked for {count}")
    for index, item in enumerate(items):
        if not isinstance(item, dict):
            raise WeatherUnusable("a place's part of the answer is not an object")
        # The first part has no number; a number that is there must be the place's own.
        if count > 1 and item.get("location_id", index) != index:
            raise WeatherUnusable("the places of the answer are not in the order asked")
    return items


def check_place(item: dict[str, Any], latitude: float, longitude: float) -> None:
    """That a place's part is for the place asked for, where it says what it is for.

    Longitudes a whole turn apart are the same. Raises WeatherUnusable.
    """
    found = number(item, "latitude"), number(item, "longitude")
    if found[0] is None or found[1] is None:
        return
    east = (found[1] - longitude + 180) % 360 - 180
    # Meridians draw together toward the poles; a degree of longitude is less of the ground there.
    apart = max(abs(found[0] - latitude), abs(east) * math.cos(math.radians(latitude)))
    if not apart <= FARTHEST_DEGREES:
        raise WeatherUnusable(
            f"it answers for {found[0]:.2f}, {found[1]:.2f},"
            f" wanted {latitude:.2f}, {longitude:.2f}: another place"
        )


def _table(
    item: dict[str, Any], section: str, variable: str
) -> tuple[list[str], list[list[int | None]]]:
    """The time stamps of a section and the columns of a variable, by member number."""
    table, units = item.get(section), item.get(f"{section}_units")
    if not isinstance(table, dict):
        raise WeatherUnusable(f"no {section} values in the answer")
    stamps = table.get("time")
    if not isinstance(stamps, list) or not all(isinstance(stamp, str) for stamp in stamps):
        raise WeatherUnusable(f"its {section} values have no times")
    keys = keys_of(table, variable)
    if not keys:
        raise WeatherUnusable(f"{variable} is not in the answer")
    if not stamps or all(
        isinstance(table[key], list) and table[key].count(None) == len(table[key]) for key in keys
    ):
        raise WeatherUnusable("no data for this place")
    columns: list[list[int | None]] = []
    for key in keys:
        unit = units.get(key) if isinstance(units, dict) else None
        if unit != "°C":
            raise WeatherUnusable(f"{key} is in {clean(str(unit), 20)}, wanted °C")
        values = table[key]
        if not isinstance(values, list) or len(values) != len(stamps):
            length = len(values) if isinstance(values, list) else 0
            raise WeatherUnusable(f"{key} has {length} values for {len(stamps)} times")
        columns.append(_column(key, values))
    return stamps, columns


def keys_of(table: Iterable[str], variable: str) -> list[str]:
    """The variable's keys, the control member's first, then by member number.

    With one model the service adds the model's name to the keys or leaves it out; with several it
    must be chosen, and none was asked for.
    """
    pattern = _key_pattern(variable)
    found: dict[int, str] = {}
    suffixes: set[str] = set()
    for key in table:
        matched = pattern.fullmatch(key)
        if matched is None:
            continue
        suffixes.add(matched["model"] or "")
        found[int(matched["member"] or 0)] = key
    if len(suffixes) > 1:
        raise WeatherUnusable(
            f"it answers for {len(suffixes)} models at once ({clean(', '.join(sorted(suffixes)))})"
        )
    return [found[member] for member in sorted(found)]


@lru_cache(maxsize=8)
def _key_pattern(variable: str) -> re.Pattern[str]:
    # A model's name never begins like another statistic of the same variable or an earlier run.
    return re.compile(
        re.escape(variable)
        + r"(?:_member(?P<member>\d{2,3}))?"
        + r"(?:_(?P<model>(?!max$|min$|mean$|spread$|previous_day|member)[a-z][a-z0-9_]*))?"
    )


def _column(key: str, values: list[Any]) -> list[int | None]:
    column: list[int | None] = []
    for value in values:
        kind = type(value)
        if kind is float or kind is int:
            column.append(tenths(value))
        elif value is None:
            column.append(None)
        else:
            raise WeatherUnusable(f"{key} holds {clean(repr(value), 30)}, wanted numbers")
    return column


def _check_steps(stamps: list[str], wanted: tuple[str, ...], unit: str) -> None:
    if tuple(stamps) == wanted:
        return
    for before, stamp, expected in zip(stamps, stamps[1:], wanted[1:], strict=False):
        if stamp != expected:
            verb = "repeat" if stamp == before else "jump"
            raise WeatherUnusable(
                f"its times {verb}: {clean(stamp, 30)!r} after {clean(before, 30)!r},"
                f" wanted the next {unit}"
            )
    raise WeatherUnusable(f"{clean(stamps[0], 30)!r} is not written as a {unit}")


@lru_cache(maxsize=32)
def days_from(first: date, count: int) -> tuple[str, ...]:
    return tuple((first + timedelta(days=index)).isoformat() for index in range(count))


@lru_cache(maxsize=32)
def hours_from(first: datetime, count: int) -> tuple[str, ...]:
    return tuple(
        (first + timedelta(hours=index)).isoformat(timespec="minutes") for index in range(count)
    )


def local_columns(table: HourlyTable, zone: ZoneInfo) -> list[DailyHighs]:
    return [local_days_of_tenths(table.first_hour_utc, column, zone) for column in table.columns]


def one_forecast(columns: list[DailyHighs], today: date, past_days: int) -> DailyHighs:
    if len(columns) != 1:
        raise WeatherUnusable(f"it answers with {len(columns)} forecasts, wanted 1")
    ahead = trim(from_day(columns[0], today), keep_inner=True)
    # Each further day of the past begins a day earlier, wherever the server thinks today is.
    latest_first = today + timedelta(days=2 - past_days)
    return checked(ahead, columns[0], today, latest_first)


def past_highs(
    first_hour_utc: datetime, highs: DailyHighs, zone: ZoneInfo, today: date, most: int
) -> DailyHighs | None:
    """The highs of the days before `today` that the hours cover whole; None without any.

    most:  how many days can be past by the server's clock; where this machine's runs ahead, days
           that are still forecasts must not pass for what came
    """
    before = (first_hour_utc - timedelta(hours=1)).astimezone(zone).date()
    cut_short = before == highs.first_day
    whole = from_day(highs, highs.first_day + timedelta(days=1 if cut_short else 0))
    count = min(max(0, (today - whole.first_day).days), most)
    past = trim(DailyHighs(whole.first_day, whole.tenths[:count]), keep_inner=True)
    return past if past.tenths else None


def ensemble(columns: list[DailyHighs], today: date) -> Members:
    if len(columns) < 2:
        raise WeatherUnusable("it answers with a single forecast, wanted an ensemble's members")
    ahead = [from_day(column, today) for column in columns]
    first_day = ahead[0].first_day
    checked(ahead[0], columns[0], today, today + timedelta(days=1))
    members = complete_members(first_day, [column.tenths for column in ahead])
    if members is None:
        raise WeatherUnusable(UNKNOWN_TO_MOST)
    return members


def checked(ahead: DailyHighs, whole: DailyHighs, today: date, latest_first: date) -> DailyHighs:
    """`ahead`, if it has days and the whole does not begin later than `latest_first`."""
    if whole.last_day < today:
        raise WeatherUnusable(f"its days end on {whole.last_day}, before today, {today}")
    # A server whose clock is a little ahead may have begun tomorrow already.
    if whole.first_day > latest_first:
        raise WeatherUnusable(f"its days begin on {whole.first_day}, today is {today}")
    if not ahead.tenths:
        raise WeatherUnusable("no high is known from today on")
    return ahead


def number(item: dict[str, Any], key: str) -> float | None:
    value = item.get(key)
    return float(value) if type(value) is float or type(value) is int else None
