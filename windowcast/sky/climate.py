"""A yard's climate: the smooth year, departures from it, and what past years would have allowed.

Days are numpy datetime64[D] in the yard's own calendar. The year is an angle, so 29 February falls
between its neighbours and nothing depends on the hemisphere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Days = NDArray[np.datetime64]

FEWEST_DAYS = 120
FEWEST_FOR_TWO_HARMONICS = 300
FEWEST_FOR_THREE_HARMONICS = 8 * 365
LEAST_SPREAD_K = 0.5


def year_angle(days: Days) -> Floats:
    """Position of each day in its own year, radians, 1 January at 0; leap years have 366."""
    day = np.asarray(days).astype("datetime64[D]")
    year = day.astype("datetime64[Y]")
    first = year.astype("datetime64[D]")
    length = ((year + 1).astype("datetime64[D]") - first).astype(np.float64)
    angle: Floats = 2 * np.pi * (day - first).astype(np.float64) / length
    return angle


def _harmonics(angle: Floats, count: int) -> Floats:
    return _harmonics_of(angle.tobytes(), angle.shape, count)


@lru_cache(maxsize=16)
def _harmonics_of(angle: bytes, shape: tuple[int, ...], count: int) -> Floats:
    # The yards of one morning share their days, and the sines of thirty years of days are most of
    # what a climate costs. The result is shared too, hence not writable.
    angles = np.frombuffer(angle, np.float64).reshape(shape)
    columns = [np.ones_like(angles)]
    for order in range(1, count + 1):
        columns += [np.cos(order * angles), np.sin(order * angles)]
    made = np.stack(columns, axis=-1)
    made.flags.writeable = False
    return made


@dataclass(frozen=True, slots=True, kw_only=True)
class Climate:
    """The smooth year of daily highs at one yard.

    mean_weights:      harmonic weights of the mean, °C
    variance_weights:  harmonic weights of the variance about the mean, K²
    variance_floor_k2: the variance is never taken below this, K²
    days_used:         observed days behind the fit
    years:             days_used / 365.25
    """

    mean_weights: Floats
    variance_weights: Floats
    variance_floor_k2: float
    days_used: int

    @property
    def years(self) -> float:
        return self.days_used / 365.25

    def mean_c(self, days: Days) -> Floats:
        """Smooth mean high of each day, °C; same shape as days."""
        count = (len(self.mean_weights) - 1) // 2
        value: Floats = _harmonics(year_angle(days), count) @ self.mean_weights
        return value

    def spread_k(self, days: Days) -> Floats:
        """Smooth standard deviation of each day's high about its mean, K; same shape as days."""
        count = (len(self.variance_weights) - 1) // 2
        variance = _harmonics(year_angle(days), count) @ self.variance_weights
        spread: Floats = np.sqrt(np.maximum(variance, self.variance_floor_k2))
        return spread

    def anomaly_k(self, days: Days, high_c: Floats) -> Floats:
        """Departure of each high from the smooth mean of its day, K."""
        return np.asarray(high_c, dtype=np.float64) - self.mean_c(days)

    def standardised(self, days: Days, high_c: Floats) -> Floats:
        """Departure of each high in units of its day's spread, without unit."""
        return self.anomaly_k(days, high_c) / self.spread_k(days)


def fit_climate(days: Days, high_c: Floats) -> Climate:
    """The smooth year of a record of daily highs.

    days:    (n,) calendar days, any order, no repeats needed to be adjacent
    high_c:  (n,) °C, NaN where missing; whole years may be missing

    Mean: one harmonic below 300 days, two below eight years of days, three from there on. Spread:
    one harmonic less of the squared departures. No trend: over the 1-40 years at hand a straight
    line is known no better than the years differ, and the two or three years of a forecast archive
    would turn one warm summer into one.

    Raises ValueError with fewer than 120 observed days, because then most of the year is unseen.
    """
    value = np.asarray(high_c, dtype=np.float64)
    seen = np.isfinite(value)
    if seen.sum() < FEWEST_DAYS:
        raise ValueError(f"{int(seen.sum())} observed days, but a climate needs {FEWEST_DAYS}")
    angle, value = year_angle(np.asarray(days)[seen]), value[seen]
    limits = (FEWEST_FOR_TWO_HARMONICS, FEWEST_FOR_THREE_HARMONICS)
    order = 1 + sum(len(value) >= limit for limit in limits)
    basis = _harmonics(angle, order)
    # A whisper of ridge keeps a hole in the year from sending the curve far away.
    ridge = np.diag([0.0] + [1.0] * (basis.shape[1] - 1))
    weights = np.linalg.solve(basis.T @ basis + ridge, basis.T @ value)
    square = (value - basis @ weights) ** 2
    narrow = _harmonics(angle, order - 1)
    variance = np.linalg.lstsq(narrow, square, rcond=None)[0]
    floor = max(0.2 * float(square.mean()), LEAST_SPREAD_K**2)
    return Climate(
        mean_weights=np.asarray(weights, np.float64),
        variance_weights=np.asarray(variance, np.float64),
        variance_floor_k2=floor,
        days_used=len(value),
    )


