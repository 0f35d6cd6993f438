"""The weather service → the highs of each yard, or for each the error that says why not.

Three sources: the deterministic forecast, the ensemble, the extended range. How each gets highs in
the yard's own days:

- The forecast from hourly values in GMT, grouped by the yard's zone. The service's own daily values
  are cut at one fixed offset, that of the moment of asking, and so are off by an hour after a
  change of clocks and in zones west of Greenwich with half hours.
- The ensemble from daily values where these blocks are exactly the yard's days (most yards on most
  days): 51 members make hourly values 24 times as much to send and read. Otherwise from hourly
  values in GMT, like the forecast.
- The extended range from daily values always. Its hours are instants six hours apart, which would
  miss the afternoon, while its daily high is the model's own; a block shifted by the hour of a
  clock change moves an edge that lies in the night, where the high rarely is.

Requests go out one after another, because the service runs one at a time for each address. Replies
are matched to yards by their order: the coordinates in them are those of a grid cell, which two
yards may share.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast import progress
from windowcast.edges.http import (
    BadRequest,
    Budget,
    Fetcher,
    NoNumbers,
    Now,
    Say,
    Sleep,
    Spent,
    utc_now,
)
from windowcast.edges.openmeteo_replies import (
    DailyTable,
    OpenDay,
    check_place,
    ensemble,
    local_columns,
    number,
    one_forecast,
    past_highs,
    read_daily,
    read_hourly,
    read_open_days,
    read_places,
)
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import WeatherError, WeatherRefused, WeatherUnreachable, WeatherUnusable
from windowcast.sky.highs import (
    DailyHighs,
    Members,
    daily_blocks_are_local_days,
)
from windowcast.trade.yard import Yard

ATTRIBUTION = "Weather data by Open-Meteo.com (CC BY 4.0)"

FORECAST_DAYS = 16
EXTENDED_DAYS = 46
EXTENDED_MODEL = "ecmwf_ec46"
# Up to ten variables weigh no more than one.
FORECAST_HOURLY = "temperature_2m,precipitation,wind_speed_10m"
PLACES_PER_REQUEST = 100
# Hourly members of a hundred places would be 2 million numbers in one answer.
PLACES_PER_HOURLY_MEMBERS_REQUEST = 25
# After this many batches in a row without an answer the rest of a source is given up: each takes a
# whole deadline, and the next run asks again.
SILENT_BATCHES = 2
# After this many requests refused in a row, halves included, the fault is not one of places.
REFUSALS_IN_A_ROW = 40

# For the weight of a request only; an unknown model is taken to be as large as the largest.
MEMBERS_OF_MODEL = {
    "ecmwf_ifs025_ensemble": 51,
    "ecmwf_aifs025_ensemble": 51,
    "ncep_gefs025": 31,
    "ncep_gefs05": 31,
    "ncep_gefs_seamless": 31,
    "ncep_aigefs025": 31,
    "gem_global_ensemble": 21,
    "icon_seamless_eps": 40,
    "icon_global_eps": 40,
    "icon_eu_eps": 40,
    "icon_d2_eps": 20,
    "bom_access_global_ensemble": 18,
    "ukmo_global_ensemble_20km": 18,
}
LARGEST_ENSEMBLE = 64

# Refusals that name what all places of a request have in common: halving it would only repeat them.
_COMMON_FAULT = re.compile(
    r"cannot initialize|forecast.days|past.days|invalid timezone|api.?key|for key", re.IGNORECASE
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceInfo:
    """What is known of one source's answer for one yard.

    fetched_at:            aware, UTC; when the fetch began
    requested_*:           degrees and metres as sent; None: no elevation was sent
    returned_*:            the grid cell's centre and the height the service corrected to; None
                           where it does not say
    """

    fetched_at: datetime
    requested_latitude: float
    requested_longitude: float
    requested_elevation_m: float | None
    returned_latitude: float | None
    returned_longitude: float | None
    returned_elevation_m: float | None


@dataclass(slots=True, kw_only=True)
class YardWeather:
    """One yard's weather by source: highs, the error instead, or None where the source is off.

    past:       the highs of the whole days before today that came with the forecast; None without
                any
    open_days:  rain and wind of each day's working hours, from a day on; None: not known
    """

    forecast: DailyHighs | WeatherError | None = None
    past: DailyHighs | None = None
    open_days: tuple[date, list[OpenDay]] | None = None
    ensemble: Members | WeatherError | None = None
    extended: Members | WeatherError | None = None
    forecast_info: SourceInfo | None = None
    ensemble_info: SourceInfo | None = None
    extended_info: SourceInfo | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchResult:
    """What a fetch brought.

    yards:       by yard name, all that were asked for
    fetched_at:  aware, UTC; when the fetch began
    spent:       the request weight used today, what was given in included
    """

    yards: dict[str, YardWeather]
    fetched_at: datetime
    spent: Spent

    @property
    def errors(self) -> list[WeatherError]:
        """Every error, yard by yard; each names its yard and source."""
        return [
            found
            for weather in self.yards.values()
            for found in (weather.forecast, weather.ensemble, weather.extended)
            if isinstance(found, WeatherError)
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reached:
    """Whether one server answers: `what` names source and host, `text` begins with "ok" or not."""

    what: str
    text: str
    reached: bool
    source: str
    host: str


def fetch(
    yards: Sequence[Yard],
    settings: WeatherSettings,
    *,
    now: datetime,
    say: Say,
    spent: Spent | None = None,
    sleep: Sleep = time.sleep,
    clock: Now = utc_now,
    deadline_s: float = 30.0,
    ensemble_deadline_s: float = 60.0,
) -> FetchResult:
    """The weather of all yards, from every source that is switched on.

    now:       aware; decides which day is today in each yard
    say:       receives a line whenever something is waited for
    spent:     the weight used earlier; counts only if it is today's (UTC)
    sleep,
    clock:     for waits that end on the server's minute

    Never raises a WeatherError: each stands in the place of the highs that are missing. A fault in
    one place's part of an answer costs that yard only; a failed request all yards in it; a refused
    one is halved until the yard is found that it is refused for.
    """
    if now.tzinfo is None:
        raise ValueError("now must be aware")
    found = {yard.name: YardWeather() for yard in yards}
    carried = spent
    with Fetcher(say=say, api_key=settings.api_key, sleep=sleep, now=clock) as fetcher:
        for plan in _plans(settings, deadline_s, ensemble_deadline_s):
            budget = Budget.for_host(
                plan.host,
                calls_per_minute=settings.calls_per_minute,
                calls_per_day=settings.calls_per_day,
                say=say,
                spent=carried,
                sleep=sleep,
                now=clock,
            )
            _Run(plan, fetcher, budget, now, len(yards), found).all(yards)
            carried = budget.spent
    return FetchResult(
        yards=found,
        fetched_at=now.astimezone(UTC),
        spent=carried if carried is not None else Spent(clock().date(), 0.0),
    )


def reach(
    yard: Yard, settings: WeatherSettings, *, say: Say, now: datetime | None = None
) -> list[Reached]:
    """Ask each server that is switched on for one yard's weather, and say how it answered."""
    result = fetch([yard], settings, now=now or utc_now(), say=say)
    weather = result.yards[yard.name]
    answers: list[Reached] = []
    for source, url, answer in (
        ("forecast", settings.forecast_url, weather.forecast),
        ("ensemble", settings.ensemble_url, weather.ensemble),
        ("extended", settings.seasonal_url, weather.extended),
    ):
        if answer is None:
            continue
        if isinstance(answer, WeatherError):
            text = str(answer)
        else:
            days = len(answer.tenths) if isinstance(answer, DailyHighs) else answer.days
            count = "" if isinstance(answer, DailyHighs) else f" of {answer.count} members"
            text = f"ok, {days} days{count}, to {answer.last_day:%a %b} {answer.last_day.day}"
        host = urlsplit(url).netloc.rpartition("@")[2]
        answers.append(
            Reached(
                what=f"{source} ({host})",
                text=text,
                reached=not isinstance(answer, WeatherError),
                source=source,
                host=host,
            )
        )
    return answers


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plan:
    """One source: where and what to ask. `members`: how many it has, for the weight; 0: one run."""

    source: str
    url: str
    members: int
    model: str
    deadline_s: float

    @property
    def host(self) -> str:
        return urlsplit(self.url).hostname or ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Group:
    """Yards that fit into one request's parameters, and how their values come."""

    yards: list[Yard] = field(default_factory=list)
    hourly: bool
    zone: str  # what `timezone` says: "GMT" for hourly values


