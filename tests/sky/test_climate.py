"""The smooth year, past stretches and the season's shares."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from windowcast.sky.climate import (
    fit_climate,
    how_often_it_opens,
    past_traces,
    season_view,
    windows_held,
    year_angle,
)


def made_up(first="2001-01-01", years=10, phase=0.0, seed=1):
    first = np.datetime64(first)
    days = first + np.arange(int(years * 365.25))
    angle = year_angle(days)
    mean = 18 - 10 * np.cos(angle - phase)
    spread = 4 + 1.0 * np.cos(angle - phase)
    rng = np.random.default_rng(seed)
    z = np.zeros(len(days))
    for i in range(1, len(z)):
        z[i] = 0.6 * z[i - 1] + 0.8 * rng.normal()
    return days, mean + spread * z, mean, spread


@pytest.mark.parametrize("phase", [0.3, 0.3 + np.pi], ids=["north", "south"])
def test_smooth_year_is_found_in_both_hemispheres(phase):
    days, high_c, mean, spread = made_up(years=30, phase=phase)
    climate = fit_climate(days, high_c)
    assert np.sqrt(np.mean((climate.mean_c(days) - mean) ** 2)) < 0.4
    assert np.abs(climate.spread_k(days) - spread).max() < 0.5


def test_mean_agrees_with_least_squares_of_statsmodels():
    days, high_c, *_ = made_up(years=3)
    angle = year_angle(days)
    basis = np.column_stack(
        [np.ones_like(angle)] + [g(k * angle) for k in (1, 2) for g in (np.cos, np.sin)]
    )
    expected = sm.OLS(high_c, basis).fit().fittedvalues
    assert fit_climate(days, high_c).mean_c(days) == pytest.approx(expected, abs=0.05)


def test_a_missing_year_and_gaps_change_little():
    days, high_c, mean, _ = made_up(years=20)
    high_c = high_c.copy()
    high_c[365 * 8 : 365 * 9] = np.nan
    high_c[::7] = np.nan
    assert np.abs(fit_climate(days, high_c).mean_c(days) - mean).max() < 0.9


def test_leap_day_lies_between_its_neighbours():
    climate = fit_climate(*made_up(years=5)[:2])
    three = climate.mean_c(np.array(["2004-02-28", "2004-02-29", "2004-03-01"], "datetime64[D]"))
    assert three[0] < three[1] < three[2]


def test_too_short_a_record_is_refused():
    days, high_c, *_ = made_up(years=1)
    with pytest.raises(ValueError, match="119 observed days"):
        fit_climate(days[:119], high_c[:119])


def test_traces_are_whole_past_stretches_and_never_the_future():
    days, high_c, *_ = made_up(years=6)
    climate = fit_climate(days, high_c)
    today = np.datetime64("2005-08-10")
    traces = past_traces(climate, days, high_c, first_day=today, length_days=20, within_days=3)
    assert traces.shape == (20, 4 * 7)
    z = climate.standardised(days, high_c)
    starts = {tuple(z[i : i + 20]) for i in range(len(days)) if days[i] + 20 <= today}
    assert all(tuple(t) in starts for t in traces.T)


def test_windows_agree_with_a_naive_loop():
    """Outside beats missing; missing leaves open; both ends are inside."""
    rng = np.random.default_rng(3)
    high_c = np.round(rng.uniform(8, 31, 300), 1)
    high_c[[5, 60, 200]] = np.nan
    high_c[10:25] = [29.5, 10.0] * 7 + [29.5]
    lower, upper = np.full(4, 10.0), np.full(4, 29.5)
    found = windows_held(high_c, lower, upper)
    for i in range(297):
        part = high_c[i : i + 4]
        known = part[~np.isnan(part)]
        out = ((known < 10) | (known > 29.5)).any()
        expected = 0.0 if out else (np.nan if len(known) < 4 else 1.0)
        assert found[i] == pytest.approx(expected, nan_ok=True)
    assert found[10] == 1.0


def test_season_without_any_window_is_an_ordinary_answer():
    days, high_c, *_ = made_up(years=6)
    view = season_view(
        days,
        high_c + 40,
        lower_c=np.full(14, 10.0),
        upper_c=np.full(14, 29.5),
        first_day=np.datetime64("2006-08-01"),
        last_day=np.datetime64("2006-10-15"),
    )
    assert view.share_none == 1 and view.median_first is None
    assert (view.share_held == 0).all() and len(view.first_days) == 76


def test_waiting_is_counted_once_a_season():
    chance = np.array([0.2, 0.6, 0.9, 0.1, 0.7, 0.3])
    held = np.array([0, 0, 1, 0, 1, 0.0])
    season = np.array([1, 1, 1, 2, 2, 2])
    day = np.array([0, 1, 2, 0, 1, 2])
    low, high = how_often_it_opens(chance, held, season, day, [0.6, 0.9])
    assert (low.share_opened, low.share_held, low.median_wait_days) == (1.0, 0.5, 1.0)
    assert (high.share_opened, high.share_held, high.median_wait_days) == (0.5, 1.0, 2.0)
    assert low.held_of_days == pytest.approx(2 / 3)


@pytest.fixture(scope="module")
def seattle():
    path = pytest.importorskip("vega_datasets", reason="observed highs come with vega-datasets")
    table = path.data.seattle_weather()
    return table["date"].to_numpy().astype("datetime64[D]"), table["temp_max"].to_numpy()


def test_seattle_shares_agree_with_the_printed_table(seattle):
    """Seattle 2012-2015, 14 days in 10-29.5 °C; weather notes, 'Base rates': Aug 1-15 15 %,
    Aug 16-31 50 %, Sep 1-15 45 %, Sep 16-30 100 %, Oct 1-15 88 %, no start 0 %."""
    view = season_view(
        *seattle,
        lower_c=np.full(14, 10.0),
        upper_c=np.full(14, 29.5),
        first_day=np.datetime64("2013-08-01"),
        last_day=np.datetime64("2013-10-15"),
    )
    parts = [
        view.share_held[a:b].mean() * 100
        for a, b in [(0, 15), (15, 31), (31, 46), (46, 61), (61, 76)]
    ]
    assert np.round(parts) == pytest.approx([15, 50, 45, 100, 88])
    assert view.share_none == 0
    # Printed: 08-15, the plain median of 4 seasons; ours is the earlier of the two middle ones.
    assert view.median_first <= np.datetime64("2013-08-15")
