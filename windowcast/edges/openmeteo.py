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

import hashlib
import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast.edges.http import (
    BadRequest,
    Budget,
    Fetcher,
    NoNumbers,
    NotChanged,
    Now,
    Say,
    Sleep,
    Spent,
    utc_now,
)
from windowcast.edges.openmeteo_replies import (
    DailyTable,
    HourlyTable,
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
from windowcast.edges.openmeteo_runs import Run, newest_run
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import WeatherError, WeatherRefused, WeatherUnreachable, WeatherUnusable
from windowcast.sky.highs import (
    DailyHighs,
    Members,
    daily_blocks_are_local_days,
)
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    from windowcast.edges.openmeteo_arrays import Part, Plain

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


class Unchanged(NamedTuple):
    """The server says that it has nothing newer than what it answered the last time (304)."""


UNCHANGED = Unchanged()


class Answer(NamedTuple):
    """What one source says of one yard.

    past, open_days:  as in YardWeather, with a forecast
    """

    yard: Yard
    source: str
    found: DailyHighs | Members | WeatherError | Unchanged
    info: SourceInfo | None = None
    past: DailyHighs | None = None
    open_days: tuple[date, list[OpenDay]] | None = None


class Memory(Protocol):
    """What is remembered of earlier answers, where a server gives its answers a mark."""

    def recall(self, request: str, source: str, yards: Sequence[Yard]) -> tuple[str, str]:
        """Last-Modified and ETag of the last answer to a request, if all of it is still kept."""
        ...

    def keep(self, request: str, since: str, tag: str) -> None:
        """A request has been answered now, with these marks."""
        ...


class Asking:
    """All sources that are switched on, asked one request at a time; a context manager.

    now:       aware; decides which day is today in each yard
    say:       receives a line whenever something is waited for
    spent:     the weight used earlier; counts only if it is today's (UTC)
    memory:    None: the server is never asked whether something has changed
    sleep,
    clock:     for waits that end on the server's minute
    """

    def __init__(
        self,
        settings: WeatherSettings,
        *,
        now: datetime,
        say: Say,
        spent: Spent | None = None,
        memory: Memory | None = None,
        sleep: Sleep = time.sleep,
        clock: Now = utc_now,
        deadline_s: float = 30.0,
        ensemble_deadline_s: float = 60.0,
    ) -> None:
        if now.tzinfo is None:
            raise ValueError("now must be aware")
        self.fetched_at = now.astimezone(UTC)
        self._settings = settings
        self._now = now
        self._say = say
        self._spent = spent if spent is not None else Spent(clock().date(), 0.0)
        self._budget: Budget | None = None
        self._memory = memory
        self._sleep = sleep
        self._clock = clock
        self._plans = {
            plan.source: plan for plan in _plans(settings, deadline_s, ensemble_deadline_s)
        }
        self._fetcher = Fetcher(say=say, api_key=settings.api_key, sleep=sleep, now=clock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._fetcher.close()

    @property
    def sources(self) -> tuple[str, ...]:
        """Those that are switched on, in the order in which they are best asked."""
        return tuple(self._plans)

    @property
    def spent(self) -> Spent:
        """The request weight used today, what was given in included."""
        return self._spent if self._budget is None else self._budget.spent

    def source(self, name: str, total: int) -> Source:
        """One source, to be asked about `total` yards in all."""
        plan = self._plans[name]
        self._budget = Budget.for_host(
            plan.host,
            calls_per_minute=self._settings.calls_per_minute,
            calls_per_day=self._settings.calls_per_day,
            say=self._say,
            spent=self.spent,
            sleep=self._sleep,
            now=self._clock,
        )
        return Source(plan, self._fetcher, self._budget, self._now, total, self._memory)

    def run(self, name: str) -> Run | None:
        """The newest run of a source's model that all of the service's machines have by now.

        None where it is not known: the single forecast is made of several models, and not every
        server tells.
        """
        plan = self._plans[name]
        return newest_run(self._fetcher, plan.url, plan.model, self._now) if plan.model else None


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
    """The weather of all yards, from every source that is switched on; parameters as of Asking.

    Never raises a WeatherError: each stands in the place of the highs that are missing. A fault in
    one place's part of an answer costs that yard only; a failed request all yards in it; a refused
    one is halved until the yard is found that it is refused for.

    All of it is held at once: for few yards.
    """
    found = {yard.name: YardWeather() for yard in yards}
    with Asking(
        settings,
        now=now,
        say=say,
        spent=spent,
        sleep=sleep,
        clock=clock,
        deadline_s=deadline_s,
        ensemble_deadline_s=ensemble_deadline_s,
    ) as asking:
        for name in asking.sources:
            for answers in asking.source(name, len(yards)).ask(yards):
                for answer in answers:
                    _keep(found[answer.yard.name], answer)
        return FetchResult(yards=found, fetched_at=asking.fetched_at, spent=asking.spent)


def _keep(weather: YardWeather, answer: Answer) -> None:
    got = answer.found
    if isinstance(got, Unchanged):
        raise ValueError("nothing was kept that could be unchanged")
    if answer.source == "forecast":
        if isinstance(got, Members):
            raise ValueError("members where one forecast belongs")
        weather.forecast, weather.forecast_info = got, answer.info
        weather.past, weather.open_days = answer.past, answer.open_days
        return
    if isinstance(got, DailyHighs):
        raise ValueError("one forecast where members belong")
    if answer.source == "ensemble":
        weather.ensemble, weather.ensemble_info = got, answer.info
    else:
        weather.extended, weather.extended_info = got, answer.info


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


class Source:
    """One source for many yards: groups, batches, requests, and what becomes of each yard.

    It remembers what went wrong: a server that is given up stays so for all that is asked of it.
    """

    def __init__(
        self,
        plan: _Plan,
        fetcher: Fetcher,
        budget: Budget,
        now: datetime,
        total: int,
        memory: Memory | None = None,
    ) -> None:
        self._plan = plan
        self._fetcher = fetcher
        self._budget = budget
        self._now = now
        self._total = total
        self._memory = memory
        self._done = 0
        self._silent = 0
        self._refused = 0
        self._given_up: WeatherError | None = None
        self._again_hourly: list[Yard] = []

    def ask(self, yards: Sequence[Yard]) -> Iterator[list[Answer]]:
        """The answers, request by request; one for each yard in all."""
        for group in self._groups(yards):
            yield from self._group(group)
        if self._again_hourly:
            again, self._again_hourly = self._again_hourly, []
            for group in _grouped(again, lambda yard: True):
                yield from self._group(group)

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
        return _blocks_are_days(zone, local.date(), FORECAST_DAYS, utc_offset_seconds)

    def _group(self, group: _Group) -> Iterator[list[Answer]]:
        size = places_per_request(self._plan, hourly=group.hourly)
        weight = _weight_per_place(self._plan, hourly=group.hourly)
        if self._budget.per_minute is not None:
            size = max(1, min(size, int(self._budget.per_minute / weight)))
        for first in range(0, len(group.yards), size):
            yield from self._batch(group, group.yards[first : first + size], weight)

    def _batch(self, group: _Group, yards: Sequence[Yard], weight: float) -> Iterator[list[Answer]]:
        if self._given_up is not None:
            yield self._fail(yards, self._given_up)
            return
        try:
            parts = self._ask(group, yards, weight)
        except NotChanged:
            self._silent = self._refused = 0
            self._done += len(yards)
            yield [Answer(yard, self._plan.source, UNCHANGED) for yard in yards]
        except (BadRequest, NoNumbers) as error:
            self._silent = 0
            self._refused += 1
            if self._refused >= REFUSALS_IN_A_ROW:
                self._given_up = error
            common = isinstance(error, BadRequest) and _COMMON_FAULT.search(str(error))
            if len(yards) == 1 or common:
                yield self._fail(yards, error)
                return
            middle = len(yards) // 2
            yield from self._batch(group, yards[:middle], weight)
            yield from self._batch(group, yards[middle:], weight)
        except WeatherUnusable as error:
            self._silent = 0
            yield self._fail(yards, error)
        except WeatherUnreachable as error:
            self._silent += 1
            if self._silent >= SILENT_BATCHES:
                self._given_up = error
            yield self._fail(yards, error)
        except WeatherRefused as error:
            # Not about this request: the quota, the key, the address. The next would fare alike.
            self._given_up = error
            yield self._fail(yards, error)
        else:
            self._silent = self._refused = 0
            self._done += len(yards)
            placed = (
                self._place(group, yard, part) for yard, part in zip(yards, parts, strict=True)
            )
            yield [answer for answer in placed if answer is not None]

    def _ask(self, group: _Group, yards: Sequence[Yard], weight: float) -> list[Part]:
        from windowcast.edges.openmeteo_arrays import Part, reader

        section, variable = (
            ("hourly", "temperature_2m") if group.hourly else ("daily", "temperature_2m_max")
        )
        parameters = _parameters(self._plan, group, yards)
        request = _request_key(self._plan.url, parameters)
        since, tag = ("", "")
        if self._memory is not None:
            since, tag = self._memory.recall(request, self._plan.source, yards)
        self._budget.take(
            weight * len(yards), f"{self._plan.source}: {self._done} of {self._total} yards done"
        )
        before = self._fetcher.attempts
        try:
            reply = self._fetcher.get(
                self._plan.url,
                parameters,
                reader(section, variable),
                deadline_s=self._plan.deadline_s,
                since=since,
                tag=tag,
            )
        finally:
            self._budget.add(max(0, self._fetcher.attempts - before - 1))
        parts = [reply] if isinstance(reply, Part) else reply
        read_places([part.item for part in parts], len(yards))
        if self._memory is not None:
            headers = self._fetcher.headers
            since, tag = headers.get("Last-Modified", ""), headers.get("ETag", "")
            if since or tag:
                self._memory.keep(request, since, tag)
        return parts

    def _fail(self, yards: Sequence[Yard], error: WeatherError) -> list[Answer]:
        self._done += len(yards)
        source = self._plan.source
        return [Answer(yard, source, _named(yard, source, error)) for yard in yards]

    def _place(self, group: _Group, yard: Yard, part: Part) -> Answer | None:
        """One place's part of the answer; None: it is asked for again, by the hour."""
        item, source = part.item, self._plan.source
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
            table = part.plain or (read_hourly(item) if group.hourly else read_daily(item))
            if not group.hourly and not self._offset_serves(
                yard, item["utc_offset_seconds"], today
            ):
                self._again_hourly.append(yard)
                return None
            if source != "forecast":
                return Answer(yard, source, _members(table, zone, today), info)
            return self._forecast(yard, table, zone, today, info, item)
        except WeatherError as error:
            return Answer(yard, source, _named(yard, source, error))

    def _forecast(
        self,
        yard: Yard,
        table: Plain | HourlyTable | DailyTable,
        zone: ZoneInfo,
        today: date,
        info: SourceInfo,
        item: dict[str, Any],
    ) -> Answer:
        most = _past_days(self._plan)
        if isinstance(table, HourlyTable):
            columns = local_columns(table, zone)
            first_hour_utc = table.first_hour_utc
            days = read_open_days(item, first_hour_utc, zone, today)
        else:
            from windowcast.edges import openmeteo_arrays as arrays

            if isinstance(table, DailyTable):
                raise ValueError("a forecast comes by the hour")
            first_hour_utc, columns = arrays.local_columns(table, zone)
            days = arrays.open_days(table, zone, today)
        past = past_highs(first_hour_utc, columns[0], zone, today, most)
        return Answer(yard, self._plan.source, one_forecast(columns, today, most), info, past, days)

    def _offset_serves(self, yard: Yard, utc_offset_seconds: int, today: date) -> bool:
        """Whether daily values at the reply's offset are good enough for this source.

        False: ask for hours instead. That is so for the ensemble when the server's offset is not
        the one expected, as with other rules for a zone or at the very hour of a clock change.
        """
        if self._plan.source == "ensemble":
            return self._blocks_fit(yard, utc_offset_seconds)
        offset = self._now.astimezone(ZoneInfo(yard.timezone)).utcoffset() or timedelta()
        if abs(offset.total_seconds() - utc_offset_seconds) > 3600:
            raise WeatherUnusable(
                f"its days are cut at an offset of {utc_offset_seconds} s,"
                f" wanted {offset.total_seconds():.0f} s"
            )
        return True


def _members(table: Plain | HourlyTable | DailyTable, zone: ZoneInfo, today: date) -> Members:
    if isinstance(table, HourlyTable):
        return ensemble(local_columns(table, zone), today)
    if isinstance(table, DailyTable):
        columns = [DailyHighs(table.first_day, tuple(column)) for column in table.columns]
        return ensemble(columns, today)
    from windowcast.edges import openmeteo_arrays as arrays

    return arrays.ensemble(table, zone, today)


@lru_cache(maxsize=256)
def _blocks_are_days(zone: ZoneInfo, first_day: date, days: int, offset_s: int) -> bool:
    return daily_blocks_are_local_days(zone, first_day, days, offset_s)


def _request_key(url: str, parameters: Mapping[str, str]) -> str:
    text = "\n".join([url, *(f"{key}={value}" for key, value in sorted(parameters.items()))])
    return hashlib.sha256(text.encode()).hexdigest()


def places_per_request(plan: _Plan, *, hourly: bool) -> int:
    """How many places one answer may hold."""
    many = plan.members > 0 and hourly
    return PLACES_PER_HOURLY_MEMBERS_REQUEST if many else PLACES_PER_REQUEST


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
