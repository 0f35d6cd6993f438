"""The weather service's answers → arrays of tenths, with no Python object kept for each value.

Only answers of the plain form go this way: what is unusual in any respect is left to
`openmeteo_replies`, which reads it value by value and says what is wrong with it. So both give the
same highs, and this one gives no errors of its own.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from itertools import chain
from operator import methodcaller
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import numpy as np
import orjson
from numpy.typing import NDArray

from windowcast.edges.http import check_document, read_document
from windowcast.edges.openmeteo_replies import (
    UNKNOWN_TO_MOST,
    WORK_BEGINS,
    WORK_ENDS,
    OpenDay,
    checked,
    days_from,
    hours_from,
    keys_of,
)
from windowcast.edges.openmeteo_text import columns_of, cut, tenths_of_text
from windowcast.errors import WeatherUnusable
from windowcast.sky.highs import DailyHighs, Members, from_day
from windowcast.sky.highs_arrays import (
    Floats,
    Tenths,
    complete_members,
    local_highs,
    row,
    tenths_of,
)
from windowcast.sky.scenarios import MISSING

# Stands for null while numbers are read; outside all that is taken for weather, so that a true
# value of that size fares alike.
_NULL = b"1e9"
# So many that they are still at the processor's hand when they are rounded.
_NUMBERS_AT_ONCE = 12_000
_BETWEEN_PLACES = b'},{"latitude":'

EXTRAS = {"precipitation": "mm", "wind_speed_10m": "km/h"}
_MOST_EXTRA = 1000.0
_COMMAS = methodcaller("count", b",")
_NUMBERS = {float, int}


class Plain(NamedTuple):
    """What a place's answer of the plain form holds.

    first:   a date, or the first hour (aware, UTC)
    tenths:  (columns, days or hours), the control member first; at least one value is known
    extras:  rain and wind of the same hours, as they came; those that came as asked
    """

    first: date | datetime
    tenths: Tenths
    extras: dict[str, Floats]


@dataclass(slots=True)
class Part:
    """One place's part of an answer.

    item:   it as an object; of the plain form without its table
    plain:  its table; None: `item` has it, to be read value by value
    """

    item: dict[str, Any]
    plain: Plain | None = None


def reader(section: str, variable: str) -> Callable[[str, str, bytes], list[Part] | Part]:
    """What reads the body of an answer: a list of parts, or for a bare object a part.

    section, variable:  "daily" and "temperature_2m_max", or "hourly" and "temperature_2m"

    The reader raises as `http.read_document`. That each part is an object is not checked.
    """

    def read(host: str, content_type: str, body: bytes) -> list[Part] | Part:
        check_document(host, content_type, body)
        found = _Batch(section, variable).read(body)
        if found is not None:
            return found
        whole = read_document(host, content_type, body)
        return [Part(item) for item in whole] if isinstance(whole, list) else Part(whole)

    return read


class _Batch:
    """One body. Its numbers gather in runs, to be rounded at once."""

    def __init__(self, section: str, variable: str) -> None:
        self._section = section
        self._variable = variable
        self._values = array("d")
        self._waiting: list[tuple[Part, _Kept, bytes]] = []
        self._texts: list[bytes] = []
        self._written: list[_Written] = []
        self._count = 0

    def read(self, body: bytes) -> list[Part] | Part | None:
        """The parts; None where the body as a whole is not of the plain form."""
        body = body.strip()
        parts: list[Part] = []
        try:
            for text in _pieces(body):
                part = Part({})
                if not self._take_text(part, text) and not self._take_numbers(part, text):
                    return None
                parts.append(part)
                if self._count + len(self._values) >= _NUMBERS_AT_ONCE and not self._round():
                    return None
            if not self._round():
                return None
        except orjson.JSONDecodeError:
            return None
        return parts[0] if body[:1] == b"{" else parts

    def _take_text(self, part: Part, text: bytes) -> bool:
        """Whether a part has the form that the service writes; then its numbers are to be read."""
        found = cut(text, self._section)
        columns = found and columns_of(self._variable, found.names, tuple(EXTRAS))
        if not found or not columns:
            return False
        times = _written_times(self._section, found.times[1:17].partition(b'"')[0], found.times)
        if times is None:
            return False
        first, count = times
        temperatures = [found.columns[at] for at in columns.at]
        if set(map(_COMMAS, temperatures)) != {count - 1}:
            return False
        head = orjson.loads(found.head)
        if not isinstance(head, dict) or head.get(self._section) != 0 or "error" in head:
            return False
        units, offset = head.get(f"{self._section}_units"), head.get("utc_offset_seconds")
        if type(offset) is not int or (self._section == "hourly" and offset != 0):
            return False
        if not isinstance(units, dict):
            return False
        if list(map(units.get, columns.keys)).count("°C") != len(columns.keys):
            return False
        extras: dict[str, Floats] = {}
        for name, at in columns.others.items():
            column = found.columns[at].replace(b"null", _NULL)
            values = orjson.loads(b"[%s]" % column)
            if len(values) != count or not _NUMBERS.issuperset(map(type, values)):
                return False
            if units.get(name) == EXTRAS[name]:
                extras[name] = np.array(values, np.float64)
        del head[self._section], head[f"{self._section}_units"]
        part.item = head
        self._texts += temperatures
        self._written.append(
            _Written(part, text, first, self._count, len(temperatures), count, extras)
        )
        self._count += len(temperatures) * count
        return True

    def _take_numbers(self, part: Part, text: bytes) -> bool:
        """Whether a part is an object: its numbers gather, or it keeps its table."""
        item = orjson.loads(text.replace(b",null", b"," + _NULL))
        if not isinstance(item, dict) or "error" in item:
            return False
        taken = self._take(item)
        part.item = orjson.loads(text) if taken is None else item
        if taken is not None:
            self._waiting.append((part, taken, text))
        return True

    def _round(self) -> bool:
        """Make tables of the numbers that have gathered; whether all turned out to be objects."""
        if self._written:
            tenths, wrong = tenths_of_text(b",".join(self._texts) + b",")
            for one in self._written:
                end = one.at + one.columns * one.length
                found = tenths[one.at : end].reshape(one.columns, one.length)
                if not wrong[one.at : end].any() and found.max() != MISSING:
                    one.part.plain = Plain(one.first, found, one.extras)
                elif not self._take_numbers(one.part, one.text):
                    return False
            self._texts, self._written, self._count = [], [], 0
        if self._waiting:
            values = np.frombuffer(self._values)
            tenths = tenths_of(values)
            # To array(), true and false are numbers; only where such numbers came is it worth a
            # look.
            odd = bool(((tenths == 0) | (tenths == 10)).any())
            for part, taken, text in self._waiting:
                if not (odd and (b"true" in text or b"false" in text)):
                    part.plain = _plain(taken, values, tenths)
                if part.plain is None:
                    part.item = orjson.loads(text)
            self._waiting = []
            self._values = array("d")
        return True

    def _take(self, item: dict[str, Any]) -> _Kept | None:
        """The numbers of an item's table, which goes out of it; None where it is not plain."""
        table, units = item.get(self._section), item.get(f"{self._section}_units")
        if not isinstance(table, dict) or not isinstance(units, dict):
            return None
        offset = item.get("utc_offset_seconds")
        if type(offset) is not int or (self._section == "hourly" and offset != 0):
            return None
        stamps = table.get("time")
        first = _first(self._section, stamps)
        keys = _columns_of(self._variable, tuple(table))
        if first is None or not isinstance(stamps, list) or not keys:
            return None
        if list(map(units.get, keys)).count("°C") != len(keys):
            return None
        count = len(stamps)
        extras = [
            name
            for name, unit in EXTRAS.items()
            if units.get(name) == unit and _is_column(table.get(name), count)
        ]
        if not all(_NUMBERS.issuperset(map(type, table[name])) for name in extras):
            return None
        columns = [table[key] for key in (*keys, *extras)]
        if set(map(type, columns)) != {list} or set(map(len, columns)) != {count}:
            return None
        at = len(self._values)
        try:
            self._values.fromlist(list(chain.from_iterable(columns)))
        except (TypeError, OverflowError):
            del self._values[at:]
            return None
        del item[self._section], item[f"{self._section}_units"]
        return _Kept(first, at, len(keys), count, tuple(extras))


