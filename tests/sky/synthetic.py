"""Synthetic forecast archives: real observed highs, forecasts with the published error statistics.

Nothing here uses the model under test: forecasts are made by shrinking the true anomaly and adding
noise that is correlated between days ahead, between consecutive issues for one day, and whose size
wanders from week to week. Skill by days ahead follows the Alexandria rows of the weather notes.
"""

from __future__ import annotations

import numpy as np

# Jul-Oct anomaly correlation and regression slope by days ahead, 1..14 (weather notes, Alexandria).
CORRELATION = np.array(
    [0.87, 0.86, 0.80, 0.76, 0.64, 0.57, 0.48, 0.39, 0.22, 0.07, 0.02, 0.01, 0.01, 0.01]
)
SLOPE = np.array(
    [0.71, 0.69, 0.66, 0.62, 0.53, 0.51, 0.41, 0.32, 0.17, 0.05, 0.015, 0.01, 0.01, 0.01]
)
# The same, all year; used for the cold half.
CORRELATION_YEAR = np.array(
    [0.91, 0.89, 0.85, 0.80, 0.75, 0.67, 0.58, 0.51, 0.38, 0.33, 0.24, 0.25, 0.23, 0.16]
)
BIAS_K = np.array([0.0, -0.1, 0.0, 0.0, -0.2, -0.3, -0.3, 0.1, 0.1, -0.9, -0.8, -0.7, -1.1, -1.0])


def smooth_climate(high_c, day_of_year):
    """Long-series mean and spread by three harmonics: the generator's own truth."""
    angle = 2 * np.pi * day_of_year / 365.25
    basis = np.column_stack(
        [np.ones_like(angle)] + [g(k * angle) for k in (1, 2, 3) for g in (np.cos, np.sin)]
    )
    mean = basis @ np.linalg.lstsq(basis, high_c, rcond=None)[0]
    square = (high_c - mean) ** 2
    variance = basis[:, :5] @ np.linalg.lstsq(basis[:, :5], square, rcond=None)[0]
    return mean, np.sqrt(np.maximum(variance, 0.2 * square.mean()))


def forecasts(high_c, mean_c, sd_k, day_of_year, rng, *, leads=14, skill=1.0, modern=False):
    """Forecast highs f[issue, lead - 1] for day issue + lead, from observed highs[day].

    mean_c, sd_k: the generator's own smooth climate on the same days. skill scales the
    correlations; modern = smooth forecasts whose slope is 1. Missing where the record ends.
    """
    n = len(high_c)
    z = (high_c - mean_c) / sd_k
    summer = 0.5 * (1 + np.cos(2 * np.pi * (day_of_year - 240) / 365.25))
    summer_skill = np.clip(CORRELATION[:leads] * skill, 0.0, 0.97)
    year_skill = np.clip(CORRELATION_YEAR[:leads] * skill, 0.0, 0.97)
    size = np.minimum(CORRELATION[:leads] / SLOPE[:leads], 1.6)
    ahead = np.arange(leads)
    white = np.interp(ahead, [0, 8, 11], [0.6, 0.4, 0.05])
    course = np.linalg.cholesky(0.62 ** np.abs(ahead[:, None] - ahead))
    keep = 0.55
    slow = np.convolve(rng.normal(size=n + 90), np.hanning(90), mode="same")[:n]
    slow *= 0.6 / slow.std()
    field = course @ rng.normal(size=leads)
    amplitude = 0.0
    out = np.full((n, leads), np.nan)
    for issue in range(n):
        moved = np.append(field[1:], 0.62 * field[-1] + np.sqrt(1 - 0.62**2) * rng.normal())
        fresh = course @ rng.normal(size=leads)
        field = keep * moved + np.sqrt(1 - keep**2) * fresh
        amplitude = 0.85 * amplitude + np.sqrt(1 - 0.85**2) * 0.25 * rng.normal()
        target = issue + 1 + ahead
        day = np.minimum(target, n - 1)
        noise = np.sqrt(1 - white) * field + np.sqrt(white) * rng.normal(size=leads)
        noise *= np.exp(amplitude - 0.03)
        skill_now = summer[day] * summer_skill + (1 - summer[day]) * year_skill
        own = np.sqrt(1 - skill_now**2) * noise
        f = skill_now * (skill_now * z[day] + own) if modern else size * (skill_now * z[day] + own)
        value = mean_c[day] + sd_k[day] * f + slow[day] + (0 if modern else BIAS_K[:leads])
        out[issue, target < n] = np.round(value, 1)[target < n]
    return out
