"""A yard's own record: what its fetches said, day by day, beside what its days then came to."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from windowcast.edges.store import MISSING_TENTHS, SOURCES, Store, StoredSeries
from windowcast.trade.yard import Yard

if TYPE_CHECKING:
    from windowcast.sky.calibrate import Record


def site(yard: Yard, provider: str) -> list[Any]:
    """What the service's observed highs must have been noted for to be this yard's.

    Less than a forecast's place: another ensemble does not change what came to pass.
    """
    return [provider, yard.latitude, yard.longitude, yard.elevation_m, yard.timezone]


def record_of(
    store: Store,
    yard: Yard,
    place: Sequence[Any],
    source: str,
    leads: Sequence[int],
    *,
    until: datetime | None = None,
) -> Record | None:
    """The forecasts of each issue day and the observed highs; None without any issue.

    place:   of the forecasts, as `answer.place` gives it; fetches for another one do not count
    source:  "ensemble" or "extended", whose members become their mean and spread; or "forecast"
    leads:   consecutive days ahead, 0 or more
    until:   only issues fetched at or before an instant: a clock that was once wrong must not put
             issues into days to come; None: all

    An issue day is the yard's local date of a fetch; of several fetches on one date the first
    counts, since the later ones know part of the day. The invented weather has no record.
    """
    import numpy as np

    from windowcast.sky.calibrate import Record

    if source not in SOURCES:
        raise ValueError(f"source is {source!r}, but may be one of {', '.join(SOURCES)}")
    ahead = np.asarray(leads, np.int64)
    if len(ahead) == 0 or ahead[0] < 0 or (np.diff(ahead) != 1).any():
        raise ValueError(
            f"leads are {list(leads)}, but must be consecutive days from 0 or later on"
        )
    if place[0] == "sample":
        return None
    issues: dict[date, StoredSeries] = {}
    zone = ZoneInfo(yard.timezone)
    for series in store.fetches(yard.name, source, place=list(place)):
        if until is None or series.fetched_at <= until:
            issues.setdefault(series.fetched_at.astimezone(zone).date(), series)
    if not issues:
        return None
    seen = store.observed(yard.name, place=site(yard, place[0]))
    first = min([*issues, *(one.day for one in seen)])
    count = (max([*issues, *(one.day for one in seen)]) - first).days + 1
    observed_c = np.full(count, np.nan)
    for one in seen:
        observed_c[(one.day - first).days] = one.tenths / 10
    forecast_c = np.full((count, len(ahead)), np.nan)
    spread_k = np.full((count, len(ahead)), np.nan)
    shapes: dict[tuple[int, int], list[tuple[date, StoredSeries]]] = {}
    for issued, series in issues.items():
        shapes.setdefault((series.days, series.scenarios), []).append((issued, series))
    for (days, scenarios), alike in shapes.items():
        # One by one a year of fetches costs ten times as much as all of one shape together.
        packed = np.frombuffer(b"".join(series.tenths for _, series in alike), "<i2")
        packed = packed.reshape(len(alike), days, scenarios)
        whole = (packed != MISSING_TENTHS).all(axis=2)
        mean = np.where(whole, packed.mean(axis=2) / 10, np.nan)
        spread = np.where(whole, packed.std(axis=2) / 10, np.nan)
        offset = np.array([(issued - series.first_day).days for issued, series in alike])
        row = offset[:, None] + ahead
        inside = (row >= 0) & (row < days)
        at = np.array([(issued - first).days for issued, _ in alike])
        pick = (np.arange(len(alike))[:, None], np.clip(row, 0, days - 1))
        forecast_c[at] = np.where(inside, mean[pick], np.nan)
        spread_k[at] = np.where(inside, spread[pick], np.nan)
    return Record(
        first_day=np.datetime64(first, "D"),
        observed_c=observed_c,
        forecast_c=forecast_c,
        leads=ahead,
        spread_k=None if source == "forecast" else spread_k,
    )
