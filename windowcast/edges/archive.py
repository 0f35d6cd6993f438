"""Past years' observed highs at one yard, from the weather service's archive.

Its daily values are cut at one fixed offset from UTC, that of the moment of asking, so for half of
the year they are an hour off the yard's days. They are taken as they are: that moves an edge that
lies in the night, where the high rarely is, and thirty years of hours would weigh far more.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast import progress
from windowcast.edges.allowance import Budget, Now, Say, Sleep, Spent, utc_now
from windowcast.edges.http import Fetcher
from windowcast.edges.openmeteo_replies import check_place, read_daily, read_places
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import WeatherError, WeatherUnusable
from windowcast.sky.highs import DailyHighs
from windowcast.trade.yard import Yard

YEARS = 30
# The last days are still being filled in, and asking for one too late is refused.
DAYS_BEHIND = 3
# The service counts a call for each variable's ten fortnights.
DAYS_PER_CALL = 140


@dataclass(frozen=True, slots=True, kw_only=True)
class PastYears:
    """What the archive brought.

    highs:       every day asked for, None where it has no value; or why there are none
    fetched_at:  aware, UTC; when the fetch began
    spent:       the request weight used today, what was given in included
    """

    highs: DailyHighs | WeatherError
    fetched_at: datetime
    spent: Spent


def fetch_past_years(
    yard: Yard,
    settings: WeatherSettings,
    *,
    now: datetime,
    say: Say,
    spent: Spent | None = None,
    years: int = YEARS,
    sleep: Sleep = time.sleep,
    clock: Now = utc_now,
    deadline_s: float = 30.0,
) -> PastYears:
    """The daily highs of whole `years` up to three days before today in the yard's zone.

    now:       aware; decides which day is today
    spent:     the weight used earlier; counts only if it is today's (UTC)
    sleep,
    clock:     for waits that end on the server's minute

    Never raises a WeatherError: it stands in the place of the highs, and what the attempts weighed
    is counted either way.
    """
    if now.tzinfo is None:
        raise ValueError("now must be aware")
    first_day, last_day = past_days(yard, now, years)
    budget = Budget.for_host(
        urlsplit(settings.archive_url).hostname or "",
        calls_per_minute=settings.calls_per_minute,
        calls_per_day=settings.calls_per_day,
        say=say,
        spent=spent,
        sleep=sleep,
        now=clock,
    )
    highs: DailyHighs | WeatherError
    with Fetcher(say=say, api_key=settings.api_key, sleep=sleep, now=clock) as fetcher:
        progress.step("past years", 0, 1)
        each = weight(first_day, last_day)
        try:
            budget.take(each, "past years")
            try:
                reply = fetcher.get_json(
                    settings.archive_url,
                    _parameters(yard, first_day, last_day),
                    deadline_s=deadline_s,
                )
            finally:
                budget.settle(each, fetcher.attempts)
            highs = _read(reply, yard, first_day, last_day, now)
        except WeatherError as error:
            highs = error
    progress.step("past years", 1, 1)
    return PastYears(highs=highs, fetched_at=now.astimezone(UTC), spent=budget.spent)


def past_days(yard: Yard, now: datetime, years: int = YEARS) -> tuple[date, date]:
    """The first and the last day to ask for, both inside."""
    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    last_day = today - timedelta(days=DAYS_BEHIND)
    after = last_day + timedelta(days=1)
    if (after.month, after.day) == (2, 29):
        # This day is not in every year; the first of March is, and leaves the years whole.
        return date(after.year - years, 3, 1), last_day
    return after.replace(year=after.year - years), last_day


def weight(first_day: date, last_day: date) -> float:
    """How many calls the service counts for these days: 78 for thirty years."""
    return max(1.0, ((last_day - first_day).days + 1) / DAYS_PER_CALL)


def _parameters(yard: Yard, first_day: date, last_day: date) -> dict[str, str]:
    found = {
        # To a tenth of a metre on the ground.
        "latitude": f"{yard.latitude:.6f}",
        "longitude": f"{yard.longitude:.6f}",
        "daily": "temperature_2m_max",
        "start_date": first_day.isoformat(),
        "end_date": last_day.isoformat(),
        "timezone": yard.timezone,
        "temperature_unit": "celsius",
    }
    if yard.elevation_m is not None:
        found["elevation"] = f"{yard.elevation_m:.1f}"
    return found


def _read(reply: object, yard: Yard, first_day: date, last_day: date, now: datetime) -> DailyHighs:
    (item,) = read_places(reply, 1)
    check_place(item, yard.latitude, yard.longitude)
    daily = read_daily(item)
    if len(daily.columns) != 1:
        raise WeatherUnusable(f"it answers with {len(daily.columns)} records, wanted 1")
    (column,) = daily.columns
    wanted = (last_day - first_day).days + 1
    if daily.first_day != first_day or len(column) != wanted:
        raise WeatherUnusable(
            f"it answers with {len(column)} days from {daily.first_day},"
            f" wanted {wanted} from {first_day}"
        )
    offset = now.astimezone(ZoneInfo(yard.timezone)).utcoffset() or timedelta()
    if abs(offset.total_seconds() - daily.utc_offset_seconds) > 3600:
        raise WeatherUnusable(
            f"its days are cut at an offset of {daily.utc_offset_seconds} s,"
            f" wanted {offset.total_seconds():.0f} s"
        )
    return DailyHighs(first_day=daily.first_day, tenths=tuple(column))
