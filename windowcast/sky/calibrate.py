"""Past errors turn raw forecasts into scenarios whose counts can be trusted as chances.

One engine serves the morning and the verification. Everything is a departure from the yard's
climate in units of its spread. The observed course of the coming days and all that is known on the
issue day are taken as jointly normal; conditioning on what is known gives the expected course and
the covariance of what may still happen, and whole residual vectors carry persistence from day to
day. Source of the idea: the observation equation of Kalman 1960; covariances shrunk as with an
inverse-Wishart prior (Chen 1979); ensemble copula coupling, Schefzik, Thorarinsdottir and Gneiting
2013; conditioning a past trace by its misfit, Matheron (in Journel 1974).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from windowcast.sky.climate import Climate, Days, Floats, year_angle

Bools = NDArray[np.bool_]
MONTH_DAYS = 30
FEWEST_MONTH_DAYS = 8
# One independent case for each 3.5 consecutive mornings: (1 + r) / (1 - r) for lag-one correlation
# r = 0.55 of daily high anomalies and of long-lead errors.
MORNINGS_A_CASE = 3.5
# Weight of the structured covariance, in independent cases. Over synthetic archives of nine
# climates the Brier score is flat within its error from 80 to 3000; 20 and 50 are worse.
PRIOR_CASES = 150.0
# Season weights are a bell of this width; 35 to 90 days score alike.
SEASON_WIDTH_DAYS = 70.0
SEASON_COUNT = 24
PERSISTENCE = 0.63
SLOW_SHARE = 0.08
SLOW_MEMORY = 0.97

# Built in, lead 0..14 days: weather notes, "Skill against climatology", Alexandria July-October
# (anomaly correlation and slope of observed on forecast anomaly, one provider, three seasons; lead
# 0 carried from lead 1). Order of magnitude only.
_CORRELATION = np.array(
    [0.88, 0.87, 0.86, 0.80, 0.76, 0.64, 0.57, 0.48, 0.39, 0.22, 0.07, 0.02, 0.01, 0.01, 0.01]
)
_SLOPE = np.array(
    [0.72, 0.71, 0.69, 0.66, 0.62, 0.53, 0.51, 0.41, 0.32, 0.17, 0.06, 0.02, 0.01, 0.01, 0.01]
)
# Correlation of the error with that of the next days ahead (1, 2, 3 on), by lead: weather notes,
# error correlation matrix at Alexandria, smoothed; further apart it is 0.06.
_NEXT_1 = np.interp(np.arange(15), [0, 1, 4, 7, 10, 14], [0.24, 0.27, 0.34, 0.40, 0.54, 0.57])
_NEXT_2 = np.interp(np.arange(15), [0, 8, 9, 10, 14], [0.18, 0.15, 0.17, 0.26, 0.28])
_NEXT_3 = np.interp(np.arange(15), [0, 14], [0.10, 0.10])


def persistence(gap_days: Floats, next_day: float = PERSISTENCE) -> Floats:
    """Correlation of two observed anomalies gap_days apart: quick weather and a slow background."""
    gap = np.abs(np.asarray(gap_days, np.float64))
    value: Floats = (1 - SLOW_SHARE) * next_day**gap + SLOW_SHARE * SLOW_MEMORY**gap
    return value


def _noise_correlation(leads: NDArray[np.int64]) -> Floats:
    n = len(leads)
    near = np.minimum(leads, 14)
    matrix = np.full((n, n), 0.06)
    for step, table in ((3, _NEXT_3), (2, _NEXT_2), (1, _NEXT_1)):
        for i in range(n - step):
            matrix[i, i + step] = matrix[i + step, i] = table[near[i]]
    np.fill_diagonal(matrix, 1.0)
    values, vectors = np.linalg.eigh(matrix)
    matrix = (vectors * np.maximum(values, 0.02)) @ vectors.T
    scale = np.sqrt(np.diag(matrix))
    correlation: Floats = matrix / np.outer(scale, scale)
    return correlation


@dataclass(frozen=True, slots=True, kw_only=True)
class Switches:
    """Which steps are taken. calibrate=False leaves the input untouched, whatever else is set.

    regress:  move the expected course towards climate, by days ahead and season
    spread:   correct the spread of an ensemble by days ahead
    recent:   use the last observed days and the previous issue
    tail:     go on past the ensemble with past years
    extended: let the extended range move the tail, by its skill
    """

    calibrate: bool = True
    regress: bool = True
    spread: bool = True
    recent: bool = True
    tail: bool = True
    extended: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorStatistics:
    """What past forecasts say about the next one, in units of the climate's spread.

    leads:        (n,) days ahead of the issue day, consecutive
    season_angle: (s,) centres of the seasons, radians from 1 January
    mean:         (s, 3n + 1) mean of [yesterday, last 30 days, previous issue (n - 1),
                  forecast (n), observed (n)]
    covariance:   (s, 3n + 1, 3n + 1) of the same
    cases:        (s,) independent cases learned from, 0 for built-in values
    residual:     (m, n) whitened whole residual vectors, or None for normal ones
    residual_angle: (m,) time of year of each
    spread_ratio: (n,) factor that an ensemble's deviations about the regressed course need;
                  1 leaves them
    """

    leads: NDArray[np.int64]
    season_angle: Floats
    mean: Floats
    covariance: Floats
    cases: Floats
    residual: Floats | None
    residual_angle: Floats | None
    spread_ratio: Floats

    def season(self, angle: float) -> int:
        """Row of the season nearest to a time of year."""
        return int(np.argmax(np.cos(self.season_angle - angle)))

    def bias(self, angle: float) -> Floats:
        """(n,) mean of forecast minus observed, in units of the climate's spread."""
        n, row = len(self.leads), self.season(angle)
        value: Floats = self.mean[row, -2 * n : -n] - self.mean[row, -n:]
        return value

    def slope(self, angle: float) -> Floats:
        """(n,) slope of the observed on the forecast anomaly, each lead by itself."""
        n, row = len(self.leads), self.season(angle)
        c = self.covariance[row]
        value: Floats = np.diag(c[-n:, -2 * n : -n]) / np.diag(c[-2 * n : -n, -2 * n : -n])
        return value

    def _residual(self, angle: float) -> Floats:
        n, row = len(self.leads), self.season(angle)
        c, s = self.covariance[row], self.slope(angle)
        cross = s[:, None] * c[-2 * n : -n, -n:]
        value: Floats = c[-n:, -n:] - cross - cross.T + np.outer(s, s) * c[-2 * n : -n, -2 * n : -n]
        return value

    def residual_spread(self, angle: float) -> Floats:
        """(n,) standard deviation left after each lead's own regression, without unit."""
        value: Floats = np.sqrt(np.diag(self._residual(angle)))
        return value

    def residual_correlation(self, angle: float) -> Floats:
        """(n, n) correlation of those residuals between days ahead."""
        c = self._residual(angle)
        scale = np.sqrt(np.diag(c))
        value: Floats = c / np.outer(scale, scale)
        return value


