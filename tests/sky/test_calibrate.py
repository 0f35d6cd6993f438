"""Chances on weather whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest

from sky import synthetic
from windowcast.sky.calibrate import (
    Cases,
    Record,
    Switches,
    built_in,
    calibrate,
    cases_of,
    expected_course,
    learn,
    persistence,
    residual_courses,
)
from windowcast.sky.climate import fit_climate, past_traces, year_angle

N = 14
LEADS = np.arange(1, N + 1)
FIRST = np.datetime64("2001-01-01")


def ar_windows(count, rng, *, phi=0.65):
    """Independent stretches of AR(1) anomalies with 31 days before them, and forecasts of them with
    the weather notes' correlation and slope; their noise is not the model's (0.5 ** gap)."""
    z = np.empty((count, 31 + 1 + N))
    z[:, 0] = rng.normal(size=count)
    for t in range(1, z.shape[1]):
        z[:, t] = phi * z[:, t - 1] + np.sqrt(1 - phi**2) * rng.normal(size=count)
    observed = z[:, -N:]
    r = synthetic.CORRELATION
    size = np.minimum(r / synthetic.SLOPE, 1.6)
    root = np.linalg.cholesky(0.5 ** np.abs(LEADS[:, None] - LEADS))
    noise = rng.normal(size=(count, N)) @ root.T
    before = 0.5 * noise + np.sqrt(0.75) * (rng.normal(size=(count, N)) @ root.T)
    forecast = size * (r * observed + np.sqrt(1 - r**2) * noise)
    previous = size[1:] * (r[1:] * observed[:, :-1] + np.sqrt(1 - r[1:] ** 2) * before[:, :-1])
    known = np.full((count, 2 * N + 1), np.nan)
    known[:, 0], known[:, 1] = z[:, 30], z[:, 1:31].mean(axis=1)
    known[:, 2 : N + 1], known[:, N + 1 :] = previous - 0.2, forecast - 0.2
    return known, observed


def as_cases(known, observed):
    return Cases(
        days=np.repeat(FIRST, len(known)),
        known=known,
        observed=observed,
        whole=np.ones(len(known), bool),
        spread=None,
    )


def test_chance_is_unbiased_over_20_000_independent_windows():
    """A joint band of -1.8 to +1.4 spreads on 14 days; errors learned anew from 3,000 other windows
    for each 2,500, so that no single sample of errors decides."""
    chance, held = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        s = learn([as_cases(*ar_windows(3000, rng))], built_in(LEADS), season_angle=np.zeros(1))
        known, observed = ar_windows(2500, rng)
        held.append(((observed > -1.8) & (observed < 1.4)).all(axis=1))
        course, left = expected_course(s, 0.0, known)
        for part in np.array_split(course, 12):
            residual = residual_courses(s, 0.0, left, len(part) * 300, rng)
            z = part[:, None] + residual.reshape(len(part), 300, N)
            chance.append(((z > -1.8) & (z < 1.4)).all(axis=2).mean(axis=1))
    chance, held = np.concatenate(chance), np.concatenate(held)
    assert len(chance) == 20_000 and 0.15 < held.mean() < 0.6
    assert abs(chance.mean() - held.mean()) < 0.01
    for low in np.arange(0, 0.9, 0.2):
        rows = (chance >= low) & (chance < low + 0.2)
        if rows.sum() > 400:
            assert abs(chance[rows].mean() - held[rows].mean()) < 0.04


def test_learned_slope_and_spread_agree_with_the_truth():
    """Truth of the generator: slope 1 / size * r, spread sqrt(1 - r²), bias -0.2."""
    rng = np.random.default_rng(4)
    known, observed = ar_windows(8000, rng)
    s = learn([as_cases(known, observed)], built_in(LEADS), season_angle=np.zeros(1))
    r = synthetic.CORRELATION
    size = np.minimum(r / synthetic.SLOPE, 1.6)
    assert s.slope(0.0) == pytest.approx(r / size, abs=0.06)
    assert s.residual_spread(0.0) == pytest.approx(np.sqrt(1 - r**2), abs=0.06)
    assert s.bias(0.0) == pytest.approx(np.full(N, -0.2), abs=0.06)


def test_few_cases_leave_the_built_in_values():
    known, observed = ar_windows(19, np.random.default_rng(1))
    prior = built_in(LEADS)
    assert learn([as_cases(known, observed)], prior) is prior


def test_built_in_values_are_those_of_the_printed_table():
    """Weather notes, skill table, Alexandria Jul-Oct: slope, residual SD over climatology 3.19."""
    s = built_in(LEADS)
    slope = [0.71, 0.69, 0.66, 0.62, 0.53, 0.51, 0.41, 0.32, 0.17]
    spread = np.array([1.57, 1.63, 1.90, 2.08, 2.44, 2.63, 2.79, 2.94, 3.11]) / 3.19
    assert s.slope(0.0)[:9] == pytest.approx(slope, abs=0.03)
    assert s.residual_spread(0.0)[:9] == pytest.approx(spread, abs=0.03)
    assert np.linalg.eigvalsh(s.residual_correlation(0.0)).min() > 0


def test_conditioning_agrees_with_a_textbook_regression():
    """Gaussian conditioning against numpy's own least squares on the same draws."""
    s = built_in(np.arange(1, 5))
    rng = np.random.default_rng(8)
    v = rng.multivariate_normal(s.mean[0], s.covariance[0], size=200_000)
    course, left = expected_course(s, 0.0, v[:, :-4])
    slope = np.linalg.lstsq(v[:, :-4], v[:, -4:], rcond=None)[0]
    assert np.abs(course - v[:, :-4] @ slope).max() < 0.1
    assert np.cov((v[:, -4:] - course).T) == pytest.approx(left, abs=0.01)