class _Kept(NamedTuple):
    """Where a place's numbers are in the run of all, column after column."""

    first: date | datetime
    at: int
    columns: int
    length: int
    extras: tuple[str, ...]


class _Written(NamedTuple):
    """Where a place's numbers are in the run of texts, and what else it needs to be a table."""

    part: Part
    text: bytes
    first: date | datetime
    at: int
    columns: int
    length: int
    extras: dict[str, Floats]


@lru_cache(maxsize=64)
def _written_times(section: str, first: bytes, times: bytes) -> tuple[date | datetime, int] | None:
    """The first of a table's times and how many there are, as the service writes them."""
    count = times.count(b",") + 1
    found = _times_from(section, first.decode("ascii", "replace"), count)
    if found is None or times != b",".join(b'"%s"' % one.encode() for one in found[1]):
        return None
    return found[0], count


def _plain(taken: _Kept, values: Floats, tenths: Tenths) -> Plain | None:
    after = taken.at + taken.columns * taken.length
    found = tenths[taken.at : after].reshape(taken.columns, taken.length)
    if found.max() == MISSING:
        # Nulls alone mean no data; numbers that are no temperatures mean something else.
        return None
    extras = {
        name: values[after + at * taken.length : after + (at + 1) * taken.length]
        for at, name in enumerate(taken.extras)
    }
    return Plain(taken.first, found, extras)


def _pieces(body: bytes) -> Iterator[bytes]:
    """The texts of a list's items, if each turns out to be an object in itself; else the whole.

    That each is one is what makes the cuts right: then their list is the very list that was cut.
    """
    if body[:1] != b"[" or body[-1:] != b"]":
        yield body
        return
    first, last = 1, len(body) - 1
    while (cut := body.find(_BETWEEN_PLACES, first, last)) >= 0:
        yield body[first : cut + 1]
        first = cut + 2
    yield body[first:last]


