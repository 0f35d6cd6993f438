"""Daily highs in a yard's own calendar days, and ensembles of them.

A high is a whole number of tenths of a °C; None is "not known" and never a number. A day is a
calendar day of the yard's zone: 23, 24 or 25 hours.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import ROUND_HALF_EVEN, Decimal
from functools import lru_cache
from itertools import pairwise
from typing import NamedTuple
from zoneinfo import ZoneInfo

# Outside the range of anything measured near the ground where bees are kept: a wrong unit or a
# stand-in for "missing" such as -9999, hence unknown rather than clamped.
LOWEST_C = -90.0
HIGHEST_C = 60.0
# Air two metres above ground rarely changes faster from one full hour to the next.
FASTEST_TENTHS_PER_HOUR = 40

_HOUR = timedelta(hours=1)


class DailyHighs(NamedTuple):
    """The highs of consecutive days at one yard.

    first_day:  the first day, in the yard's own calendar
    tenths:     one per day, tenths of a °C; None where the high is not known
    """

    first_day: date
    tenths: tuple[int | None, ...]

    @property
    def last_day(self) -> date:
        """The last day of the series, known or not; the day before `first_day` if it is empty."""
        return self.first_day + timedelta(days=len(self.tenths) - 1)

    def on(self, day: date) -> int | None:
        """The high of one day, tenths of a °C; None if it is not known or not in the series."""
        index = (day - self.first_day).days
        return self.tenths[index] if 0 <= index < len(self.tenths) else None


@dataclass(frozen=True, slots=True)
class Members:
    """The highs of an ensemble's members over the same consecutive days, without holes.

    first_day:  the first day, in the yard's own calendar
    days:       number of days, at least 1
    count:      number of members
    tenths:     (days × count,) day-major, tenths of a °C
    dropped:    members left out because they had a hole within these days
    """

    first_day: date
    days: int
    count: int
    tenths: array[int]
    dropped: int = 0

    def __post_init__(self) -> None:
        if len(self.tenths) != self.days * self.count:
            raise ValueError(
                f"{len(self.tenths)} highs for {self.days} days of {self.count} members"
            )

    @property
    def last_day(self) -> date:
        """The last day that has highs."""
        return self.first_day + timedelta(days=self.days - 1)


def tenths(value_c: float) -> int | None:
    """Whole tenths of a °C, half to even on the decimal as printed: 12.25 is 122, 12.35 is 124.

    None for what cannot be an air temperature: below -90 °C, above 60 °C, NaN.
    """
    if not LOWEST_C <= value_c <= HIGHEST_C:
        return None
    scaled = value_c * 10
    nearest = round(scaled)
    # Binary floats misplace a printed half (12.35 × 10 is a little above or below 123.5), so only
    # values near a half need the slow, decimal way.
    if abs(abs(scaled - nearest) - 0.5) > 1e-6:
        return nearest
    return int(Decimal(repr(value_c)).scaleb(1).to_integral_value(ROUND_HALF_EVEN))


def local_days(
    first_hour_utc: datetime, hourly_c: Sequence[float | None], zone: ZoneInfo
) -> DailyHighs:
    """Highs of the zone's calendar days, from hourly values at full hours of UTC.

    first_hour_utc:  aware; the instant of the first value
    hourly_c:        one value an hour without leaving one out; None where missing

    A day's high is the highest of its hours, those whose instant has its date in the zone. A day is
    known only where its missing hours could not hold the high, taking it that temperature changes
    by at most 4 K an hour: between two known hours of a and b °C, n hours apart, it stays at or
    below (a + b + 4 n) / 2, and k hours beyond the last (or before the first) known hour of all at
    or below that hour's value + 4 k. The day is known if it has a known hour and no such bound of a
    gap that reaches into it is above its highest known hour. The known ends of a gap may lie in the
    neighbouring days. So a day that lacks an hour of the night is known, and the day on which a
    forecast breaks off before its evening normally ends the horizon.
    """
    hours = [None if value is None else tenths(value) for value in hourly_c]
    return local_days_of_tenths(first_hour_utc, hours, zone)


def local_days_of_tenths(
    first_hour_utc: datetime, hours: Sequence[int | None], zone: ZoneInfo
) -> DailyHighs:
    """As `local_days`, from values that already are tenths of a °C."""
    if not hours:
        return DailyHighs(first_hour_utc.astimezone(zone).date(), ())
    blocks = blocks_of_days(first_hour_utc.astimezone(UTC), len(hours), zone)
    found: list[int | None] = []
    for _, first, end in blocks:
        if first < 0 or end > len(hours):
            found.append(high_with_gaps(hours, first, end))
            continue
        values = hours[first:end]
        known = [value for value in values if value is not None]
        if len(known) == len(values) and known:
            found.append(max(known))
        else:
            found.append(high_with_gaps(hours, first, end))
    return DailyHighs(blocks[0][0], tuple(found))


def daily_blocks_are_local_days(
    zone: ZoneInfo, first_day: date, days: int, utc_offset_seconds: int
) -> bool:
    """Whether daily values cut at one fixed offset hold exactly the hours of the zone's days.

    first_day, days:     the days asked about
    utc_offset_seconds:  the offset that the service uses for the whole range

    The service takes 24 hourly values a day, at full hours of UTC, with the offset cut to whole
    hours toward zero. For +9:30 those are the hours of the local day all the same (00:30 to 23:30);
    for -3:30 each block begins at 23:30 of the day before, and after a change of clocks at 23:00 or
    01:00.
    """
    offset = timedelta(hours=int(utc_offset_seconds / 3600))
    for index in range(days):
        day = first_day + timedelta(days=index)
        block = datetime.combine(day, time(), UTC) - offset
        dates = [
            (block + hours * _HOUR).astimezone(zone).date() == day for hours in (-1, 0, 23, 24)
        ]
        if dates != [False, True, True, False]:
            return False
    return True


def from_day(highs: DailyHighs, day: date) -> DailyHighs:
    """The series without the days before `day`; unchanged if it begins on or after it."""
    skipped = max(0, (day - highs.first_day).days)
    if skipped == 0:
        return highs
    return DailyHighs(highs.first_day + timedelta(days=skipped), highs.tenths[skipped:])


def trim(highs: DailyHighs, *, keep_inner: bool = False) -> DailyHighs:
    """The series up to its horizon, which unknown days end; empty if no day is known.

    keep_inner:  cut only the unknown days at the end, and keep those before a known day as None

    Otherwise the series begins with its first known day and ends before the first unknown one.
    """
    values = highs.tenths
    end = len(values)
    if keep_inner:
        while end and values[end - 1] is None:
            end -= 1
        return DailyHighs(highs.first_day, values[:end])
    first = 0
    while first < end and values[first] is None:
        first += 1
    stop = first
    while stop < end and values[stop] is not None:
        stop += 1
    return DailyHighs(highs.first_day + timedelta(days=first), values[first:stop])


def complete_members(first_day: date, columns: Sequence[Sequence[int | None]]) -> Members | None:
    """An ensemble without holes, from one column of daily highs per member; None if none is left.

    first_day:  the day of each column's first value
    columns:    one per member, tenths of a °C, all of one length, None where unknown

    The first day is the first that more than half of the members know; the last is the last that
    more than half of the members reach from there without a hole. Members that do not reach it are
    dropped for all days, so that each column left is one whole course of the weather.
    """
    needed = len(columns) // 2 + 1
    length = min((len(column) for column in columns), default=0)
    start = 0
    while start < length and sum(column[start] is not None for column in columns) < needed:
        start += 1
    if start == length:
        return None
    reaches: list[int] = []
    for column in columns:
        end = start
        while end < length and column[end] is not None:
            end += 1
        reaches.append(end)
    end = sorted(reaches, reverse=True)[needed - 1]
    kept = [column for column, reach in zip(columns, reaches, strict=True) if reach >= end]
    flat = array("h")
    for day in range(start, end):
        for column in kept:
            value = column[day]
            if value is None:  # cannot be: every kept column reaches `end`
                raise ValueError("a kept member has a hole")
            flat.append(value)
    return Members(
        first_day=first_day + timedelta(days=start),
        days=end - start,
        count=len(kept),
        tenths=flat,
        dropped=len(columns) - len(kept),
    )


@lru_cache(maxsize=64)
def blocks_of_days(
    first_hour_utc: datetime, count: int, zone: ZoneInfo
) -> tuple[tuple[date, int, int], ...]:
    """Each local day that the hours touch, as (day, index of its first hour, index after its last).

    The first index may be negative and the last above `count`: hours of the day before or after the
    data. A date that a zone skipped altogether has an empty range.
    """

    def day_of(index: int) -> date:
        return (first_hour_utc + index * _HOUR).astimezone(zone).date()

    first = 0
    while day_of(first - 1) == day_of(0):
        first -= 1
    end = count
    while day_of(end) == day_of(count - 1):
        end += 1
    blocks: list[tuple[date, int, int]] = []
    day = day_of(first)
    start = first
    for index in range(first, end + 1):
        # `>` and not `!=`: an hour that a clock change takes back to the day before stays where
        # the sequence of days has already arrived.
        if index == end or day_of(index) > day:
            blocks.append((day, start, index))
            start = index
            if index < end:
                day += timedelta(days=1)
                while day < day_of(index):
                    blocks.append((day, index, index))
                    day += timedelta(days=1)
    return tuple(blocks)


def high_with_gaps(hours: Sequence[int | None], first: int, end: int) -> int | None:
    """The high of the hours from `first` to before `end`, some of them missing; None if unsure."""
    inside = [
        (index, value)
        for index in range(max(first, 0), min(end, len(hours)))
        if (value := hours[index]) is not None
    ]
    if not inside:
        return None
    high = max(value for _, value in inside)
    known = list(inside)
    if inside[0][0] > first and (before := _nearest_known(hours, first - 1, -1)):
        known.insert(0, before)
    if inside[-1][0] < end - 1 and (after := _nearest_known(hours, end, 1)):
        known.append(after)
    for (left, left_value), (right, right_value) in pairwise(known):
        gap = right - left
        if gap > 1 and left_value + right_value + FASTEST_TENTHS_PER_HOUR * gap > 2 * high:
            return None
    lead = known[0][0] - first
    if lead > 0 and known[0][1] + FASTEST_TENTHS_PER_HOUR * lead > high:
        return None
    tail = end - 1 - known[-1][0]
    if tail > 0 and known[-1][1] + FASTEST_TENTHS_PER_HOUR * tail > high:
        return None
    return high


def _nearest_known(hours: Sequence[int | None], start: int, step: int) -> tuple[int, int] | None:
    """The first known hour from `start` on, in the direction of `step`: its index and value."""
    index = start
    while 0 <= index < len(hours):
        value = hours[index]
        if value is not None:
            return index, value
        index += step
    return None
