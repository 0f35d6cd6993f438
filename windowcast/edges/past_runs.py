"""What the weather service forecast for one yard on past days, and what came.

Two sources. Previous runs give, for each hour, what was forecast so many days before it, 1 to 7:
one request for all days. Single runs give the whole course of one run, up to 15 days ahead, one
request each, so only every few days one is asked for. Both are asked for by the hour in GMT and
grouped to the yard's days, because their daily values, if any, are cut at one fixed offset.
"""

from __future__ import annotations

import time
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as time_of_day
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast import progress
from windowcast.edges.allowance import Budget, Now, Say, Sleep, Spent, utc_now
from windowcast.edges.http import BadRequest, Fetcher
from windowcast.edges.openmeteo_replies import check_place, local_columns, read_hourly, read_places
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import WeatherError, WeatherRefused, WeatherUnreachable, WeatherUnusable
from windowcast.sky.highs import DailyHighs, from_day, trim
from windowcast.sky.past_runs import PastRun
from windowcast.trade.yard import Yard

# The service keeps about this much of the recent past on all its hosts.
DAYS = 90
# Statistics of 15 days ahead need 20 whole runs whose days are all over: every fifth day of 90 is
# too few, every third makes 25.
STRIDE_DAYS = 3
LEADS_OF_PREVIOUS = range(1, 8)
RUN_DAYS = 16
# Runs are asked for from the newest back; after so many refused in a row older ones are not kept.
REFUSALS_IN_A_ROW = 3

_VARIABLE = "temperature_2m"


@dataclass(frozen=True, slots=True, kw_only=True)
class PastRuns:
    """What came, and why the rest did not.

    runs:        by origin, then by the day of issue
    observed:    the service's own analysis of what came, to yesterday; None: not fetched
    errors:      each names the yard and the source
    fetched_at:  aware, UTC; when the fetch began
    spent:       the request weight used today, what was given in included
    """

    runs: tuple[PastRun, ...]
    observed: DailyHighs | None
    errors: tuple[WeatherError, ...]
    fetched_at: datetime
    spent: Spent

    @property
    def unreachable(self) -> bool:
        """Whether a server gave no answer at all, so that the next yard would fare alike."""
        return any(isinstance(error, WeatherUnreachable) for error in self.errors)


def fetch_past_runs(
    yard: Yard,
    settings: WeatherSettings,
    *,
    now: datetime,
    say: Say,
    spent: Spent | None = None,
    days: int = DAYS,
    stride_days: int = STRIDE_DAYS,
    have: Collection[tuple[str, date]] = (),
    sleep: Sleep = time.sleep,
    clock: Now = utc_now,
    deadline_s: float = 30.0,
) -> PastRuns:
    """What was forecast on the `days` days before today in the yard's zone.

    now:          aware; decides which day is today
    spent:        the weight used earlier; counts only if it is today's (UTC)
    stride_days:  of so many days one whole run is asked for
    have:         (origin, issued) of what is kept already and is not asked for again
    sleep, clock: for waits that end on the server's minute

    Never raises a WeatherError: what came is given, and `errors` say why the rest is lacking. A
    server that cannot be reached, or that refuses for good, is not asked again.
    """
    if now.tzinfo is None:
        raise ValueError("now must be aware")
    if not 1 <= days <= DAYS or stride_days < 1:
        raise ValueError(f"days must be 1 to {DAYS} and stride_days at least 1")
    carried = spent if spent is not None else Spent(clock().astimezone(UTC).date(), 0.0)
    runs: list[PastRun] = []
    errors: list[WeatherError] = []
    observed: DailyHighs | None = None
    with Fetcher(say=say, api_key=settings.api_key, sleep=sleep, now=clock) as fetcher:

        def server(url: str) -> _Server:
            host = urlsplit(url).hostname or ""
            budget = Budget.for_host(
                host,
                calls_per_minute=settings.calls_per_minute,
                calls_per_day=settings.calls_per_day,
                say=say,
                spent=carried,
                sleep=sleep,
                now=clock,
            )
            return _Server(url, fetcher, budget, deadline_s)

        if settings.previous_runs_url and not any(origin == "previous" for origin, _ in have):
            previous = server(settings.previous_runs_url)
            try:
                found, observed = _previous(previous, yard, now, days)
                runs += found
            except WeatherError as error:
                errors.append(_named(yard, "previous runs", error))
            carried = previous.budget.spent
        if settings.single_runs_url:
            wanted = [
                issued
                for issued in single_run_days(yard, now, days, stride_days)
                if ("single", issued) not in have
            ]
            single = server(settings.single_runs_url)
            found, failed = _singles(single, yard, wanted)
            runs += found
            errors += failed
            carried = single.budget.spent
    return PastRuns(
        runs=tuple(runs),
        observed=observed,
        errors=tuple(errors),
        fetched_at=now.astimezone(UTC),
        spent=carried,
    )