def _plans(
    settings: WeatherSettings, deadline_s: float, ensemble_deadline_s: float
) -> Iterator[_Plan]:
    model = settings.ensemble_model
    for source, url, members, name, limit_s in (
        ("forecast", settings.forecast_url, 0, "", deadline_s),
        (
            "ensemble",
            settings.ensemble_url,
            MEMBERS_OF_MODEL.get(model, LARGEST_ENSEMBLE),
            model,
            ensemble_deadline_s,
        ),
        ("extended", settings.seasonal_url, 51, EXTENDED_MODEL, ensemble_deadline_s),
    ):
        if url:
            yield _Plan(source=source, url=url, members=members, model=name, deadline_s=limit_s)


class _Run:
    """One source for all yards: groups, batches, requests, and what becomes of each yard."""

    def __init__(
        self,
        plan: _Plan,
        fetcher: Fetcher,
        budget: Budget,
        now: datetime,
        total: int,
        found: dict[str, YardWeather],
    ) -> None:
        self._plan = plan
        self._fetcher = fetcher
        self._budget = budget
        self._now = now
        self._total = total
        self._found = found
        self._done = 0
        self._silent = 0
        self._refused = 0
        self._given_up: WeatherError | None = None
        self._again_hourly: list[Yard] = []

    def all(self, yards: Sequence[Yard]) -> None:
        for group in self._groups(yards):
            self._group(group)
        progress.step(self._plan.source, self._total, self._total)
        if self._again_hourly:
            again, self._again_hourly = self._again_hourly, []
            for group in _grouped(again, lambda yard: True):
                self._group(group)

    def _groups(self, yards: Sequence[Yard]) -> list[_Group]:
        source = self._plan.source
        if source == "forecast":
            return _grouped(yards, lambda yard: True)
        if source == "extended":
            return _grouped(yards, lambda yard: False)
        return _grouped(yards, lambda yard: not self._blocks_fit(yard, None))

    def _blocks_fit(self, yard: Yard, utc_offset_seconds: int | None) -> bool:
        """Whether the ensemble's daily blocks are the yard's days; None: at the present offset."""
        zone = ZoneInfo(yard.timezone)
        local = self._now.astimezone(zone)
        if utc_offset_seconds is None:
            offset = local.utcoffset()
            utc_offset_seconds = int(offset.total_seconds()) if offset is not None else 0
        return daily_blocks_are_local_days(zone, local.date(), FORECAST_DAYS, utc_offset_seconds)

    def _group(self, group: _Group) -> None:
        many = self._plan.members > 0 and group.hourly
        size = PLACES_PER_HOURLY_MEMBERS_REQUEST if many else PLACES_PER_REQUEST
        weight = _weight_per_place(self._plan, hourly=group.hourly)
        if self._budget.per_minute is not None:
            size = max(1, min(size, int(self._budget.per_minute / weight)))
        for first in range(0, len(group.yards), size):
            self._batch(group, group.yards[first : first + size], weight)

    def _batch(self, group: _Group, yards: Sequence[Yard], weight: float) -> None:
        if self._given_up is not None:
            self._fail(yards, self._given_up)
            return
        try:
            reply = self._ask(group, yards, weight)
            items = read_places(reply, len(yards))
        except (BadRequest, NoNumbers) as error:
            self._silent = 0
            self._refused += 1
            if self._refused >= REFUSALS_IN_A_ROW:
                self._given_up = error
            common = isinstance(error, BadRequest) and _COMMON_FAULT.search(str(error))
            if len(yards) == 1 or common:
                self._fail(yards, error)
                return
            middle = len(yards) // 2
            self._batch(group, yards[:middle], weight)
            self._batch(group, yards[middle:], weight)
        except WeatherUnusable as error:
            self._silent = 0
            self._fail(yards, error)
        except WeatherUnreachable as error:
            self._silent += 1
            if self._silent >= SILENT_BATCHES:
                self._given_up = error
            self._fail(yards, error)
        except WeatherRefused as error:
            # Not about this request: the quota, the key, the address. The next would fare alike.
            self._given_up = error
            self._fail(yards, error)
        else:
            self._silent = self._refused = 0
            for yard, item in zip(yards, items, strict=True):
                self._place(group, yard, item)
            self._done += len(yards)

    def _ask(self, group: _Group, yards: Sequence[Yard], weight: float) -> Any:
        progress.step(self._plan.source, self._done, self._total)
        self._budget.take(
            weight * len(yards), f"{self._plan.source}: {self._done} of {self._total} yards done"
        )
        before = self._fetcher.attempts
        try:
            return self._fetcher.get_json(
                self._plan.url,
                _parameters(self._plan, group, yards),
                deadline_s=self._plan.deadline_s,
            )
        finally:
            self._budget.add(max(0, self._fetcher.attempts - before - 1))

    def _fail(self, yards: Sequence[Yard], error: WeatherError) -> None:
        for yard in yards:
            self._keep(yard, _named(yard, self._plan.source, error), None)
        self._done += len(yards)

    def _place(self, group: _Group, yard: Yard, item: dict[str, Any]) -> None:
        """One place's part of the answer."""
        info = SourceInfo(
            fetched_at=self._now.astimezone(UTC),
            requested_latitude=yard.latitude,
            requested_longitude=yard.longitude,
            requested_elevation_m=yard.elevation_m,
            returned_latitude=number(item, "latitude"),
            returned_longitude=number(item, "longitude"),
            returned_elevation_m=number(item, "elevation"),
        )
        zone = ZoneInfo(yard.timezone)
        today = self._now.astimezone(zone).date()
        try:
            check_place(item, yard.latitude, yard.longitude)
            past = open_days = None
            if group.hourly:
                table = read_hourly(item)
                columns = local_columns(table, zone)
                past = past_highs(table, columns[0], zone, today, _past_days(self._plan))
                if self._plan.source == "forecast":
                    open_days = read_open_days(item, table.first_hour_utc, zone, today)
            else:
                daily = read_daily(item)
                if not self._offset_serves(yard, daily, today):
                    self._again_hourly.append(yard)
                    return
                columns = [DailyHighs(daily.first_day, tuple(column)) for column in daily.columns]
            if self._plan.source == "forecast":
                self._keep(yard, one_forecast(columns, today, _past_days(self._plan)), info)
                self._found[yard.name].past = past
                self._found[yard.name].open_days = open_days
            else:
                self._keep(yard, ensemble(columns, today), info)
        except WeatherError as error:
            self._keep(yard, _named(yard, self._plan.source, error), None)

    def _offset_serves(self, yard: Yard, daily: DailyTable, today: date) -> bool:
        """Whether daily values at the reply's offset are good enough for this source.

        False: ask for hours instead. That is so for the ensemble when the server's offset is not
        the one expected, as with other rules for a zone or at the very hour of a clock change.
        """
        if self._plan.source == "ensemble":
            return self._blocks_fit(yard, daily.utc_offset_seconds)
        offset = self._now.astimezone(ZoneInfo(yard.timezone)).utcoffset() or timedelta()
        if abs(offset.total_seconds() - daily.utc_offset_seconds) > 3600:
            raise WeatherUnusable(
                f"its days are cut at an offset of {daily.utc_offset_seconds} s,"
                f" wanted {offset.total_seconds():.0f} s"
            )
        return True

    def _keep(
        self, yard: Yard, answer: DailyHighs | Members | WeatherError, info: SourceInfo | None
    ) -> None:
        weather = self._found[yard.name]
        if self._plan.source == "forecast":
            if isinstance(answer, Members):
                raise ValueError("members where one forecast belongs")
            weather.forecast, weather.forecast_info = answer, info
            return
        if isinstance(answer, DailyHighs):
            raise ValueError("one forecast where members belong")
        if self._plan.source == "ensemble":
            weather.ensemble, weather.ensemble_info = answer, info
        else:
            weather.extended, weather.extended_info = answer, info


