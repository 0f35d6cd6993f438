"""A weather service on loopback, real HTTP, that behaves as the public one does.

In a test:

    place = Place(daily_highs=[21.0, 22.5, ...], members=[[...], [...]], timezone="Europe/Paris")
    with WeatherServer(places={(48.1, 2.3): place}, now=NOW) as server:
        settings = WeatherSettings(forecast_url=server.forecast_url, ...)
        server.fail("/v1/ensemble", "429-minutely", "status:503")
        ...
        assert server.requests["/v1/forecast"] == 1

For a subprocess: `python tests/support/weather_server.py --port 0 --script FILE` prints its address
as the first line, and ends by SIGTERM or after `--lifetime-s`. FILE is JSON:

    {"now": "2026-08-31T10:00:00Z",
     "places": [{"latitude": 45.0, "longitude": 7.5, "timezone": "Europe/Rome",
                 "daily_highs": [21.0], "members": [[21.0], [22.0]], "extended": [[21.0], [22.0]]}],
     "default": {"daily_highs": [20.0]},
     "faults": {"/v1/forecast": ["html"]}}

`default` is the weather of all other places; without it they get status 400.
`GET /control/counts` gives the counts, `GET /control/fail?path=/v1/forecast&fault=html` adds a
fault.

Faults, each used up by one request, in order:

    ok                   answer as usual
    status:503           that status with a JSON reason; "status:400:No data …" chooses the reason
    429-minutely, 429-hourly, 429-daily, 429-concurrent
    html                 status 200, a page
    nginx                status 502, a page
    truncated            the connection closes before Content-Length is reached
    cut-json             half of the JSON, whole as far as HTTP can tell
    stream-error         the service's own words in the middle of a 200
    drip                 a byte each 50 ms, for ever
    drip-headers         the same, within the headers
    hang                 the request is read and nothing comes
    endless              chunks without an end
    gzip-bomb            300 MB of blanks, packed
    close                the connection closes without an answer
    redirect:URL         302 to URL
    fahrenheit           °F in values and units
    no-units, missing-variable, wrong-count, short-array, swapped, text-value, all-null,
    repeated-dates, jumping-dates, last-year
    nan                  the reply of a place that is not covered
    error-200            status 200 with {"error": true}
    wrong-offset         utc_offset_seconds says 5 hours more
    elsewhere            the coordinates of the answer lie 5 degrees further north
    next-turn            the same longitude, written 360 degrees further east
    retry-after:VALUE    status 429 with that Retry-After and words of no known limit
    encoding:NAME        that Content-Encoding, whatever the body is
    byte-order-mark      before the JSON
    latin-1              the degree sign as that encoding writes it, which is not UTF-8
    many-headers         header lines without an end
    long-header          one header line without an end
"""

from __future__ import annotations

import argparse
import contextlib
import gzip
import hashlib
import json
import socket
import threading
import time
import zlib
from collections import Counter, deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit
from zoneinfo import ZoneInfo

HOUR = timedelta(hours=1)
PATHS = tuple(
    f"/v1/{name}"
    for name in ("forecast", "ensemble", "seasonal", "archive", "previous-runs", "single-runs")
)
PEAK_HOUR = 15  # local
LIMIT_WORDS = {
    "429-minutely": "Minutely API request limit exceeded. Please try again in one minute.",
    "429-hourly": "Hourly API request limit exceeded. Please try again in the next hour.",
    "429-daily": "Daily API request limit exceeded. Please try again tomorrow.",
    "429-concurrent": "Too many concurrent requests",
}

Hourly = Callable[[datetime, int], float | None]
Runs = Callable[[datetime | None, datetime], float | None]