def _gap_free(days: Days, high_c: Floats) -> tuple[np.datetime64, Floats]:
    """First day, and a value for every day from it to the last, NaN where there is none."""
    day = np.asarray(days).astype("datetime64[D]")
    first = day.min()
    index = (day - first).astype(int)
    dense = np.full(int(index.max()) + 1, np.nan)
    dense[index] = high_c
    return first, dense


def past_traces(
    climate: Climate,
    days: Days,
    high_c: Floats,
    *,
    first_day: np.datetime64,
    length_days: int,
    within_days: int = 7,
) -> Floats:
    """Whole stretches of standardised anomalies of past years, as scenarios.

    Returns trace[day, n]: day 0 is `first_day` moved to each past year and by -within_days to
    +within_days (both inside). A stretch with a missing day is left out, and so is every stretch
    that reaches `first_day` or later: the future is not a past year. Times `climate.spread_k` of
    the coming days plus `climate.mean_c` gives highs. n may be 0.
    """
    start, dense = _gap_free(days, climate.standardised(days, high_c))
    day = first_day.astype("datetime64[D]")
    today_index = int((day - start).astype(int))
    # A day is carried to another year by its angle, so that 29 February has a place in each.
    angle = float(year_angle(np.array([day]))[0])
    first_year = int(str(start)[:4]) - 1
    anchors = []
    for year in range(first_year, int(str(day)[:4])):
        january = np.datetime64(f"{year}-01-01", "D")
        length = int((np.datetime64(f"{year + 1}-01-01", "D") - january).astype(int))
        anchors.append(int((january - start).astype(int)) + round(angle / (2 * np.pi) * length))
    offsets = np.arange(-within_days, within_days + 1)
    starts = (np.array(anchors, dtype=int)[:, None] + offsets).ravel()
    last = min(len(dense), today_index)
    starts = starts[(starts >= 0) & (starts + length_days <= last)]
    traces = dense[starts[None, :] + np.arange(length_days)[:, None]]
    whole: Floats = traces[:, np.isfinite(traces).all(axis=0)]
    return whole


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonView:
    """What past years would have allowed, start day by start day.

    first_days:      (s,) start days of the season, written in the asked-for year
    held:            (years, s) 1 held, 0 failed, NaN where a day of the window is missing
    share_held:      (s,) share of years that held; NaN where no year is known
    years_known:     (s,) how many years that share rests on
    years:           (years,) calendar year of the season's first day
    median_first:    the median over years of the first start that held, years with none counted as
                     later than all; None where that median is "none"
    share_none:      share of years, among those fully known, with no start that held
    """

    first_days: Days
    held: Floats
    share_held: Floats
    years_known: NDArray[np.int64]
    years: NDArray[np.int64]
    median_first: np.datetime64 | None
    share_none: float


def windows_held(high_c: Floats, lower_c: Floats, upper_c: Floats) -> Floats:
    """For each start, whether every day of the window lies inside its bounds, ends inside.

    high_c: (n,) consecutive days, NaN where missing. lower_c, upper_c: (e,) bounds of each day of
    the exposure, infinite where there is none. Returns (n - e + 1,): 1 held, 0 not, NaN where a
    missing day leaves it open; a known day outside settles it whatever else is missing.
    """
    exposure = len(lower_c)
    view = np.lib.stride_tricks.sliding_window_view(np.asarray(high_c, np.float64), exposure)
    with np.errstate(invalid="ignore"):
        outside = ((view < lower_c) | (view > upper_c)).any(axis=1)
    open_ = np.isnan(view).any(axis=1)
    held: Floats = np.where(outside, 0.0, np.where(open_, np.nan, 1.0))
    return held