def _structured(
    gain: Floats,
    noise: Floats,
    variance: float,
    next_day: float,
    leads: NDArray[np.int64],
    again: float,
) -> Floats:
    """Covariance of [yesterday, month, previous, forecast, observed] if forecast = gain * observed
    + noise. noise: (n,) variances. again: correlation of the noise of consecutive issues."""
    n = len(leads)
    size = 3 * n + 1
    previous, forecast, observed = slice(2, n + 1), slice(n + 1, 2 * n + 1), slice(2 * n + 1, size)
    ahead = leads.astype(np.float64)
    past = np.arange(1.0, MONTH_DAYS + 1)
    c = variance * persistence(ahead[:, None] - ahead, next_day)
    yesterday = variance * persistence(ahead + 1, next_day)
    month = variance * persistence(ahead[:, None] + past, next_day).mean(axis=1)
    r = _noise_correlation(leads)
    sd = np.sqrt(noise)
    t = np.zeros((size, size))
    t[observed, observed] = c
    t[forecast, observed] = gain[:, None] * c
    t[forecast, forecast] = np.outer(gain, gain) * c + np.outer(sd, sd) * r
    later, later_sd = gain[1:], sd[1:]
    t[previous, observed] = later[:, None] * c[:-1]
    t[previous, previous] = (
        np.outer(later, later) * c[:-1, :-1] + np.outer(later_sd, later_sd) * r[1:, 1:]
    )
    shared = again * 0.5 * (r[1:, :] + r[:-1, :])
    t[previous, forecast] = np.outer(later, gain) * c[:-1] + np.outer(later_sd, sd) * shared
    t[0, 0] = variance
    t[1, 1] = variance * persistence(past[:, None] - past, next_day).mean()
    t[0, 1] = variance * persistence(past - 1, next_day).mean()
    for row, cross in ((0, yesterday), (1, month)):
        t[row, observed] = cross
        t[row, forecast] = gain * cross
        t[row, previous] = later * cross[:-1]
    # Blocks above were written on one side only: take each pair from the side that was filled.
    full = np.where(np.abs(t) >= np.abs(t.T), t, t.T)
    full = np.triu(full) + np.triu(full, 1).T
    # The shared noise of two issues is a plausible guess, not a true product: keep it a covariance.
    values, vectors = np.linalg.eigh(full)
    positive: Floats = (vectors * np.maximum(values, 1e-3)) @ vectors.T
    return positive