def _is_column(values: object, count: int) -> bool:
    return type(values) is list and len(values) == count


@lru_cache(maxsize=32)
def _columns_of(variable: str, keys: tuple[str, ...]) -> tuple[str, ...]:
    try:
        return tuple(keys_of(keys, variable))
    except WeatherUnusable:
        return ()


def _first(section: str, stamps: object) -> date | datetime | None:
    """The first of a table's times, where they follow one another as they should."""
    if not isinstance(stamps, list) or not stamps or not isinstance(stamps[0], str):
        return None
    found = _times_from(section, stamps[0], len(stamps))
    return found[0] if found is not None and stamps == found[1] else None


@lru_cache(maxsize=64)
def _times_from(section: str, first: str, count: int) -> tuple[date | datetime, list[str]] | None:
    try:
        if section == "daily":
            day = date.fromisoformat(first)
            return day, list(days_from(day, count))
        hour = datetime.fromisoformat(first)
    except ValueError:
        return None
    if hour.tzinfo is not None or hour.minute or hour.second:
        return None
    return hour.replace(tzinfo=UTC), list(hours_from(hour, count))


def local_columns(plain: Plain, zone: ZoneInfo) -> tuple[datetime, list[DailyHighs]]:
    """Of hours: the first, and the highs of the zone's days, column by column."""
    if not isinstance(plain.first, datetime):
        raise ValueError("days where hours belong")
    first_day, found = local_highs(plain.first, plain.tenths, zone)
    return plain.first, [row(first_day, one) for one in found]


def ensemble(plain: Plain, zone: ZoneInfo, today: date) -> Members:
    """As `openmeteo_replies.ensemble`, from the zone's days on `today` and after."""
    if isinstance(plain.first, datetime):
        first_day, columns = local_highs(plain.first, plain.tenths, zone)
    else:
        first_day, columns = plain.first, plain.tenths
    if len(columns) < 2:
        raise WeatherUnusable("it answers with a single forecast, wanted an ensemble's members")
    whole = DailyHighs(first_day, (None,) * columns.shape[1])
    ahead = from_day(whole, today)
    checked(ahead, whole, today, today + timedelta(days=1))
    skipped = columns.shape[1] - len(ahead.tenths)
    members = complete_members(ahead.first_day, columns[:, skipped:])
    if members is None:
        raise WeatherUnusable(UNKNOWN_TO_MOST)
    return members


def open_days(plain: Plain, zone: ZoneInfo, today: date) -> tuple[date, list[OpenDay]] | None:
    """As `openmeteo_replies.read_open_days`."""
    if not plain.extras or not isinstance(plain.first, datetime):
        return None
    hours, whole = _working_hours(plain.first, plain.tenths.shape[1], zone, today)
    rain, wind = (_sound(plain.extras.get(name), hours) for name in EXTRAS)
    # Row by row, so that hours are added one after another as a loop would.
    fell = None if rain is None else np.add.reduce(rain, axis=0)
    blew = None if wind is None else np.maximum.reduce(wind, axis=0)
    pairs = zip(_tenths(fell, whole), _tenths(blew, whole), strict=True)
    return today, list(map(OpenDay._make, pairs))


def _sound(values: Floats | None, hours: NDArray[np.intp]) -> Floats | None:
    """The values of these hours, NaN for what neither rain nor wind can be."""
    if values is None:
        return None
    chosen = values[hours]
    found: Floats = np.where((chosen >= 0) & (chosen <= _MOST_EXTRA), chosen, np.nan)
    return found


def _tenths(values: Floats | None, known: Sequence[bool]) -> list[float | None]:
    if values is None:
        return [None] * len(known)
    return [
        round(value, 1) if day and value == value else None
        for value, day in zip(values.tolist(), known, strict=True)
    ]


@lru_cache(maxsize=64)
def _working_hours(
    first_hour_utc: datetime, count: int, zone: ZoneInfo, today: date
) -> tuple[NDArray[np.intp], tuple[bool, ...]]:
    """(working hours, days) from `today` on: which hour it is; which days have all of theirs."""
    by_day: dict[date, list[int]] = {}
    for index in range(count):
        local = (first_hour_utc + timedelta(hours=index)).astimezone(zone)
        if local.date() >= today and WORK_BEGINS <= local.hour < WORK_ENDS:
            by_day.setdefault(local.date(), []).append(index)
    of_a_day = WORK_ENDS - WORK_BEGINS
    days = (max(by_day, default=today) - today).days + 1
    found = np.zeros((of_a_day, days), np.intp)
    whole = []
    for ahead in range(days):
        at = by_day.get(today + timedelta(days=ahead), [])
        whole.append(len(at) == of_a_day)
        if whole[-1]:
            found[:, ahead] = at
    return found, tuple(whole)