def _grouped(yards: Sequence[Yard], hourly: Callable[[Yard], bool]) -> list[_Group]:
    """Yards by what one request can hold: one zone for daily values, elevations for all or none."""
    groups: dict[tuple[bool, str, bool], _Group] = {}
    for yard in yards:
        by_hour = hourly(yard)
        zone = "GMT" if by_hour else yard.timezone
        key = (by_hour, zone, yard.elevation_m is not None)
        if key not in groups:
            groups[key] = _Group(hourly=by_hour, zone=zone)
        groups[key].yards.append(yard)
    return list(groups.values())


def _parameters(plan: _Plan, group: _Group, yards: Sequence[Yard]) -> dict[str, str]:
    days = EXTENDED_DAYS if plan.source == "extended" else FORECAST_DAYS
    found = {
        "latitude": ",".join(_plain(yard.latitude) for yard in yards),
        "longitude": ",".join(_plain(yard.longitude) for yard in yards),
    }
    heights = [yard.elevation_m for yard in yards if yard.elevation_m is not None]
    if heights:
        found["elevation"] = ",".join(_plain(height) for height in heights)
    if plan.model:
        found["models"] = plan.model
    if group.hourly:
        variables = FORECAST_HOURLY if plan.source == "forecast" else "temperature_2m"
        found |= {"hourly": variables, "past_days": str(_past_days(plan))}
    else:
        found["daily"] = "temperature_2m_max"
    return found | {
        "timezone": group.zone,
        "forecast_days": str(days),
        "temperature_unit": "celsius",
        **(
            {"precipitation_unit": "mm", "wind_speed_unit": "kmh"}
            if group.hourly and plan.source == "forecast"
            else {}
        ),
    }


