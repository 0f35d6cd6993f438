"""How good were the chances: Brier score and its parts, reliability, sharpness, and how sure of it.

Chances lie in 0..1, outcomes are 0 or 1. Windows of consecutive mornings overlap, so every interval
here resamples whole blocks of consecutive mornings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def _checked(chance: Floats, held: Floats) -> tuple[Floats, Floats]:
    p, y = np.asarray(chance, np.float64), np.asarray(held, np.float64)
    if p.ndim != 1 or p.shape != y.shape or len(p) == 0:
        raise ValueError(
            f"shapes {p.shape} and {y.shape}, but one chance for one outcome is needed"
        )
    if not ((p >= 0) & (p <= 1)).all():
        raise ValueError("a chance lies outside 0..1")
    if not np.isin(y, (0.0, 1.0)).all():
        raise ValueError("an outcome is neither 0 nor 1")
    return p, y


def brier(chance: Floats, held: Floats) -> float:
    """Mean squared difference of chance and outcome. Source: Brier 1950 (one of two categories)."""
    p, y = _checked(chance, held)
    return float(np.mean((p - y) ** 2))


def brier_skill(chance: Floats, held: Floats, reference: Floats) -> float:
    """1 - Brier / Brier of the reference chances; NaN where the reference never errs."""
    worst = brier(reference, held)
    return float("nan") if worst == 0 else 1 - brier(chance, held) / worst


def tenths(chance: Floats) -> Ints:
    """Bin of each chance: 0 for 0 <= p < 0.1, ..., 9 for 0.9 <= p <= 1."""
    # The small nudge puts 0.3 and 0.7, which floating point keeps just below, in their own bin.
    bins: Ints = np.minimum((np.asarray(chance) * 10 + 1e-9).astype(np.int64), 9)
    return bins


@dataclass(frozen=True, slots=True, kw_only=True)
class BrierParts:
    """score = reliability - resolution + uncertainty + within_bin, exactly.

    within_bin gathers what the chances vary inside their bins; it is 0 where each bin holds one
    value. Source: Murphy 1973; within-bin terms: Stephenson, Coelho and Jolliffe 2008.
    """

    score: float
    reliability: float
    resolution: float
    uncertainty: float
    within_bin: float


def brier_parts(chance: Floats, held: Floats, bins: Ints | None = None) -> BrierParts:
    """The Brier score taken apart over `bins` (tenths where none are given)."""
    p, y = _checked(chance, held)
    group = tenths(p) if bins is None else np.asarray(bins)
    base = float(y.mean())
    reliability = resolution = 0.0
    for one in np.unique(group):
        rows = group == one
        share = rows.mean()
        reliability += share * (p[rows].mean() - y[rows].mean()) ** 2
        resolution += share * (y[rows].mean() - base) ** 2
    score = brier(p, y)
    uncertainty = base * (1 - base)
    return BrierParts(
        score=score,
        reliability=float(reliability),
        resolution=float(resolution),
        uncertainty=uncertainty,
        within_bin=float(score - (reliability - resolution + uncertainty)),
    )


def sharpness(chance: Floats) -> float:
    """Standard deviation of the chances about their mean: 0 for a chance that never changes."""
    return float(np.std(np.asarray(chance, np.float64)))


def crps_ensemble(high_c: Floats, observed_c: Floats) -> Floats:
    """Continuous ranked probability score of each case, K.

    high_c: (case, scenario), equally likely; observed_c: (case,). The scenarios are taken as the
    whole distribution (no correction for their number). Source: Gneiting and Raftery 2007, eq. 21.
    """
    x = np.sort(np.asarray(high_c, np.float64), axis=1)
    count = x.shape[1]
    error = np.abs(x - np.asarray(observed_c, np.float64)[:, None]).mean(axis=1)
    weight = 2 * np.arange(1, count + 1) - count - 1
    spread: Floats = (x @ weight) / count**2
    return np.asarray(error - spread)


def block_rows(group: Ints, block_days: int, rng: np.random.Generator) -> Ints:
    """Row numbers of one block-bootstrap sample, as many as there are rows, about.

    group: (n,) rows of one value (a season) are consecutive mornings in order, one for each yard;
    block_days counts rows. Blocks stay inside their group and wrap round its end, so each row is
    equally likely.
    """
    picked = []
    for one in np.unique(group):
        rows = np.flatnonzero(group == one)
        n = len(rows)
        size = min(block_days, n)
        starts = rng.integers(0, n, size=-(-n // size))
        picked.append(rows[((starts[:, None] + np.arange(size)) % n).ravel()[:n]])
    return np.concatenate(picked)


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An estimate with a block-bootstrap interval; low and high are percentiles."""

    estimate: float
    low: float
    high: float