def built_in(
    leads: Sequence[int] | NDArray[np.int64], *, ensemble: bool = False
) -> ErrorStatistics:
    """Error statistics before a yard has a record.

    Correlation, slope and error correlation by days ahead of the weather notes (one provider of
    single-value forecasts, Alexandria July-October, three seasons): an order of magnitude. An
    ensemble's mean is smooth and is taken with slope 1; its raw spread is widened by 1 / 0.51 one
    day ahead and 1 / 0.68 two days ahead (the notes' Magdeburg figures), falling to none on day 7.
    No bias is assumed: its sign differs between providers. Beyond 14 days: as on day 14.
    """
    ahead = np.asarray(leads, np.int64)
    near = np.minimum(ahead, 14)
    r = _CORRELATION[near]
    size = np.ones_like(r) * r if ensemble else np.minimum(r / _SLOPE[near], 1.6)
    gain = size * r
    noise = np.maximum(size**2 * (1 - r**2), 1e-4)
    covariance = _structured(gain, noise, 1.0, PERSISTENCE, ahead, 0.4)
    ratio = np.interp(ahead, [0, 1, 2, 7], [2.0, 1.96, 1.47, 1.0])
    return ErrorStatistics(
        leads=ahead,
        season_angle=np.zeros(1),
        mean=np.zeros((1, 3 * len(ahead) + 1)),
        covariance=covariance[None],
        cases=np.zeros(1),
        residual=None,
        residual_angle=None,
        spread_ratio=ratio if ensemble else np.ones(len(ahead)),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """Forecasts and observed highs of one yard, day by day.

    first_day:   first calendar day of both arrays
    observed_c:  (d,) observed highs, °C, NaN where missing
    forecast_c:  (d, n) highs forecast on each day for `leads` days ahead (an ensemble's mean, or a
                 single forecast), °C, NaN where missing
    leads:       (n,) days ahead, consecutive, 0 or more
    spread_k:    (d, n) the ensemble's own standard deviation, K, or None
    """

    first_day: np.datetime64
    observed_c: Floats
    forecast_c: Floats
    leads: NDArray[np.int64]
    spread_k: Floats | None = None

    @property
    def days(self) -> Days:
        days: Days = self.first_day.astype("datetime64[D]") + np.arange(len(self.observed_c))
        return days


@dataclass(frozen=True, slots=True, kw_only=True)
class Cases:
    """A record as departures: known (d, 2n + 1) and observed (d, n) as in ErrorStatistics."""

    days: Days
    known: Floats
    observed: Floats
    whole: Bools
    spread: Floats | None


def cases_of(record: Record, climate: Climate) -> Cases:
    """All that is known on each issue day, and what came; only days before the issue day are
    looked at among the observed highs, so nothing leaks from the day itself."""
    days = record.days
    count, n = record.forecast_c.shape
    z = climate.standardised(days, record.observed_c)
    index = np.arange(count)[:, None] + record.leads
    # Each day's climate once, though every day is forecast on n mornings.
    every = record.first_day.astype("datetime64[D]") + np.arange(count + int(record.leads[-1]))
    mean, spread = climate.mean_c(every)[index], climate.spread_k(every)[index]
    forecast = (record.forecast_c - mean) / spread
    observed = np.where(index < count, z[np.minimum(index, count - 1)], np.nan)
    known = np.full((count, 2 * n + 1), np.nan)
    known[1:, 0] = z[:-1]
    filled = np.concatenate([[0.0], np.cumsum(np.nan_to_num(z))])
    number = np.concatenate([[0], np.cumsum(np.isfinite(z))])
    low = np.maximum(np.arange(count) - MONTH_DAYS, 0)
    seen = number[:count] - number[low]
    with np.errstate(invalid="ignore", divide="ignore"):
        month = (filled[:count] - filled[low]) / seen
    known[:, 1] = np.where(seen >= FEWEST_MONTH_DAYS, month, np.nan)
    if n > 1:
        known[1:, 2 : n + 1] = (record.forecast_c[:-1, 1:] - mean[1:, :-1]) / spread[1:, :-1]
    known[:, n + 1 :] = forecast
    whole: Bools = np.isfinite(np.hstack([forecast, observed])).all(axis=1)
    ratio = None if record.spread_k is None else record.spread_k / spread
    return Cases(days=days, known=known, observed=observed, whole=whole, spread=ratio)


def learn(
    cases: Sequence[Cases],
    prior: ErrorStatistics,
    *,
    use: Sequence[Bools] | None = None,
    yard_weights: Sequence[float] | None = None,
    season_angle: Floats | None = None,
) -> ErrorStatistics:
    """Error statistics of a record, shrunk twice: a few numbers by days ahead towards `prior`, then
    the whole covariance towards the one those few numbers imply.

    cases:        one entry a yard, the yard itself first
    use:          (d,) for each yard, which issue days may be learned from (all, if not given)
    yard_weights: how much a case of each yard counts; 1 for the yard itself, less for others
    season_angle: (s,) centres wanted, radians; 24 evenly spaced if not given

    Returns `prior` itself where the record holds fewer than 20 whole cases.
    """
    n = len(prior.leads)
    uses = [np.ones(len(c.days), bool) for c in cases] if use is None else list(use)
    weights = [1.0] * len(cases) if yard_weights is None else list(yard_weights)
    rows = [c.whole & u for c, u in zip(cases, uses, strict=True)]
    if sum(int(r.sum()) for r in rows) < 20:
        return prior
    v = np.concatenate(
        [np.hstack([c.known[r], c.observed[r]]) for c, r in zip(cases, rows, strict=True)]
    )
    angle = year_angle(np.concatenate([c.days[r] for c, r in zip(cases, rows, strict=True)]))
    yard = np.concatenate([np.full(r.sum(), w) for r, w in zip(rows, weights, strict=True)])
    # A missing extra predictor stands at its mean; it is rare and costs a little of its weight.
    v = np.nan_to_num(v)
    centres = np.arange(SEASON_COUNT) * 2 * np.pi / SEASON_COUNT
    centres = centres if season_angle is None else np.asarray(season_angle, np.float64)
    size = v.shape[1]
    means, covariances = np.empty((len(centres), size)), np.empty((len(centres), size, size))
    cases_known = np.empty(len(centres))
    for s, centre in enumerate(centres):
        gap = (np.mod(angle - centre + np.pi, 2 * np.pi) - np.pi) * 365.25 / (2 * np.pi)
        bell = np.exp(-0.5 * (gap / SEASON_WIDTH_DAYS) ** 2)
        weight = yard * bell
        # Against the bell alone: a yard that has only other yards to learn from learns less.
        effective = float(weight.sum() / max(bell.max(), 1e-12)) / MORNINGS_A_CASE
        effective = min(effective, float(weight.sum() ** 2 / (weight**2).sum()) / MORNINGS_A_CASE)
        share = weight / weight.sum()
        row = prior.season(float(centre))
        base_mean, base = prior.mean[row], prior.covariance[row]
        keep = effective / (effective + 10.0)
        mean = keep * (share @ v) + (1 - keep) * base_mean
        departure = v - mean
        sample = (departure * share[:, None]).T @ departure
        structured = _fitted_structure(sample, base, effective, prior.leads)
        covariances[s] = (PRIOR_CASES * structured + effective * sample) / (PRIOR_CASES + effective)
        means[s], cases_known[s] = mean, effective
    learned = replace(
        prior, season_angle=centres, mean=means, covariance=covariances, cases=cases_known
    )
    nearest = np.argmax(np.cos(centres[:, None] - angle), axis=0)
    residual, left_variance = np.empty((len(v), n)), np.zeros(n)
    for s in np.unique(nearest):
        here = nearest == s
        slope, left = _condition(covariances[s], n, np.ones(2 * n + 1, bool))
        course = v[here, -n:] - means[s, -n:] - (v[here, :-n] - means[s, :-n]) @ slope.T
        left_variance += here.sum() * np.diag(left)
        residual[here] = np.linalg.solve(np.linalg.cholesky(left), course.T).T
    # Whole vectors keep their shape (skew, long tails); their first two moments come from the
    # covariance, so the pool itself is brought to mean 0 and unit covariance.
    residual -= residual.mean(axis=0)
    if len(residual) >= 10 * n:
        residual = np.linalg.solve(np.linalg.cholesky(np.cov(residual.T)), residual.T).T
        learned = replace(learned, residual=residual, residual_angle=angle)
    spreads = [c.spread[r] for c, r in zip(cases, rows, strict=True) if c.spread is not None]
    if len(spreads) == len(cases):
        raw = np.sqrt(np.mean(np.concatenate(spreads) ** 2, axis=0))
        # Members are spread about the regressed course, so what is left after it is what they need;
        # that is shrunk already, and their own spread is known after a few mornings.
        needed = np.sqrt(left_variance / len(v)) / np.maximum(raw, 1e-6)
        learned = replace(learned, spread_ratio=needed)
    return learned


def _fitted_structure(
    sample: Floats, base: Floats, effective: float, leads: NDArray[np.int64]
) -> Floats:
    """The structured covariance whose few numbers are fitted to the sample, each shrunk to the
    prior's with the weight of 20 independent cases."""
    n = len(leads)
    keep = effective / (effective + 20.0)
    mixed = keep * sample + (1 - keep) * base
    observed, forecast = mixed[-n:, -n:], mixed[-2 * n : -n, -2 * n : -n]
    cross = np.diag(mixed[-n:, -2 * n : -n])
    variance = float(np.mean(np.diag(observed)))
    next_day = PERSISTENCE
    if n > 1:
        lag_one = float(np.mean(np.diag(observed, 1))) / variance
        next_day = float(np.clip((lag_one - SLOW_SHARE * SLOW_MEMORY) / (1 - SLOW_SHARE), 0.2, 0.9))
    gain = np.maximum(cross / variance, 0.0)
    if n > 2:
        padded = np.concatenate([[2 * gain[0] - gain[1]], gain, [2 * gain[-1] - gain[-2]]])
        gain = np.maximum((padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4, 0.0)
    noise = np.maximum(np.diag(forecast) - gain**2 * variance, 1e-4)
    again = 0.0
    if n > 1:
        previous = np.diag(mixed[2 : n + 1, n + 1 : 2 * n])
        shared = (previous - gain[1:] * gain[:-1] * variance) / np.sqrt(noise[1:] * noise[:-1])
        again = float(np.clip(shared.mean(), 0.0, 0.9))
    return _structured(gain, noise, variance, next_day, leads, again)


def _condition(covariance: Floats, n: int, present: Bools) -> tuple[Floats, Floats]:
    """Regression (n, known) and residual covariance (n, n) of the course given what is present."""
    where = np.flatnonzero(present)
    known = covariance[np.ix_(where, where)]
    known = known + 1e-3 * np.diag(np.diag(known))
    cross = covariance[-n:, where]
    slope = np.linalg.solve(known, cross.T).T
    left = covariance[-n:, -n:] - slope @ cross.T
    left = (left + left.T) / 2
    values, vectors = np.linalg.eigh(left)
    positive = (vectors * np.maximum(values, 1e-5)) @ vectors.T
    full = np.zeros((n, len(present)))
    full[:, where] = slope
    return full, positive


def expected_course(
    statistics: ErrorStatistics, angle: float, known: Floats
) -> tuple[Floats, Floats]:
    """Expected standardised course (cases, n), and the covariance (n, n) of what may still happen.

    known: (cases, 2n + 1), NaN where something is not known; what the first case lacks is taken as
    lacking in all, and a gap in a later case stands at its mean.
    """
    n, row = len(statistics.leads), statistics.season(angle)
    present = np.isfinite(known[0])
    slope, left = _condition(statistics.covariance[row], n, present)
    mean = statistics.mean[row]
    departure = np.nan_to_num(known - mean[:-n])
    return mean[-n:] + departure @ slope.T, left


def residual_courses(
    statistics: ErrorStatistics, angle: float, left: Floats, count: int, rng: np.random.Generator
) -> Floats:
    """(count, n) whole residual vectors with covariance `left`: past ones near this time of year
    where the record holds them, drawn with season weights, else normal ones."""
    n = len(left)
    root = np.linalg.cholesky(left)
    if statistics.residual is None or statistics.residual_angle is None:
        white = rng.standard_normal((count, n))
    else:
        gap = np.mod(statistics.residual_angle - angle + np.pi, 2 * np.pi) - np.pi
        weight = np.exp(-0.5 * (gap * 365.25 / (2 * np.pi) / SEASON_WIDTH_DAYS) ** 2)
        pool = statistics.residual
        white = pool[rng.choice(len(pool), count, p=weight / weight.sum())]
        # A little normal noise in proportion fills the gaps between past vectors (smoothed
        # bootstrap, Silverman and Young 1987) and keeps the covariance.
        white = np.sqrt(0.9) * white + np.sqrt(0.1) * rng.standard_normal((count, n))
    courses: Floats = white @ root.T
    return courses


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibrated:
    """high_c: float32 (day, scenario), tenths of a degree. how: one line for the notice."""

    high_c: NDArray[np.float32]
    how: str


def _tenths(high_c: Floats) -> NDArray[np.float32]:
    return (np.round(high_c * 10) / 10).astype(np.float32)


def calibrate(
    high_c: Floats,
    *,
    first_day: np.datetime64,
    issue_day: np.datetime64,
    climate: Climate | None,
    statistics: ErrorStatistics,
    recent_c: Floats | None = None,
    previous_c: Floats | None = None,
    extended_c: Floats | None = None,
    traces: Floats | None = None,
    length_days: int | None = None,
    columns: int | None = None,
    switches: Switches | None = None,
    seed: int = 0,
) -> Calibrated:
    """Scenarios whose shares can be read as chances.

    high_c:      (n, members) raw highs from `first_day`, °C, no gaps; 1 member: a single forecast
    statistics:  for exactly the days ahead of `high_c` (first_day - issue_day on)
    recent_c:    (r,) observed highs of the r days before issue_day, NaN where missing
    previous_c:  (n - 1,) yesterday's issue (mean over members) for first_day on
    extended_c:  (m, members) raw extended range from `first_day`, m > n, or None
    traces:      (length + 0, k) `climate.past_traces` from `first_day`, or None
    length_days: days wanted; n where neither traces nor extended range reach further
    columns:     scenarios wanted, a multiple of members (members, or 510 for a single forecast)

    An ensemble keeps its members' ranks and courses: the mean is regressed, the deviations are
    scaled by days ahead. With more columns than members each copy gives half of its variance to a
    whole residual vector. A single forecast is dressed with whole residual vectors alone.

    Raises ValueError where shapes disagree or a high is missing.
    """
    raw = np.asarray(high_c, np.float64)
    on = switches or Switches()
    n, members = raw.shape
    if not on.calibrate or climate is None:
        why = "as the weather service gives it" if climate is not None else "no climate yet"
        return Calibrated(
            high_c=np.asarray(high_c, np.float32), how=f"Chance: uncorrected ({why})."
        )
    if not np.isfinite(raw).all():
        raise ValueError("a raw high is missing")
    first, issue = first_day.astype("datetime64[D]"), issue_day.astype("datetime64[D]")
    lead = int((first - issue).astype(int))
    if len(statistics.leads) != n or int(statistics.leads[0]) != lead:
        raise ValueError(
            f"statistics for {len(statistics.leads)} days from {int(statistics.leads[0])} ahead, "
            f"but {n} days from {lead} ahead are wanted"
        )
    single = members == 1
    wanted = columns or (510 if single else members)
    if wanted % members:
        raise ValueError(f"{wanted} columns, but a multiple of {members} is wanted")
    rng = np.random.default_rng(seed)
    angle = float(year_angle(np.array([issue]))[0])
    days = first + np.arange(n)
    mean_c, spread_k = climate.mean_c(days), climate.spread_k(days)
    z = (raw - mean_c[:, None]) / spread_k[:, None]
    centre = z.mean(axis=1)
    known = np.full((1, 2 * n + 1), np.nan)
    known[0, n + 1 :] = centre
    if on.recent and recent_c is not None and len(recent_c):
        before = issue - np.arange(len(recent_c), 0, -1)
        past = climate.standardised(before, recent_c)[-MONTH_DAYS:]
        known[0, 0] = past[-1]
        if np.isfinite(past).sum() >= FEWEST_MONTH_DAYS:
            known[0, 1] = np.nanmean(past)
    if on.recent and previous_c is not None and n > 1:
        known[0, 2 : n + 1] = (np.asarray(previous_c) - mean_c[:-1]) / spread_k[:-1]
    course, left = expected_course(statistics, angle, known)
    middle = course[0] if on.regress else centre
    copies = wanted // members
    residual = residual_courses(statistics, angle, left, wanted, rng).T
    if single:
        out = middle[:, None] + residual
    else:
        ratio = statistics.spread_ratio if on.spread else np.ones(n)
        deviation = np.repeat((z - centre[:, None]) * ratio[:, None], copies, axis=1)
        if copies > 1:
            size = deviation.std(axis=1) / np.maximum(np.sqrt(np.diag(left)), 1e-6)
            deviation = np.sqrt(0.5) * deviation + np.sqrt(0.5) * size[:, None] * residual
        out = middle[:, None] + deviation
    parts = ["past errors by days ahead" if statistics.cases.any() else "built-in errors"]
    length = length_days or n
    if length > n and (traces is not None or extended_c is not None):
        tail, names = _tail(
            out, climate, first, n, length, traces, extended_c if on.extended else None, on, rng
        )
        out = np.vstack([out, tail])
        parts += names
    every = first + np.arange(len(out))
    result = climate.mean_c(every)[:, None] + climate.spread_k(every)[:, None] * out
    kind = "one forecast" if single else f"{members} ensemble members"
    return Calibrated(
        high_c=_tenths(result), how=f"Chance: {kind}, corrected with {', '.join(parts)}."
    )


def extended_skill(lead_days: Floats) -> Floats:
    """Weight of the extended range's mean anomaly against climate, by days ahead.

    An estimate of ours: errors near 88 % of saturation on day 11 (published, weather notes) leave
    correlation 0.47 there; it is let fall with a memory of ten days. To be learned from a record.
    """
    value: Floats = 0.47 * np.exp(-(np.asarray(lead_days, np.float64) - 11) / 10)
    return np.minimum(value, 1.0)


def _tail(
    out: Floats,
    climate: Climate,
    first: np.datetime64,
    n: int,
    length: int,
    traces: Floats | None,
    extended_c: Floats | None,
    on: Switches,
    rng: np.random.Generator,
) -> tuple[Floats, list[str]]:
    """(length - n, columns) standardised courses that go on from `out`."""
    shared = min(3, n)
    columns = out.shape[1]
    last = out[-shared:]
    gap = np.arange(-shared + 1.0, 1.0)
    ahead = np.arange(1.0, length - n + 1)
    inner = persistence(gap[:, None] - gap) + 0.05 * np.eye(shared)
    pull = persistence(ahead[:, None] - gap) @ np.linalg.inv(inner)
    names: list[str] = []
    expected = pull @ last.mean(axis=1)
    tail: Floats | None = None
    if on.tail and traces is not None and traces.shape[1] >= 20 and len(traces) >= length:
        # Among the nearest twentieth of past stretches one is drawn, so that a column is followed
        # by what followed the like; the rest of the misfit fades as anomalies do.
        past = traces[n - shared : n]
        distance = ((last[:, :, None] - past[:, None, :]) ** 2).sum(axis=0)
        near = max(5, traces.shape[1] // 20)
        order = np.argpartition(distance, near, axis=1)[:, :near]
        pick = order[np.arange(columns), rng.integers(0, near, columns)]
        tail = traces[n:length, pick] + pull @ (last - past[:, pick])
        names.append("past years beyond")
    if extended_c is not None and len(extended_c) >= length:
        days = first + np.arange(length)
        z = np.asarray(extended_c[:length], np.float64) - climate.mean_c(days)[:, None]
        z = z / climate.spread_k(days)[:, None]
        shift = out.mean() - z[:n].mean()
        centre = z.mean(axis=1) + shift
        weight = extended_skill(n + ahead)
        if tail is None:
            rank = np.argsort(np.argsort(last.mean(axis=0), kind="stable"), kind="stable")
            order = np.argsort(z[n - shared : n].mean(axis=0), kind="stable")
            member = order[(rank * z.shape[1]) // columns]
            tail = expected[:, None] + (z[n:, member] - z[n:].mean(axis=1)[:, None])
        tail = tail + (weight * (centre[n:] - expected))[:, None]
        names.append("the extended range by its skill")
    if tail is None:
        return np.empty((0, columns)), names
    return tail, names
