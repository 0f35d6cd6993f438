"""`sky.highs` for whole arrays: the very same answers, from many values at once.

A thousand yards bring millions of values, and a Python object for each would cost more than all
that is done with them. Here they stay arrays of int16, MISSING where a value is not known.
"""

from __future__ import annotations

from array import array
from datetime import date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from windowcast.sky import highs
from windowcast.sky.highs import HIGHEST_C, LOWEST_C, DailyHighs, Members
from windowcast.sky.scenarios import MISSING

Floats = NDArray[np.float64]
Tenths = NDArray[np.int16]

# As in `highs.tenths`: values this near a half need the slow, decimal way.
_NEAR_A_HALF = 1e-6
_AT_ONCE = 16384
_NEIGHBOUR_HOURS = 24


def tenths_of(values_c: Floats) -> Tenths:
    """`highs.tenths` of each of (n,) values in °C, MISSING for None."""
    found = np.empty(len(values_c), np.int16)
    # In pieces that the processor keeps at hand.
    for first in range(0, len(values_c), _AT_ONCE):
        found[first : first + _AT_ONCE] = _tenths_of(values_c[first : first + _AT_ONCE])
    return found


def _tenths_of(values_c: Floats) -> Tenths:
    outside = (values_c < LOWEST_C) | (values_c > HIGHEST_C) | (values_c != values_c)
    # What is far outside has no int16; it is put right below.
    with np.errstate(invalid="ignore", over="ignore"):
        scaled = values_c * 10
        nearest = np.rint(scaled)
        found: Tenths = nearest.astype(np.int16)
        halves = np.abs(scaled - nearest) >= 0.5 - _NEAR_A_HALF
    if halves.any():
        for index in np.flatnonzero(halves):
            exact = highs.tenths(float(values_c[index]))
            found[index] = MISSING if exact is None else exact
    found[outside] = MISSING
    return found


def local_highs(first_hour_utc: datetime, hours: Tenths, zone: ZoneInfo) -> tuple[date, Tenths]:
    """`highs.local_days_of_tenths` of each of (columns, hours): the first day, (columns, days).

    first_hour_utc:  aware, UTC; of the first hour, of which there is at least one
    """
    first_day, blocks, starts, cut = _days_of(first_hour_utc, hours.shape[1], zone)
    most = np.maximum.reduceat(hours, starts, axis=1)
    least = np.minimum.reduceat(hours, starts, axis=1)
    # A day all of whose hours are missing stays unknown; one that lacks some needs the rule.
    doubtful = ((least == MISSING) | cut) & (most != MISSING)
    for column in np.flatnonzero(doubtful.any(axis=1)):
        for day in np.flatnonzero(doubtful[column]):
            _, first, end = blocks[day]
            high = _high(hours[column], first, end)
            most[column, day] = MISSING if high is None else high
    return first_day, most


def _high(hours: Tenths, first: int, end: int) -> int | None:
    """`highs.high_with_gaps`, which looks beyond the day only as far as the next known hours."""
    low, high = max(first - _NEIGHBOUR_HOURS, 0), min(end + _NEIGHBOUR_HOURS, len(hours))
    if low and (hours[low:first] == MISSING).all():
        low = 0
    if high < len(hours) and (hours[end:high] == MISSING).all():
        high = len(hours)
    return highs.high_with_gaps(_as_list(hours[low:high]), first - low, end - low)


def _as_list(hours: Tenths) -> list[int | None]:
    return [None if one == MISSING else one for one in hours.tolist()]


@lru_cache(maxsize=64)
def _days_of(
    first_hour_utc: datetime, count: int, zone: ZoneInfo
) -> tuple[date, tuple[tuple[date, int, int], ...], NDArray[np.intp], NDArray[np.bool_]]:
    """First day; the blocks of hours; where each begins; which are not whole within the hours."""
    blocks = highs.blocks_of_days(first_hour_utc, count, zone)
    starts = np.array([min(max(first, 0), count - 1) for _, first, _ in blocks], np.intp)
    cut = np.array([first < 0 or end > count or first >= end for _, first, end in blocks], bool)
    return blocks[0][0], blocks, starts, cut


def row(first_day: date, values: Tenths) -> DailyHighs:
    """One (days,) row as a record."""
    return DailyHighs(first_day, tuple(_as_list(values)))


def complete_members(first_day: date, columns: Tenths) -> Members | None:
    """`highs.complete_members` of (members, days); None if none is left."""
    count, length = columns.shape
    # Nearly always each member knows the same first days and none any of the others.
    whole = columns.min(axis=0) != MISSING
    reach = length if whole.all() else int(whole.argmin())
    if reach and (columns[:, reach:] == MISSING).all():
        return _members(first_day, columns[:, :reach], 0)
    known = columns != MISSING
    needed = count // 2 + 1
    begun = np.flatnonzero(known.sum(axis=0) >= needed)
    if not len(begun):
        return None
    start = int(begun[0])
    holes = ~known[:, start:]
    reaches = start + np.where(holes.any(axis=1), holes.argmax(axis=1), length - start)
    end = int(np.sort(reaches)[count - needed])
    kept = reaches >= end
    chosen = columns[:, start:end] if kept.all() else columns[kept, start:end]
    return _members(first_day + timedelta(days=start), chosen, count - len(chosen))


def _members(first_day: date, columns: Tenths, dropped: int) -> Members:
    count, days = columns.shape
    flat = array("h")
    flat.frombytes(columns.T.tobytes())
    return Members(first_day=first_day, days=days, count=count, tenths=flat, dropped=dropped)
