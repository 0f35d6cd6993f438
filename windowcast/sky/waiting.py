"""What each `min_chance` would have cost in past years: waiting, and windows that failed.

No archive of forecasts reaches as far back as the observed highs do, so the forecasts are made up:
the course that came, shrunk and disturbed as built-in error statistics say, whole vectors at a time
so that errors hang together between days ahead and between mornings. The chances come from those
as `verify` computes them, with the judged year left out of all that is fitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from windowcast.sky.calibrate import ErrorStatistics, built_in
from windowcast.sky.climate import Climate, Days, Floats, Opening, fit_climate, how_often_it_opens
from windowcast.sky.verify_chain import YardArchive, judge_cases

MIN_CHANCES = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95)
# Fewer years than this say little about "one year in ten".
FEWEST_SEASONS = 10
# Mornings judged a season: what thirty years of two regimens allow in some seconds.
MOST_MORNINGS = 80
COLUMNS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Waiting:
    """What waiting for each chance buys and costs, for a start on the morning's own day.

    seasons:      past seasons looked at
    every_days:   days from one judged morning to the next; 1: each morning
    share_could:  share of the seasons in which some start of a judged morning held
    median_could_days: median over those seasons of the days from the season's first start to the
                  first that held; None where there are none
    openings:     one for each chance asked for
    """

    seasons: int
    every_days: int
    share_could: float
    median_could_days: float | None
    openings: tuple[Opening, ...]


def price_of_waiting(
    first_day: np.datetime64,
    high_c: Floats,
    seasons: Sequence[Days],
    *,
    lower_c: Floats,
    upper_c: Floats,
    min_chances: Sequence[float] = MIN_CHANCES,
    seed: int = 0,
) -> Waiting:
    """For each chance: how often and when it opens a start, and how many of those hold.

    high_c:           (d,) observed highs from `first_day`, °C, NaN where missing
    seasons:          the start days of each past season, in order, each with its whole window
                      observed
    lower_c, upper_c: (n,) bounds of each day of the exposure, inside; infinite where none
    """
    high = np.asarray(high_c, np.float64)
    first = first_day.astype("datetime64[D]")
    leads = np.arange(len(lower_c))
    every = max(1, -(-max(len(days) for days in seasons) // MOST_MORNINGS))
    made = np.zeros(len(high), bool)
    judged = np.zeros(len(high), bool)
    season_of: dict[np.datetime64, tuple[int, int]] = {}
    for which, days in enumerate(seasons):
        index = (days - first).astype(int)
        # The morning before the season, so that its first one too has an issue to look back at.
        made[np.maximum(np.append(index, index[0] - 1), 0)] = True
        judged[index[::every]] = True
        season_of.update({day: (which, n) for n, day in enumerate(days)})
    climate = fit_climate(first + np.arange(len(high)), high)
    rng = np.random.default_rng(seed)
    forecast = simulated_forecasts(climate, first, high, made, built_in(leads), rng)
    archive = YardArchive(
        name="",
        first_day=first,
        observed_c=high,
        member_c=forecast[:, :, None],
        leads=leads,
        judged=judged,
    )
    cases = judge_cases([archive], lower_c=lower_c, upper_c=upper_c, columns=COLUMNS, seed=seed)
    places = [season_of[day] for day in cases.issue_day]
    season = np.array([which for which, _ in places])
    day_of_season = np.array([n for _, n in places])
    # Whoever knew the weather beforehand gives each window a chance of 0 or 1.
    (could,) = how_often_it_opens(cases.held, cases.held, season, day_of_season, [1.0])
    openings = how_often_it_opens(
        cases.chances["chance"], cases.held, season, day_of_season, min_chances
    )
    return Waiting(
        seasons=len(np.unique(season)),
        every_days=every,
        share_could=could.share_opened,
        median_could_days=could.median_wait_days,
        openings=tuple(openings),
    )


def simulated_forecasts(
    climate: Climate,
    first_day: np.datetime64,
    high_c: Floats,
    made: NDArray[np.bool_],
    statistics: ErrorStatistics,
    rng: np.random.Generator,
) -> Floats:
    """(d, n) highs that might have been forecast on each day that `made` marks, °C; else NaN.

    high_c: (d,) what came, from `first_day`; a day that is not known is not forecast either

    A forecast departure is the true one times a gain by days ahead, plus an error that is drawn as
    a whole vector, given the error of the morning before for the same days.
    """
    high = np.asarray(high_c, np.float64)
    count, n = len(high), len(statistics.leads)
    gain, start_root, pull, root = _errors(statistics)
    index = np.arange(count)[:, None] + statistics.leads
    truth = np.where(index < count, high[np.minimum(index, count - 1)], np.nan)
    target = first_day + index
    mean_c, spread_k = climate.mean_c(target), climate.spread_k(target)
    forecast = np.full((count, n), np.nan)
    error, last = np.zeros(n), -2
    for day in np.flatnonzero(made):
        white = rng.standard_normal(n)
        follows = day == last + 1 and n > 1
        error = pull @ error[1:] + root @ white if follows else start_root @ white
        last = int(day)
        forecast[day] = error
    forecast = gain * (truth - mean_c) / spread_k + forecast
    rounded: Floats = np.round(mean_c + spread_k * forecast, 1)
    return rounded


def _errors(statistics: ErrorStatistics) -> tuple[Floats, Floats, Floats, Floats]:
    """Gain (n,), a root of the errors' covariance (n, n), and, given the error of the morning
    before for the same days (n - 1), the regression on it (n, n - 1) and a root of what is left."""
    n, c = len(statistics.leads), statistics.covariance[0]
    previous, forecast = slice(2, n + 1), slice(n + 1, 2 * n + 1)
    observed = c[-n:, -n:]
    gain = np.diag(c[forecast, -n:]) / np.diag(observed)
    later = gain[1:]
    error = c[forecast, forecast] - np.outer(gain, gain) * observed
    before = c[previous, previous] - np.outer(later, later) * observed[:-1, :-1]
    both = c[previous, forecast] - np.outer(later, gain) * observed[:-1]
    pull = np.linalg.solve(before, both).T
    return gain, _root(error), pull, _root(error - pull @ both)


def _root(covariance: Floats) -> Floats:
    # Made positive by its eigenvalues, but not taken apart by its eigenvectors: their signs are up
    # to the machine, and so the same seed would draw other weather elsewhere.
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    root: Floats = np.linalg.cholesky((vectors * np.maximum(values, 1e-6)) @ vectors.T)
    return root
