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
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol, Self
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

from windowcast import progress
from windowcast.edges.allowance import Budget, Now, Say, Sleep, Spent, utc_now
from windowcast.edges.http import BadRequest, Fetcher, NoNumbers, NotChanged
from windowcast.edges.openmeteo_plans import (
    Group,
    Plan,
    blocks_fit,
    grouped,
    groups_of,
    parameters,
    past_days,
    places_per_request,
    plans,
    weight_per_place,
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
)
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    from windowcast.edges.openmeteo_arrays import Part, Plain

ATTRIBUTION = "Weather data by Open-Meteo.com (CC BY 4.0)"

# After this many batches in a row without an answer the rest of a source is given up: each takes a
# whole deadline, and the next run asks again.
SILENT_BATCHES = 2
# After this many requests refused in a row, halves included, the fault is not one of places.
REFUSALS_IN_A_ROW = 40

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
    """Whether one server answers: `what` names source and host, `text` begins with "ok" or not.

    days,      of what it answered, the members of an ensemble, and its last day; else 0 and None
    members,
    last_day:
    """

    what: str
    text: str
    reached: bool
    source: str
    host: str
    days: int = 0
    members: int = 0
    last_day: date | None = None


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
    budgets:   by host, those of earlier askings of the same morning, whose minute and hour go on
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
        budgets: dict[str, Budget] | None = None,
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
        self._budgets = {} if budgets is None else budgets
        self._memory = memory
        self._sleep = sleep
        self._clock = clock
        self.plans = {
            plan.source: plan for plan in plans(settings, deadline_s, ensemble_deadline_s)
        }
        self._fetcher = Fetcher(say=say, api_key=settings.api_key, sleep=sleep, now=clock)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._fetcher.close()

    @property
    def sources(self) -> tuple[str, ...]:
        """Those that are switched on, in the order in which they are best asked."""
        return tuple(self.plans)

    @property
    def spent(self) -> Spent:
        """The request weight used today, what was given in included."""
        return self._spent if self._budget is None else self._budget.spent

    def source(self, name: str, total: int) -> Source:
        """One source, to be asked about `total` yards in all."""
        plan = self.plans[name]
        self._budget = Budget.for_host(
            plan.host,
            calls_per_minute=self._settings.calls_per_minute,
            calls_per_day=self._settings.calls_per_day,
            say=self._say,
            spent=self.spent,
            sleep=self._sleep,
            now=self._clock,
        )
        if plan.host in self._budgets:
            self._budget.count_on(self._budgets[plan.host])
        self._budgets[plan.host] = self._budget
        return Source(plan, self._fetcher, self._budget, self._now, total, self._memory)

    def run(self, name: str) -> Run | None:
        """The newest run of a source's model that all of the service's machines have by now.

        None where it is not known: the single forecast is made of several models, and not every
        server tells.
        """
        plan = self.plans[name]
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
        days, members, last_day = 0, 0, None
        if isinstance(answer, WeatherError):
            text = str(answer)
        else:
            last_day = answer.last_day
            days = len(answer.tenths) if isinstance(answer, DailyHighs) else answer.days
            members = 0 if isinstance(answer, DailyHighs) else answer.count
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
                days=days,
                members=members,
                last_day=last_day,
            )
        )
    return answers


class Source:
    """One source for many yards: groups, batches, requests, and what becomes of each yard.

    It remembers what went wrong: a server that is given up stays so for all that is asked of it.
    """

    def __init__(
        self,
        plan: Plan,
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
        self._total = max(self._total, self._done + len(yards))
        for group in groups_of(self._plan, yards, self._now):
            yield from self._group(group)
        progress.step(self._plan.source, self._total, self._total)
        if self._again_hourly:
            again, self._again_hourly = self._again_hourly, []
            for group in grouped(again, lambda yard: True):
                yield from self._group(group)

    def _group(self, group: Group) -> Iterator[list[Answer]]:
        weight = weight_per_place(self._plan, hourly=group.hourly)
        size = places_per_request(
            self._plan, hourly=group.hourly, per_minute=self._budget.per_minute
        )
        for first in range(0, len(group.yards), size):
            yield from self._batch(group, group.yards[first : first + size], weight)

    def _batch(self, group: Group, yards: Sequence[Yard], weight: float) -> Iterator[list[Answer]]:
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

    def _ask(self, group: Group, yards: Sequence[Yard], weight: float) -> list[Part]:
        from windowcast.edges.openmeteo_arrays import Part, reader

        section, variable = (
            ("hourly", "temperature_2m") if group.hourly else ("daily", "temperature_2m_max")
        )
        query = parameters(self._plan, group, yards)
        request = _request_key(self._plan.url, query)
        since, tag = ("", "")
        if self._memory is not None:
            since, tag = self._memory.recall(request, self._plan.source, yards)
        self._budget.take(
            weight * len(yards), f"{self._plan.source}: {self._done} of {self._total} yards done"
        )
        progress.step(self._plan.source, self._done, self._total)
        before = self._fetcher.attempts
        try:
            reply = self._fetcher.get(
                self._plan.url,
                query,
                reader(section, variable),
                deadline_s=self._plan.deadline_s,
                since=since,
                tag=tag,
            )
        finally:
            self._budget.settle(weight * len(yards), self._fetcher.attempts - before)
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

    def _place(self, group: Group, yard: Yard, part: Part) -> Answer | None:
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
        most = past_days(self._plan)
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
            return blocks_fit(yard, self._now, utc_offset_seconds)
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


def _request_key(url: str, parameters: Mapping[str, str]) -> str:
    text = "\n".join([url, *(f"{key}={value}" for key, value in sorted(parameters.items()))])
    return hashlib.sha256(text.encode()).hexdigest()


def _named(yard: Yard, source: str, error: WeatherError) -> WeatherError:
    """The same kind of error, its text led by the yard and the source."""
    kinds = (WeatherUnreachable, WeatherRefused, WeatherUnusable)
    kind = next((one for one in kinds if isinstance(error, one)), WeatherError)
    named = kind(f"{yard.name}: {source}: {error}")
    named.__cause__ = error
    return named