def paired_difference(
    chance: Floats,
    other: Floats,
    held: Floats,
    *,
    group: Ints | None = None,
    block_days: int = 14,
    samples: int = 1000,
    level: float = 0.90,
    seed: int = 0,
) -> Interval:
    """Brier of `chance` minus Brier of `other` on the same cases; below 0 the first is better.

    Source: moving blocks, Künsch 1989, wrapped round (Politis and Romano 1992).
    """
    p, y = _checked(chance, held)
    q, _ = _checked(other, held)
    gain = (p - y) ** 2 - (q - y) ** 2
    groups = np.zeros(len(p), np.int64) if group is None else np.asarray(group)
    rng = np.random.default_rng(seed)
    means = [gain[block_rows(groups, block_days, rng)].mean() for _ in range(samples)]
    low, high = np.quantile(means, [(1 - level) / 2, (1 + level) / 2])
    return Interval(estimate=float(gain.mean()), low=float(low), high=float(high))


@dataclass(frozen=True, slots=True, kw_only=True)
class ReliabilityRow:
    """One tenth of the chances.

    lowest, highest: the bin, lowest inside, highest outside save for 1.0
    band_low, band_high: where the observed share would lie were the chances right, for all judged
    tenths at once; None where the tenth holds too few cases to be judged
    """

    lowest: float
    highest: float
    cases: int
    mean_chance: float
    observed: float
    band_low: float | None
    band_high: float | None

    @property
    def consistent(self) -> bool | None:
        if self.band_low is None or self.band_high is None:
            return None
        return self.band_low <= self.observed <= self.band_high


def reliability_table(
    chance: Floats,
    held: Floats,
    *,
    group: Ints | None = None,
    block_days: int = 14,
    fewest_cases: int = 30,
    samples: int = 1000,
    level: float = 0.90,
    seed: int = 0,
) -> list[ReliabilityRow]:
    """Observed share by tenths of the chance, empty tenths left out, with a consistency band.

    The band answers: were the chances right, how far would an observed share stray from the mean
    chance? The strayings of block-bootstrap samples about the table itself give the standard error
    of each tenth and the largest standardised straying over all judged tenths gives the width, so
    the band holds for all of them at once. A tenth gets no narrower than independent cases allow.
    Source: consistency bars, Bröcker and Smith 2007, here with blocks in place of single cases.
    """
    p, y = _checked(chance, held)
    bins = tenths(p)
    groups = np.zeros(len(p), np.int64) if group is None else np.asarray(group)
    counts = np.bincount(bins, minlength=10)
    mean_chance = np.bincount(bins, p, 10) / np.maximum(counts, 1)
    observed = np.bincount(bins, y, 10) / np.maximum(counts, 1)
    gap = observed - mean_chance
    judged = counts >= fewest_cases
    rng = np.random.default_rng(seed)
    strays = np.full((samples, 10), np.nan)
    for sample in range(samples):
        rows = block_rows(groups, block_days, rng)
        n = np.bincount(bins[rows], minlength=10)
        diff = np.bincount(bins[rows], y[rows] - p[rows], 10) / np.where(n == 0, np.nan, n)
        strays[sample] = diff - gap
    half = np.full(10, np.nan)
    if judged.any():
        j = np.flatnonzero(judged)
        least = np.sqrt(np.maximum(mean_chance[j] * (1 - mean_chance[j]), 1e-4) / counts[j])
        error = np.maximum(np.nanstd(strays[:, j], axis=0), least)
        largest = np.nanmax(np.abs(strays[:, j]) / error, axis=1)
        half[j] = np.quantile(largest, level) * error
    rows_out = []
    for k in np.flatnonzero(counts):
        known = bool(judged[k])
        rows_out.append(
            ReliabilityRow(
                lowest=k / 10,
                highest=(k + 1) / 10,
                cases=int(counts[k]),
                mean_chance=float(mean_chance[k]),
                observed=float(observed[k]),
                band_low=float(max(mean_chance[k] - half[k], 0.0)) if known else None,
                band_high=float(min(mean_chance[k] + half[k], 1.0)) if known else None,
            )
        )
    return rows_out