def climate_and_record(years=30, seed=2):
    rng = np.random.default_rng(seed)
    days = FIRST + np.arange(int(365.25 * years))
    z = np.zeros(len(days))
    for i in range(1, len(z)):
        z[i] = 0.65 * z[i - 1] + np.sqrt(1 - 0.65**2) * rng.normal()
    high_c = 18 - 10 * np.cos(year_angle(days) - 0.3) + 4 * z
    return days, high_c, fit_climate(days, high_c)


def test_perfect_ensemble_is_left_as_it_is():
    """Members and truth drawn alike about a known signal: after learning, the slope on the mean is
    near 1, the spread factor near 1, and today's members hardly move."""
    rng = np.random.default_rng(6)
    days, _, climate = climate_and_record()
    days = days[: 365 * 6]
    root = np.linalg.cholesky(0.65 ** np.abs(np.arange(N)[:, None] - np.arange(N)))
    r = np.linspace(0.95, 0.5, N)
    signal = (rng.normal(size=(len(days), N)) @ root.T) * r
    scatter = np.sqrt(1 - r**2)
    truth = signal + scatter * (rng.normal(size=(len(days), N)) @ root.T)
    members = signal[:, :, None] + scatter[:, None] * np.einsum(
        "ij,djm->dim", root, rng.normal(size=(len(days), N, 51))
    )
    known = np.full((len(days), 2 * N + 1), np.nan)
    known[:, N + 1 :] = members.mean(axis=2)
    cases = Cases(
        days=days,
        known=known,
        observed=truth,
        whole=np.ones(len(days), bool),
        spread=members.std(axis=2),
    )
    s = learn([cases], built_in(LEADS, ensemble=True), season_angle=np.zeros(1))
    issue = np.datetime64("2020-01-02")
    target = issue + LEADS
    moved, shift = [], []
    for k in range(50):
        raw = climate.mean_c(target)[:, None] + climate.spread_k(target)[:, None] * members[k]
        out = calibrate(raw, first_day=issue + 1, issue_day=issue, climate=climate, statistics=s)
        moved.append(out.high_c.std(axis=1) / raw.std(axis=1))
        shift.append(out.high_c.mean(axis=1) - raw.mean(axis=1))
    assert np.mean(moved) == pytest.approx(1.0, abs=0.05)
    assert np.abs(np.mean(moved, axis=0) - 1).max() < 0.12
    assert np.sqrt(np.mean(np.square(shift))) < 0.25 * 4