@dataclass
class Place:
    """The weather of one place.

    daily_highs, members, extended:  highs of the local days from `first_day` on, °C; None where the
                                     run has no data; they become hourly courses that peak at 15:00
                                     local exactly at the high. Days before the first are like it,
                                     days after the last have no data.
    first_day:                       None: the place's own today
    hourly:                          instead of the lists: the temperature at an instant (aware UTC)
                                     of a member, counted from 0; used for all three sources
    hourly_members:                  how many members `hourly` has
    past:                            what the archive has: a high by day, null for all other days
    runs:                            what the run that began at the first instant said of the second
                                     (aware, UTC); of None: what came. For previous and single runs
    first_run:                       the oldest single run that is kept; None: all are
    cell_height_m:                   the height that these values are of; they are moved to the one
                                     asked for (else `elevation_m`) by 0.0065 K a metre, as the
                                     service does. None: they stay as they are
    rain_mm, wind_kmh:               of an hour (aware, UTC); None: dry and calm
    """

    daily_highs: Sequence[float | None] = ()
    members: Sequence[Sequence[float | None]] = ()
    extended: Sequence[Sequence[float | None]] = ()
    timezone: str = "UTC"
    first_day: date | None = None
    elevation_m: float | None = 250.0
    hourly: Hourly | None = None
    hourly_members: int = 1
    past: Mapping[date, float] = field(default_factory=dict)
    runs: Runs | None = None
    first_run: datetime | None = None
    cell_height_m: float | None = None
    rain_mm: Callable[[datetime], float | None] | None = None
    wind_kmh: Callable[[datetime], float | None] | None = None


class BadParametersError(Exception):
    """What the service answers with status 400."""