def season_view(
    days: Days,
    high_c: Floats,
    *,
    lower_c: Floats,
    upper_c: Floats,
    first_day: np.datetime64,
    last_day: np.datetime64,
) -> SeasonView:
    """Share of past years in which a start on each day of the season held.

    first_day, last_day: both inside, at most one year apart; the season may cross the new year.
    The same calendar days of every year in the record are looked at; 29 February counts as the
    day after 28 February.
    """
    start, dense = _gap_free(days, high_c)
    first, last = first_day.astype("datetime64[D]"), last_day.astype("datetime64[D]")
    count = int((last - first).astype(int)) + 1
    if not 1 <= count <= 366:
        raise ValueError(f"season of {count} days, but it must have 1 to 366")
    exposure = len(lower_c)
    month_day = (first - first.astype("datetime64[M]").astype("datetime64[D]")).astype(int)
    month = int(first.astype("datetime64[M]").astype(int) % 12)
    padded = np.concatenate([dense, np.full(exposure + count, np.nan)])
    held_all = windows_held(padded, lower_c, upper_c)
    known = np.isfinite(windows_held(padded, np.full(exposure, -np.inf), np.full(exposure, np.inf)))
    held_all = np.where(known, held_all, np.nan)
    rows, years = [], []
    year0 = int(str(start)[:4])
    for year in range(year0 - 1, year0 + len(dense) // 365 + 2):
        base = (np.datetime64(f"{year}-01", "M") + month).astype("datetime64[D]") + month_day
        index = int((base - start).astype(int)) + np.arange(count)
        inside = (index >= 0) & (index < len(dense))
        if not inside.any():
            continue
        row = np.full(count, np.nan)
        row[inside] = held_all[index[inside]]
        if np.isfinite(row).any():
            rows.append(row)
            years.append(year)
    held = np.array(rows).reshape(-1, count)
    known_years = np.isfinite(held).sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.nansum(held, axis=0) / np.where(known_years == 0, np.nan, known_years)
    full = np.isfinite(held).all(axis=1)
    firsts = np.where((held[full] == 1).any(axis=1), (held[full] == 1).argmax(axis=1), count)
    median_first, share_none = None, float("nan")
    if full.any():
        share_none = float((firsts == count).mean())
        middle = int(np.sort(firsts)[(len(firsts) - 1) // 2])
        median_first = first + middle if middle < count else None
    return SeasonView(
        first_days=first + np.arange(count),
        held=held,
        share_held=share,
        years_known=known_years,
        years=np.array(years, dtype=np.int64),
        median_first=median_first,
        share_none=share_none,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """What waiting for one `min_chance` buys and costs.

    min_chance:      the chance asked for, 0..1, equal counts as reached
    share_opened:    share of seasons in which some day reached it
    median_wait_days: median over the seasons that opened of days from the season's first case;
                     None where none opened
    share_held:      of the first days that reached it, the share that held; None where none opened
    share_of_days:   share of all cases that reached it
    held_of_days:    of all cases that reached it, the share that held; None where none did
    """

    min_chance: float
    share_opened: float
    median_wait_days: float | None
    share_held: float | None
    share_of_days: float
    held_of_days: float | None


def how_often_it_opens(
    chance: Floats,
    held: Floats,
    season: NDArray[np.int64],
    day_of_season: NDArray[np.int64],
    min_chances: Sequence[float],
) -> list[Opening]:
    """For each `min_chance`: how often and when a window opens, and how many of those hold.

    chance, held, season, day_of_season: (n,) one row a (season, morning); held is 0 or 1. The
    person is taken to act on the first day that reaches the chance, once a season.
    """
    if len(chance) == 0:
        raise ValueError("no cases to count")
    answer = []
    seasons = np.unique(season)
    for least in min_chances:
        reached = chance >= least
        waits, outcomes = [], []
        for one in seasons:
            rows = np.flatnonzero((season == one) & reached)
            if len(rows):
                row = rows[np.argmin(day_of_season[rows])]
                waits.append(day_of_season[row] - day_of_season[season == one].min())
                outcomes.append(held[row])
        answer.append(
            Opening(
                min_chance=float(least),
                share_opened=len(waits) / len(seasons),
                median_wait_days=float(np.median(waits)) if waits else None,
                share_held=float(np.mean(outcomes)) if outcomes else None,
                share_of_days=float(reached.mean()),
                held_of_days=float(held[reached].mean()) if reached.any() else None,
            )
        )
    return answer