def single_run_days(
    yard: Yard, now: datetime, days: int = DAYS, stride_days: int = STRIDE_DAYS
) -> list[date]:
    """The days of issue whose whole run is wanted, the newest first.

    They are the same days whatever `now` is, so that an interrupted fetch goes on where it was.
    """
    today = now.astimezone(ZoneInfo(yard.timezone)).date()
    past = (today - timedelta(days=back) for back in range(1, days + 1))
    return [day for day in past if day.toordinal() % stride_days == 0]


def run_of(issued: date, zone: ZoneInfo) -> datetime:
    """The newest main run, 00 or 12 UTC, that had begun when the day did in the yard's zone.

    A morning rarely has a newer one, and its first day is whole in this one.
    """
    midnight = datetime.combine(issued, time_of_day(), zone).astimezone(UTC)
    return midnight.replace(hour=midnight.hour // 12 * 12, minute=0, second=0, microsecond=0)


def previous_runs_weight(days: int = DAYS) -> float:
    """How many calls the service counts for one request of previous runs."""
    variables = len(LEADS_OF_PREVIOUS) + 1
    return max(1.0, variables / 10, variables / 10 * (days + 2) / 14)


SINGLE_RUN_WEIGHT = 1.0  # one variable over 16 days is less than a call, and a call is the least


class _Server:
    """One server with the budget that counts its requests."""

    def __init__(self, url: str, fetcher: Fetcher, budget: Budget, deadline_s: float) -> None:
        self._url = url
        self._fetcher = fetcher
        self._deadline_s = deadline_s
        self.budget = budget

    def ask(
        self, yard: Yard, parameters: Mapping[str, str], weight: float, progress: str
    ) -> dict[str, Any]:
        """The answer for a yard; WeatherUnusable where it is for another place."""
        self.budget.take(weight, progress)
        before = self._fetcher.attempts
        try:
            reply = self._fetcher.get_json(self._url, parameters, deadline_s=self._deadline_s)
        finally:
            self.budget.settle(weight, self._fetcher.attempts - before)
        (item,) = read_places(reply, 1)
        check_place(item, yard.latitude, yard.longitude)
        return item


def _previous(
    server: _Server, yard: Yard, now: datetime, days: int
) -> tuple[list[PastRun], DailyHighs]:
    zone = ZoneInfo(yard.timezone)
    today = now.astimezone(zone).date()
    first_day = today - timedelta(days=days)
    # The hours of the local days, whichever GMT days they begin and end in.
    first = first_day - timedelta(days=1)
    last = min(today, now.astimezone(UTC).date())
    names = [_VARIABLE, *(f"{_VARIABLE}_previous_day{lead}" for lead in LEADS_OF_PREVIOUS)]
    item = server.ask(
        yard,
        {
            **_place(yard),
            "hourly": ",".join(names),
            "start_date": first.isoformat(),
            "end_date": last.isoformat(),
        },
        previous_runs_weight(days),
        f"{yard.name}: previous runs",
    )
    series: list[DailyHighs | None] = []
    for name in names:
        series.append(_column(item, name, zone, first, last, first_day, today))
    observed, forecasts = series[0], series[1:]
    if observed is None or not any(forecasts):
        raise WeatherUnusable("no data for this place")
    runs: list[PastRun] = []
    lead_series = list(zip(LEADS_OF_PREVIOUS, forecasts, strict=True))
    for back in range(days + LEADS_OF_PREVIOUS[-1], 0, -1):
        issued = today - timedelta(days=back)
        highs = DailyHighs(
            issued + timedelta(days=LEADS_OF_PREVIOUS[0]),
            tuple(
                None if one is None else one.on(issued + timedelta(days=lead))
                for lead, one in lead_series
            ),
        )
        if any(value is not None for value in highs.tenths):
            runs.append(PastRun(issued=issued, highs=highs, origin="previous"))
    return runs, observed


def _column(
    item: dict[str, Any],
    name: str,
    zone: ZoneInfo,
    first: date,
    last: date,
    first_day: date,
    today: date,
) -> DailyHighs | None:
    """One variable's highs of the local days from `first_day` to yesterday; None: all missing."""
    hourly = item.get("hourly")
    values = hourly.get(name) if isinstance(hourly, dict) else None
    if isinstance(values, list) and values and values.count(None) == len(values):
        # A model that does not reach so many days ahead; the other variables may be there.
        return None
    table = read_hourly(item, name)
    if len(table.columns) != 1:
        raise WeatherUnusable(f"{name} comes {len(table.columns)} times, wanted once")
    hours = len(table.columns[0])
    wanted = 24 * ((last - first).days + 1)
    if table.first_hour_utc != datetime.combine(first, time_of_day(), UTC) or hours != wanted:
        raise WeatherUnusable(
            f"it answers with {hours} hours from {table.first_hour_utc:%Y-%m-%dT%H:%M},"
            f" wanted {wanted} from {first}T00:00"
        )
    highs = from_day(local_columns(table, zone)[0], first_day)
    return DailyHighs(highs.first_day, highs.tenths[: (today - highs.first_day).days])


def _singles(
    server: _Server, yard: Yard, wanted: list[date]
) -> tuple[list[PastRun], list[WeatherError]]:
    """The runs of these days, until the server will not go on; the errors, alike ones once."""
    runs: list[PastRun] = []
    errors: list[WeatherError] = []
    refused = 0
    for done, issued in enumerate(wanted):
        run_at = run_of(issued, ZoneInfo(yard.timezone))
        progress.step("past runs", done, len(wanted))
        try:
            item = server.ask(
                yard,
                {
                    **_place(yard),
                    "hourly": _VARIABLE,
                    "run": run_at.strftime("%Y-%m-%dT%H:%M"),
                    "forecast_days": str(RUN_DAYS),
                },
                SINGLE_RUN_WEIGHT,
                f"{yard.name}: {done} of {len(wanted)} past runs done",
            )
            runs.append(_run(item, yard, issued, run_at))
        except WeatherError as error:
            errors.append(_named(yard, f"run of {run_at:%Y-%m-%d %H} UTC", error))
            refused += 1
            # A quota, a key or a silent server is about all runs and not this one.
            of_all = isinstance(error, WeatherUnreachable) or (
                isinstance(error, WeatherRefused) and not isinstance(error, BadRequest)
            )
            if of_all or refused == REFUSALS_IN_A_ROW:
                break
        else:
            refused = 0
    progress.step("past runs", len(wanted), len(wanted))
    return runs, errors


def _run(item: dict[str, Any], yard: Yard, issued: date, run_at: datetime) -> PastRun:
    table = read_hourly(item)
    if len(table.columns) != 1:
        raise WeatherUnusable(f"it answers with {len(table.columns)} forecasts, wanted 1")
    first = table.first_hour_utc
    # It may begin with the run's day; what is before the run was no forecast.
    if not run_at.replace(hour=0) <= first <= run_at:
        raise WeatherUnusable(f"its hours begin at {first:%Y-%m-%dT%H:%M}, wanted {run_at:%H:%M}")
    before = int((run_at - first).total_seconds() // 3600)
    table.columns[0][:before] = [None] * before
    highs = trim(
        from_day(local_columns(table, ZoneInfo(yard.timezone))[0], issued), keep_inner=True
    )
    if not highs.tenths:
        raise WeatherUnusable(f"no high is known from {issued} on")
    return PastRun(issued=issued, highs=highs, origin="single")


def _place(yard: Yard) -> dict[str, str]:
    found = {
        "latitude": f"{yard.latitude:.6f}",
        "longitude": f"{yard.longitude:.6f}",
        "timezone": "GMT",
        "temperature_unit": "celsius",
    }
    if yard.elevation_m is not None:
        found["elevation"] = f"{yard.elevation_m:.1f}"
    return found


def _named(yard: Yard, source: str, error: WeatherError) -> WeatherError:
    """The same kind of error, its text led by the yard and the source."""
    kinds = (WeatherUnreachable, WeatherRefused, WeatherUnusable)
    kind = next((one for one in kinds if isinstance(error, one)), WeatherError)
    named = kind(f"{yard.name}: {source}: {error}")
    named.__cause__ = error
    return named
