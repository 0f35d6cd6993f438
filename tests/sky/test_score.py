"""Scores against reference libraries and a published decomposition."""

from __future__ import annotations

import numpy as np
import pytest
import scoringrules
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from windowcast.sky.score import (
    brier,
    brier_parts,
    brier_skill,
    crps_ensemble,
    paired_difference,
    reliability_table,
    tenths,
)

RNG = np.random.default_rng(5)
CHANCE = RNG.uniform(size=400)
HELD = (RNG.uniform(size=400) < CHANCE**1.3).astype(float)


def test_brier_agrees_with_two_libraries():
    assert brier(CHANCE, HELD) == pytest.approx(brier_score_loss(HELD, CHANCE))
    expected = np.mean(scoringrules.brier_score(HELD, CHANCE))
    assert brier(CHANCE, HELD) == pytest.approx(expected)


def test_crps_agrees_with_scoringrules():
    ensemble, seen = RNG.normal(20, 3, (50, 31)), RNG.normal(20, 3, 50)
    expected = scoringrules.crps_ensemble(seen, ensemble, estimator="nrg")
    assert crps_ensemble(ensemble, seen) == pytest.approx(expected)


def test_decomposition_of_a_published_reliability_table():
    """Wilks 1995, Statistical Methods in the Atmospheric Sciences, table 7.3 page 246, as carried
    by the examples and source of the R package `verification` (reliability.plot, attribute):
    chances, observed shares, shares of use, and the base rate 0.162. The three terms are not
    printed there; they are computed here straight from the table."""
    chance = np.array([0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
    observed = np.array(
        [0.006, 0.019, 0.059, 0.15, 0.277, 0.377, 0.511, 0.587, 0.723, 0.779, 0.934, 0.933]
    )
    used = np.array(
        [
            0.4112,
            0.0671,
            0.1833,
            0.0986,
            0.0616,
            0.0366,
            0.0303,
            0.0275,
            0.0245,
            0.022,
            0.017,
            0.0203,
        ]
    )
    uses = np.round(used * 1e6).astype(int)
    yes = np.round(uses * observed).astype(int)
    p = np.repeat(chance, uses)
    y = np.concatenate([np.repeat([1.0, 0.0], [k, n - k]) for k, n in zip(yes, uses, strict=True)])
    parts = brier_parts(p, y, bins=(p * 100).round().astype(int))
    assert round(y.mean(), 3) == 0.162
    assert parts.uncertainty == pytest.approx(0.162 * 0.838, abs=0.0005)
    assert parts.reliability == pytest.approx(used @ (chance - observed) ** 2, abs=1e-5)
    assert parts.resolution == pytest.approx(used @ (observed - y.mean()) ** 2, abs=1e-5)
    assert parts.within_bin == pytest.approx(0, abs=1e-9)
    assert parts.score == pytest.approx(brier_score_loss(y, p))


def test_within_bin_term_closes_the_sum():
    parts = brier_parts(CHANCE, HELD)
    total = parts.reliability - parts.resolution + parts.uncertainty + parts.within_bin
    assert parts.score == pytest.approx(total)
    assert abs(parts.within_bin) > 1e-6


def test_skill_of_the_base_rate_is_nothing():
    base = np.full(400, HELD.mean())
    assert brier_skill(base, HELD, base) == 0
    assert np.isnan(brier_skill(np.zeros(3), np.zeros(3), np.zeros(3)))


def test_reliability_agrees_with_scikit_learn():
    observed, mean = calibration_curve(HELD, CHANCE, n_bins=10)
    table = reliability_table(CHANCE, HELD, samples=50)
    assert [row.observed for row in table] == pytest.approx(list(observed))
    assert [row.mean_chance for row in table] == pytest.approx(list(mean))
    assert sum(row.cases for row in table) == 400


@pytest.mark.parametrize(("chance", "bin_"), [(0, 0), (0.3, 3), (0.7, 7), (0.999, 9), (1, 9)])
def test_tenths_hold_their_lower_end(chance, bin_):
    assert tenths(np.array([chance]))[0] == bin_


def test_band_covers_right_chances_about_as_often_as_it_says():
    """Right chances, independent cases: all judged tenths inside in about 90 of 100 tables."""
    inside = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        p = rng.uniform(size=600)
        y = (rng.uniform(size=600) < p).astype(float)
        rows = reliability_table(p, y, samples=200, block_days=1, seed=seed)
        inside += all(r.consistent for r in rows if r.consistent is not None)
    assert 46 <= inside <= 60


def test_band_notices_wrong_chances():
    rows = reliability_table(CHANCE, (CHANCE < 0.3).astype(float), samples=200)
    assert any(row.consistent is False for row in rows)


def test_paired_interval_agrees_with_the_normal_one_when_blocks_are_single_cases():
    other = np.full(400, 0.5)
    gain = (CHANCE - HELD) ** 2 - (other - HELD) ** 2
    found = paired_difference(CHANCE, other, HELD, block_days=1, samples=4000)
    half = 1.645 * gain.std() / np.sqrt(400)
    assert found.low == pytest.approx(gain.mean() - half, abs=0.15 * half)
    assert found.high == pytest.approx(gain.mean() + half, abs=0.15 * half)


@pytest.mark.parametrize("bad", [([1.2], [1]), ([0.5], [0.5]), ([], []), ([0.1, 0.2], [1])])
def test_nonsense_is_refused(bad):
    with pytest.raises(ValueError):
        brier(np.array(bad[0], float), np.array(bad[1], float))