def test_every_column_keeps_its_rank_and_tenths():
    rng = np.random.default_rng(0)
    _, _, climate = climate_and_record(years=3)
    raw = np.round(20 + rng.normal(size=(N, 51)).cumsum(axis=0), 1)
    issue = np.datetime64("2020-08-31")
    out = calibrate(
        raw,
        first_day=issue + 1,
        issue_day=issue,
        climate=climate,
        statistics=built_in(LEADS, ensemble=True),
    ).high_c
    for day in range(N):
        order = np.argsort(raw[day], kind="stable")
        assert (np.diff(out[day][order]) >= 0).all()
    assert (out == (np.round(out.astype(float) * 10) / 10).astype(np.float32)).all()


def test_switched_off_leaves_the_input():
    raw = np.arange(28.0).reshape(14, 2)
    _, _, climate = climate_and_record(years=3)
    out = calibrate(
        raw,
        first_day=FIRST + 1,
        issue_day=FIRST,
        climate=climate,
        statistics=built_in(LEADS),
        switches=Switches(calibrate=False),
    )
    assert (out.high_c == raw.astype(np.float32)).all()
    assert "uncorrected" in out.how


def test_tail_goes_on_from_its_own_column_and_ends_as_climate():
    """Hot columns stay hot the next day by the persistence of the weather, and forget it later."""
    days, high_c, climate = climate_and_record()
    issue = np.datetime64("2030-08-31")
    raw = climate.mean_c(issue + LEADS)[:, None] + np.linspace(-8, 8, 51)[None, :]
    traces = past_traces(climate, days, high_c, first_day=issue + 1, length_days=46)
    out = calibrate(
        raw,
        first_day=issue + 1,
        issue_day=issue,
        climate=climate,
        traces=traces,
        length_days=46,
        statistics=built_in(LEADS, ensemble=True),
        switches=Switches(regress=False, spread=False),
    ).high_c
    assert out.shape == (46, 51)
    target = issue + 1 + np.arange(46)
    z = (out - climate.mean_c(target)[:, None]) / climate.spread_k(target)[:, None]
    last = z[13]
    slope = [np.polyfit(last, z[day], 1)[0] for day in (14, 15, 30)]
    assert slope[0] == pytest.approx(persistence(np.array(1.0)), abs=0.2)
    assert slope[0] > slope[1] > slope[2] - 0.1 and abs(slope[2]) < 0.25
    assert z[30:].std() == pytest.approx(1.0, abs=0.2)


def test_biased_extended_range_is_moved_onto_the_ensemble():
    """A range 5 K too warm throughout moves the tail no more than a range without bias does."""
    _, _, climate = climate_and_record(years=3)
    issue = np.datetime64("2020-08-31")
    rng = np.random.default_rng(1)
    every = climate.mean_c(issue + 1 + np.arange(46))[:, None]
    raw, longer = every[:14] + rng.normal(size=(14, 51)), every + 3 * rng.normal(size=(46, 51))
    outs = [
        calibrate(
            raw,
            first_day=issue + 1,
            issue_day=issue,
            climate=climate,
            length_days=46,
            extended_c=longer + bias,
            statistics=built_in(LEADS, ensemble=True),
        ).high_c
        for bias in (0.0, 5.0)
    ]
    assert np.abs(outs[0] - outs[1]).max() < 0.2


def test_nothing_of_the_issue_day_or_later_is_known():
    days, high_c, climate = climate_and_record(years=3)
    forecast = np.tile(climate.mean_c(days)[:, None], N)
    record = Record(first_day=days[0], observed_c=high_c, forecast_c=forecast, leads=LEADS)
    changed = high_c.copy()
    changed[500:] += 50
    other = Record(first_day=days[0], observed_c=changed, forecast_c=forecast, leads=LEADS)
    a, b = cases_of(record, climate).known, cases_of(other, climate).known
    assert np.array_equal(a[:501], b[:501], equal_nan=True)
    assert not np.array_equal(a[501:], b[501:], equal_nan=True)