class WeatherServer:
    """The server; a context manager. `now`: an aware instant, a function, or None for the clock."""

    def __init__(
        self,
        places: Mapping[tuple[float, float], Place] | None = None,
        *,
        now: datetime | Callable[[], datetime] | None = None,
        default: Place | None = None,
        port: int = 0,
    ) -> None:
        self.places = dict(places or {})
        self.default = default
        self._now = now
        self.requests: Counter[str] = Counter()
        self.weight: Counter[str] = Counter()
        self.seen: list[tuple[str, dict[str, str], dict[str, str]]] = []
        # What is told of models' runs: by model the members of its document. Not counted as
        # requests, as the service does not count them.
        self.runs: dict[str, dict[str, Any]] = {}
        self.runs_asked: Counter[str] = Counter()
        # Whether answers carry an ETag, by which they can be asked for if they have changed.
        self.marks = False
        self.heeds_height = True  # False: `elevation` in a question changes nothing
        self.grid = 0.25  # degrees from one cell to the next
        self._height: float | None = None
        self._faults: dict[str, deque[str]] = {}
        self._lock = threading.Lock()
        self.stopping = threading.Event()
        self._server = _Listener(("127.0.0.1", port), _Handler)
        self._server.weather = self
        self._thread: threading.Thread | None = None

    def __enter__(self) -> WeatherServer:
        self._thread = threading.Thread(
            target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True
        )
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()

    def stop(self) -> None:
        """Close the port and all connections, as a killed server does."""
        if self.stopping.is_set():
            return
        self.stopping.set()
        if self._thread is not None:
            self._server.shutdown()
            self._thread.join(5)
        self._server.server_close()
        self._server.close_connections()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def forecast_url(self) -> str:
        return f"{self.url}/v1/forecast"

    @property
    def ensemble_url(self) -> str:
        return f"{self.url}/v1/ensemble"

    @property
    def seasonal_url(self) -> str:
        return f"{self.url}/v1/seasonal"

    @property
    def archive_url(self) -> str:
        return f"{self.url}/v1/archive"

    @property
    def previous_runs_url(self) -> str:
        return f"{self.url}/v1/previous-runs"

    @property
    def single_runs_url(self) -> str:
        return f"{self.url}/v1/single-runs"

    def now(self) -> datetime:
        if self._now is None:
            return datetime.now(UTC)
        return self._now() if callable(self._now) else self._now

    def fail(self, path: str, *faults: str) -> None:
        """The next requests for `path` meet these faults, one each, in order."""
        if "gzip-bomb" in faults:
            _bomb()  # made now: making it takes longer than a client waits
        with self._lock:
            self._faults.setdefault(path, deque()).extend(faults)

    def next_fault(self, path: str) -> str:
        with self._lock:
            waiting = self._faults.get(path)
            return waiting.popleft() if waiting else "ok"

    def place_at(self, latitude: float, longitude: float) -> Place:
        for (north, east), place in self.places.items():
            if abs(north - latitude) < 0.005 and abs(east - longitude) < 0.005:
                return place
        if self.default is not None:
            return self.default
        raise BadParametersError("No data is available for this location")

    def count(self, path: str, query: dict[str, str], headers: dict[str, str]) -> None:
        with self._lock:
            self.requests[path] += 1
            self.seen.append((path, query, headers))

    def counts(self) -> dict[str, Any]:
        with self._lock:
            return {"requests": dict(self.requests), "weight": dict(self.weight)}

    def answer(self, path: str, query: dict[str, str], fault: str) -> Any:
        """The reply as an object, or for several places a list."""
        latitudes = _numbers(query, "latitude")
        longitudes = _numbers(query, "longitude")
        if len(latitudes) != len(longitudes):
            raise BadParametersError(
                "Parameter 'latitude' and 'longitude' must have the same number of elements"
            )
        if len(latitudes) > 1000:
            raise BadParametersError("Only up to 1000 locations can be requested at once")
        elevations = _numbers(query, "elevation")
        if elevations and len(elevations) != len(latitudes):
            raise BadParametersError("Parameter 'elevation' must have the same number of elements")
        items = []
        for index, (latitude, longitude) in enumerate(zip(latitudes, longitudes, strict=True)):
            if not -90 <= latitude <= 90:
                raise BadParametersError(
                    f"Latitude must be in range of -90 to 90°. Given: {latitude}."
                )
            if not -180 <= longitude <= 180:
                raise BadParametersError(
                    f"Longitude must be in range of -180 to 180°. Given: {longitude}."
                )
            place = self.place_at(latitude, longitude)
            made = {
                "/v1/archive": self._archived,
                "/v1/previous-runs": self._previous_runs,
                "/v1/single-runs": self._single_run,
            }.get(path, self._item)
            self._height = elevations[index] if elevations and self.heeds_height else None
            item = made(path, query, place, latitude, longitude)
            if elevations and self.heeds_height:
                item["elevation"] = elevations[index]
            if item["elevation"] is None:
                del item["elevation"]
            if index:
                item["location_id"] = index
            items.append(item)
        _break(items, fault)
        if fault == "wrong-count":
            return [*items, items[-1]] if len(items) == 1 else items[:-1]
        return items[0] if len(items) == 1 else items

    def _item(
        self, path: str, query: dict[str, str], place: Place, latitude: float, longitude: float
    ) -> dict[str, Any]:
        zone_name = query.get("timezone", "GMT")
        try:
            zone = ZoneInfo("UTC" if zone_name == "GMT" else zone_name)
        except (KeyError, ValueError) as error:
            raise BadParametersError("Invalid timezone") from error
        seasonal, ensemble = path.endswith("seasonal"), path.endswith("ensemble")
        most, default = (217, 183) if seasonal else (36, 7) if ensemble else (16, 7)
        ahead = int(query.get("forecast_days", default))
        if not 0 <= ahead <= most:
            raise BadParametersError(
                f"Forecast days is invalid. Allowed range 0 to {most}. Given {most}."
            )
        past = int(query.get("past_days", 0))
        now = self.now()
        offset = now.astimezone(zone).utcoffset() or timedelta()
        # The range is read at the offset cut to whole hours and shown with the true one.
        whole = timedelta(hours=int(offset.total_seconds() / 3600))
        first_day = now.astimezone(zone).date() - timedelta(days=past)
        start = datetime(first_day.year, first_day.month, first_day.day, tzinfo=UTC) - whole
        days = past + ahead
        courses = self._courses(path, place)
        hours = [start + index * HOUR for index in range(days * 24)]
        columns = [[course(hour) for hour in hours] for course in courses]
        if place.cell_height_m is not None:
            height = place.elevation_m if self._height is None else self._height
            lift = (place.cell_height_m - (height or 0.0)) * 0.0065
            columns = [[None if v is None else round(v + lift, 1) for v in one] for one in columns]
        self.weight[path] += max(
            1, len(columns) // 24 // 5 if seasonal else len(columns) / 10 * max(1, days / 14)
        )
        fahrenheit = query.get("temperature_unit") == "fahrenheit"
        item: dict[str, Any] = {
            # A grid cell's centre, as a 32-bit number prints.
            "latitude": round(latitude / self.grid) * self.grid + 1e-6,
            "longitude": round(longitude / self.grid) * self.grid - 1e-6,
            "generationtime_ms": 0.25,
            "utc_offset_seconds": int(offset.total_seconds()),
            "timezone": zone_name,
            "timezone_abbreviation": "GMT",
            "elevation": place.elevation_m,
        }
        for section, names in (("hourly", query.get("hourly")), ("daily", query.get("daily"))):
            if not names:
                continue
            wanted = "temperature_2m" if section == "hourly" else "temperature_2m_max"
            first, *extra = names.split(",")
            if first != wanted or not set(extra) <= {"precipitation", "wind_speed_10m"}:
                raise BadParametersError(
                    f"Cannot initialize WeatherVariable from invalid String value {names}"
                    f" for key {section}"
                )
            step = 1 if section == "hourly" else 24
            units: dict[str, str] = {"time": "iso8601"}
            table: dict[str, Any] = {
                "time": [
                    (start + whole + index * step * HOUR).strftime(
                        "%Y-%m-%dT%H:%M" if step == 1 else "%Y-%m-%d"
                    )
                    for index in range(days * 24 // step)
                ]
            }
            for number, column in enumerate(columns):
                key = wanted + (f"_member{number:02d}" if number else "")
                values = (
                    column
                    if step == 1
                    else [_block_high(column[day * 24 : day * 24 + 24]) for day in range(days)]
                )
                if fahrenheit:
                    values = [None if v is None else round(v * 1.8 + 32, 1) for v in values]
                units[key] = "°F" if fahrenheit else "°C"
                table[key] = values
            for name in extra:
                of = place.rain_mm if name == "precipitation" else place.wind_kmh
                units[name] = "mm" if name == "precipitation" else "km/h"
                table[name] = [of(hour) if of else 0.0 for hour in hours]
            item[f"{section}_units"] = units
            item[section] = table
        return item

    def _archived(
        self, path: str, query: dict[str, str], place: Place, latitude: float, longitude: float
    ) -> dict[str, Any]:
        if query.get("daily") != "temperature_2m_max":
            raise BadParametersError("Cannot initialize WeatherVariable from invalid String value")
        zone = ZoneInfo(query.get("timezone", "UTC"))
        first = date.fromisoformat(query["start_date"])
        last = date.fromisoformat(query["end_date"])
        newest = self.now().date() - timedelta(days=1)
        if not date(1940, 1, 1) <= first <= last <= newest:
            raise BadParametersError(
                f"Parameter 'end_date' is out of allowed range from 1940-01-01 to {newest}"
            )
        days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
        self.weight[path] += max(1, len(days) / 140)
        offset = self.now().astimezone(zone).utcoffset() or timedelta()
        return {
            "latitude": round(latitude * 10) / 10,
            "longitude": round(longitude * 10) / 10,
            "generationtime_ms": 0.25,
            "utc_offset_seconds": int(offset.total_seconds()),
            "timezone": query.get("timezone", "GMT"),
            "timezone_abbreviation": "GMT",
            "elevation": place.elevation_m,
            "daily_units": {"time": "iso8601", "temperature_2m_max": "°C"},
            "daily": {
                "time": [day.isoformat() for day in days],
                "temperature_2m_max": [place.past.get(day) for day in days],
            },
        }

    def _previous_runs(
        self, path: str, query: dict[str, str], place: Place, latitude: float, longitude: float
    ) -> dict[str, Any]:
        if place.runs is None:
            raise BadParametersError("No data is available for this location")
        first = date.fromisoformat(query["start_date"])
        last = date.fromisoformat(query["end_date"])
        oldest, newest = (self.now().date() + timedelta(days=n) for n in (-93, 15))
        if not oldest <= first <= last <= newest:
            raise BadParametersError(
                f"Parameter 'start_date' is out of allowed range from {oldest} to {newest}"
            )
        days = (last - first).days + 1
        start = datetime(first.year, first.month, first.day, tzinfo=UTC)
        hours = [start + index * HOUR for index in range(24 * days)]
        columns: dict[str, list[float | None]] = {}
        for name in query.get("hourly", "").split(","):
            back = name.removeprefix("temperature_2m").removeprefix("_previous_day")
            if not name.startswith("temperature_2m") or back not in ("", *"1234567"):
                raise BadParametersError(
                    f"Cannot initialize WeatherVariable from invalid String value {name}"
                    " for key hourly"
                )
            columns[name] = [
                place.runs(None if not back else _run_before(at, int(back)), at) for at in hours
            ]
        self.weight[path] += max(1, len(columns) / 10 * max(1, days / 14))
        return _hours_of_runs(query, place, latitude, longitude, hours, columns)

    def _single_run(
        self, path: str, query: dict[str, str], place: Place, latitude: float, longitude: float
    ) -> dict[str, Any]:
        if "start_date" in query or "end_date" in query:
            raise BadParametersError("Parameter 'start_date' must not be set with 'run'")
        if "daily" in query and not query["run"].endswith("T00:00"):
            raise BadParametersError("Daily values need a run at 00:00 of the time zone")
        run = datetime.fromisoformat(query["run"]).replace(tzinfo=UTC)
        too_old = place.first_run is not None and run < place.first_run
        if place.runs is None or run.hour % 6 or run > self.now() or too_old:
            raise BadParametersError("modelRunUnavailable")
        if query.get("hourly") != "temperature_2m":
            raise BadParametersError("Cannot initialize WeatherVariable from invalid String value")
        days = int(query.get("forecast_days", 7))
        start = run.replace(hour=0)
        hours = [start + index * HOUR for index in range(24 * days)]
        self.weight[path] += max(1, days / 140)
        column = [None if at < run else place.runs(run, at) for at in hours]
        return _hours_of_runs(query, place, latitude, longitude, hours, {"temperature_2m": column})

    def _courses(self, path: str, place: Place) -> list[Callable[[datetime], float | None]]:
        source = place.hourly
        if source is not None:
            count = 1 if path.endswith("forecast") else place.hourly_members
            return [lambda at, n=number: source(at, n) for number in range(count)]  # type: ignore[misc]
        zone = ZoneInfo(place.timezone)
        first_day = place.first_day or self.now().astimezone(zone).date()
        highs = (
            [place.daily_highs]
            if path.endswith("forecast")
            else place.extended
            if path.endswith("seasonal")
            else place.members
        )
        return [_course(tuple(one), first_day, zone) for one in highs]


def _run_before(at: datetime, days: int) -> datetime:
    """The newest of four runs a day that began so many days before an hour."""
    earlier = at - timedelta(days=days)
    return earlier.replace(hour=earlier.hour // 6 * 6)


def _hours_of_runs(
    query: dict[str, str],
    place: Place,
    latitude: float,
    longitude: float,
    hours: list[datetime],
    columns: dict[str, list[float | None]],
) -> dict[str, Any]:
    if query.get("timezone", "GMT") != "GMT":
        raise BadParametersError("this stand-in knows past runs in GMT only")
    return {
        "latitude": round(latitude * 10) / 10,
        "longitude": round(longitude * 10) / 10,
        "generationtime_ms": 0.25,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "timezone_abbreviation": "GMT",
        "elevation": place.elevation_m,
        "hourly_units": {"time": "iso8601"} | dict.fromkeys(columns, "°C"),
        "hourly": {"time": [f"{at:%Y-%m-%dT%H:%M}" for at in hours]} | columns,
    }


def _course(
    highs: tuple[float | None, ...], first_day: date, zone: ZoneInfo
) -> Callable[[datetime], float | None]:
    """Hourly temperatures whose highest of each local day is that day's high, at 15:00.

    From the peak down to 4 K below the cooler of the two days' highs at 23:00, to 8 K below it at
    05:00, and up again; so no midnight is ever warmer than the day on either side of it.
    """

    def high(index: int) -> float | None:
        if not highs:
            return None
        return highs[max(index, 0)] if index < len(highs) else None

    def at(instant: datetime) -> float | None:
        day, hour = _local(instant, zone)
        index = (day - first_day).days
        here = high(index)
        if here is None:
            return None
        if hour == PEAK_HOUR:
            return here
        other = high(index - 1) if hour < PEAK_HOUR else high(index + 1)
        cool = min(here, here if other is None else other)
        if hour >= PEAK_HOUR:
            value = here + (cool - 4 - here) * (hour - PEAK_HOUR) / 8
        elif hour < 5:
            value = cool - 4 - 4 * (hour + 1) / 6
        else:
            value = cool - 8 + (here - cool + 8) * (hour - 5) / 10
        return round(min(value, here - 0.1), 1)

    return at


@lru_cache(maxsize=100_000)
def _local(instant: datetime, zone: ZoneInfo) -> tuple[date, int]:
    local = instant.astimezone(zone)
    return local.date(), local.hour


def _block_high(values: list[float | None]) -> float | None:
    """As the service does: hours missing at the end make the day null, others are passed over."""
    tail: list[float] = []
    for value in reversed(values):
        if value is None:
            break
        tail.append(value)
    return max(tail, default=None)


def _break(items: list[dict[str, Any]], fault: str) -> None:
    """Spoil the last place's part (of one place: the only one)."""
    item = items[-1]
    section = "hourly" if "hourly" in item else "daily"
    if section not in item:
        return
    table, units = item[section], item[f"{section}_units"]
    keys = [key for key in table if key.startswith("temperature")]
    if fault == "fahrenheit":
        for key in keys:
            units[key] = "°F"
            table[key] = [None if v is None else round(v * 1.8 + 32, 1) for v in table[key]]
    elif fault == "no-units":
        del item[f"{section}_units"]
    elif fault == "missing-variable":
        for key in keys:
            del table[key], units[key]
    elif fault == "short-array":
        table[keys[-1]] = table[keys[-1]][:-1]
    elif fault == "swapped" and len(items) > 1:
        items[0], items[-1] = items[-1], items[0]
    elif fault == "text-value":
        table[keys[0]][1] = "21.5"
    elif fault == "all-null":
        for key in keys:
            table[key] = [None] * len(table[key])
    elif fault == "repeated-dates":
        table["time"][3] = table["time"][2]
    elif fault == "jumping-dates":
        for column in table.values():
            del column[3]
    elif fault == "last-year":
        table["time"] = [
            (datetime.fromisoformat(stamp) - timedelta(days=364)).isoformat(timespec="minutes")[
                : len(stamp)
            ]
            for stamp in table["time"]
        ]
    elif fault == "wrong-offset":
        item["utc_offset_seconds"] += 5 * 3600
    elif fault == "elsewhere":
        item["latitude"] += 5
    elif fault == "next-turn":
        item["longitude"] += 360


@lru_cache(maxsize=1)
def _bomb() -> bytes:
    packer = zlib.compressobj(1, zlib.DEFLATED, 31)
    blanks = b" " * 2**20
    return b"".join([*(packer.compress(blanks) for _ in range(300)), packer.flush()])


def _numbers(query: dict[str, str], key: str) -> list[float]:
    try:
        return [float(part) for part in query.get(key, "").split(",") if part]
    except ValueError as error:
        raise BadParametersError(f"Value of type 'Float' required for key '{key}'.") from error


class _Listener(ThreadingHTTPServer):
    daemon_threads = True
    # Threads that hang on purpose must not hold up the end of a test.
    block_on_close = False
    weather: WeatherServer

    def __init__(self, *args: Any) -> None:
        self._open: set[socket.socket] = set()
        super().__init__(*args)

    def process_request(self, request: Any, client_address: Any) -> None:
        self._open.add(request)
        super().process_request(request, client_address)

    def shutdown_request(self, request: Any) -> None:
        self._open.discard(request)
        super().shutdown_request(request)

    def close_connections(self) -> None:
        for one in list(self._open):
            with contextlib.suppress(OSError):
                one.shutdown(socket.SHUT_RDWR)
            one.close()

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A client that hangs up is what many of these tests are about."""


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    server: _Listener
    _mark = ""

    def log_message(self, format: str, *args: Any) -> None:
        pass

    def do_GET(self) -> None:
        weather = self.server.weather
        parts = urlsplit(self.path)
        query = {key: ",".join(values) for key, values in parse_qs(parts.query).items()}
        if parts.path == "/control/counts":
            self._json(200, weather.counts())
            return
        if parts.path == "/control/fail":
            weather.fail(query["path"], query["fault"])
            self._json(200, {})
            return
        if parts.path.startswith("/data/"):
            model = parts.path.removeprefix("/data/").removesuffix("/static/meta.json")
            weather.runs_asked[model] += 1
            if model in weather.runs:
                self._json(200, weather.runs[model])
            else:
                self._json(404, {"error": True, "reason": "Not Found"})
            return
        weather.count(parts.path, query, dict(self.headers))
        if len(self.path) > 8000:
            self._send(414, "text/html", b"<html><h1>414 Request-URI Too Large</h1></html>")
            return
        if parts.path not in PATHS:
            self._json(404, {"error": True, "reason": "Not Found"})
            return
        fault = weather.next_fault(parts.path)
        if self._without_answer(fault):
            return
        try:
            body = json.dumps(weather.answer(parts.path, query, fault), ensure_ascii=False).encode()
        except BadParametersError as error:
            self._json(400, {"reason": str(error), "error": True})
            return
        if fault == "nan":
            body = (
                b'{"latitude":nan,"longitude":nan,"generationtime_ms":0.02,'
                b'"utc_offset_seconds":0,"timezone":"GMT","timezone_abbreviation":"GMT"}'
            )
        elif fault == "cut-json":
            body = body[: len(body) // 2]
        elif fault == "stream-error":
            body = body[: len(body) // 2] + b"Unexpected error while streaming data: timeout"
        elif fault == "byte-order-mark":
            body = b"\xef\xbb\xbf" + body
        elif fault == "latin-1":
            body = body.decode().encode("latin-1")
        if weather.marks:
            tag = f'"{hashlib.sha256(body).hexdigest()[:16]}"'
            if self.headers.get("If-None-Match") == tag:
                self.send_response(304)
                self.end_headers()
                return
            self._mark = tag
        self._send(200, "application/json; charset=utf-8", body, short=fault == "truncated")

    def _without_answer(self, fault: str) -> bool:
        """Play the faults that never get as far as the weather; whether this was one."""
        name, _, rest = fault.partition(":")
        stopping = self.server.weather.stopping
        if name in LIMIT_WORDS:
            self._json(429, {"error": True, "reason": LIMIT_WORDS[name]})
        elif name == "status":
            status, _, reason = rest.partition(":")
            words = reason or "The service is overloaded"
            self._json(int(status), {"error": True, "reason": words})
        elif name == "error-200":
            self._json(200, {"error": True, "reason": "something failed"})
        elif name == "html":
            self._send(200, "text/html", b"<!doctype html><title>Welcome</title>")
        elif name == "nginx":
            self._send(502, "text/html", b"<html><h1>502 Bad Gateway</h1></html>")
        elif name == "retry-after":
            self.send_response(429)
            self.send_header("Retry-After", rest)
            self.send_header("Content-Length", "0")
            self.end_headers()
        elif name == "encoding":
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Encoding", rest)
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"{}")
        elif name in ("many-headers", "long-header"):
            self._headers_without_end(b"X: y\r\n" if name == "many-headers" else b"X" * 5)
        elif name == "redirect":
            self.send_response(302)
            self.send_header("Location", rest)
            self.send_header("Content-Length", "0")
            self.end_headers()
        elif name == "close":
            self.close_connection = True
            self.connection.shutdown(socket.SHUT_RDWR)
        elif name == "hang":
            stopping.wait(30)
            self.close_connection = True
        elif name == "drip-headers":
            self._drip(b"HTTP/1.1 200 OK\r\nX-Slow: ")
        elif name == "drip":
            self._drip(
                b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"
                b"Content-Length: 1000000\r\n\r\n{"
            )
        elif name == "endless":
            self._start_chunks()
            piece = b" " * 65536
            while not stopping.is_set():
                self.wfile.write(b"%x\r\n%s\r\n" % (len(piece), piece))
        elif name == "gzip-bomb":
            body = _bomb()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Encoding", "gzip")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)
        else:
            return False
        return True

    def _drip(self, head: bytes) -> None:
        self.close_connection = True
        self.wfile.write(head)
        while not self.server.weather.stopping.is_set():
            time.sleep(0.05)
            self.wfile.write(b" ")

    def _headers_without_end(self, piece: bytes) -> None:
        self.close_connection = True
        self.wfile.write(b"HTTP/1.1 200 OK\r\n")
        while not self.server.weather.stopping.is_set():
            self.wfile.write(piece * 1000)

    def _start_chunks(self) -> None:
        self.close_connection = True
        self.send_response(200)
        self.send_header("Content-Type", "application/json")
        self.send_header("Transfer-Encoding", "chunked")
        self.end_headers()

    def _json(self, status: int, found: Any) -> None:
        self._send(status, "application/json; charset=utf-8", json.dumps(found).encode())

    def _send(self, status: int, kind: str, body: bytes, *, short: bool = False) -> None:
        packed = "gzip" in self.headers.get("Accept-Encoding", "") and len(body) > 500
        if packed:
            body = gzip.compress(body, compresslevel=1)
        self.send_response(status)
        self.send_header("Content-Type", kind)
        if packed:
            self.send_header("Content-Encoding", "gzip")
        self.send_header("Content-Length", str(len(body)))
        if self._mark:
            self.send_header("ETag", self._mark)
            self._mark = ""
        self.end_headers()
        if short:
            self.close_connection = True
            body = body[: len(body) // 2]
        self.wfile.write(body)


def _from_script(script: Mapping[str, Any], port: int) -> WeatherServer:
    places = {}
    for entry in script.get("places", []):
        fields = dict(entry)
        key = (fields.pop("latitude"), fields.pop("longitude"))
        if "first_day" in fields:
            fields["first_day"] = date.fromisoformat(fields["first_day"])
        places[key] = Place(**fields)
    server = WeatherServer(
        places,
        now=datetime.fromisoformat(script["now"]) if "now" in script else None,
        default=Place(**script["default"]) if "default" in script else None,
        port=port,
    )
    for path, faults in script.get("faults", {}).items():
        server.fail(path, *faults)
    return server


def main() -> None:
    parser = argparse.ArgumentParser(description="A weather service on loopback, for tests.")
    parser.add_argument("--port", type=int, default=0)
    parser.add_argument("--script", type=Path)
    parser.add_argument("--lifetime-s", type=float, default=600.0)
    options = parser.parse_args()
    script = json.loads(options.script.read_text("utf-8")) if options.script else {}
    with _from_script(script, options.port) as server:
        print(server.url, flush=True)
        # Until it is ended; a test that forgets to leaves nothing behind for long.
        with contextlib.suppress(KeyboardInterrupt):
            server.stopping.wait(options.lifetime_s)


if __name__ == "__main__":
    main()