def _past_days(plan: _Plan) -> int:
    """How many days before today (GMT) come with hourly values.

    One covers today: in the Americas the local day of a GMT midnight began the day before. With two
    the whole of yesterday is there as well, in every zone, which is what came to pass. Members of
    an ensemble say nothing of that, and each day of theirs weighs.
    """
    return 2 if plan.source == "forecast" else 1


def _plain(value: float) -> str:
    """A decimal without an exponent, to a tenth of a metre on the ground."""
    return f"{value:.6f}".rstrip("0").rstrip(".")


def _weight_per_place(plan: _Plan, *, hourly: bool) -> float:
    """How many calls the service counts for one place: max(1, V/10, V/10 × days/14).

    V is variables × members; the seasonal service divides it by 24 and by 5, in whole numbers.
    """
    variables = max(1, plan.members)
    days = FORECAST_DAYS + (_past_days(plan) if hourly else 0)
    if plan.source == "extended":
        variables, days = variables // 24 // 5, EXTENDED_DAYS
    return max(1.0, variables / 10, variables / 10 * days / 14)


def _named(yard: Yard, source: str, error: WeatherError) -> WeatherError:
    """The same kind of error, its text led by the yard and the source."""
    kinds = (WeatherUnreachable, WeatherRefused, WeatherUnusable)
    kind = next((one for one in kinds if isinstance(error, one)), WeatherError)
    named = kind(f"{yard.name}: {source}: {error}")
    named.__cause__ = error
    return named
