"""Past runs as a record, and what is learned from a service whose errors are known."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from windowcast.sky.calibrate import built_in, cases_of, learn
from windowcast.sky.climate import fit_climate, year_angle
from windowcast.sky.highs import DailyHighs
from windowcast.sky.past_runs import PastRun, record_of

FIRST = date(2026, 6, 1)
DAYS = 90
MEAN_C, SPREAD_K = 20.0, 4.0


def run(issued, *tenths, lead=0, origin="single"):
    return PastRun(
        issued=issued, highs=DailyHighs(issued + timedelta(days=lead), tenths), origin=origin
    )


def test_each_lead_stands_in_the_row_of_its_issue():
    observed = DailyHighs(FIRST, (200, None, 220, 230))
    runs = [run(FIRST + timedelta(days=2), 221, 231, None), run(FIRST, 201, 211, 221)]

    record = record_of(runs, observed, [0, 1, 2])

    assert record.first_day == np.datetime64(FIRST)
    np.testing.assert_array_equal(record.observed_c, [20.0, np.nan, 22.0, 23.0])
    np.testing.assert_array_equal(
        record.forecast_c,
        [
            [20.1, 21.1, 22.1],
            [np.nan] * 3,
            [22.1, 23.1, np.nan],
            [np.nan] * 3,
        ],
    )


def test_the_record_spans_all_that_is_known():
    observed = DailyHighs(FIRST + timedelta(days=1), (200,))
    runs = [run(FIRST, 190), run(FIRST + timedelta(days=3), 210)]

    record = record_of(runs, observed, [0])

    np.testing.assert_array_equal(record.observed_c, [np.nan, 20.0, np.nan, np.nan])
    np.testing.assert_array_equal(record.forecast_c[:, 0], [19.0, np.nan, np.nan, 21.0])


@pytest.mark.parametrize("order", [1, -1], ids=["the whole run first", "the whole run last"])
def test_a_whole_run_counts_before_a_days_forecasts_which_fill_what_it_lacks(order):
    whole = run(FIRST, 200, None, 220)
    daily = run(FIRST, 999, 888, 777, lead=1, origin="previous")

    record = record_of([whole, daily][::order], DailyHighs(FIRST, (200,)), [0, 1, 2, 3])

    np.testing.assert_array_equal(record.forecast_c[0], [20.0, 99.9, 22.0, 77.7])


def test_no_runs_are_no_record():
    assert record_of([], DailyHighs(FIRST, (200,)), [0, 1]) is None


@pytest.mark.parametrize("leads", [[], [-1, 0], [1, 3], [2, 1]])
def test_leads_that_are_not_days_ahead_are_refused(leads):
    with pytest.raises(ValueError, match="consecutive"):
        record_of([run(FIRST, 200)], DailyHighs(FIRST, (200,)), leads)


def weather(seed, days):
    """AR(1) departures in units of the spread."""
    rng = np.random.default_rng(seed)
    z = np.empty(days)
    z[0] = rng.normal()
    for day in range(1, days):
        z[day] = 0.65 * z[day - 1] + np.sqrt(1 - 0.65**2) * rng.normal()
    return z


def climate():
    days = np.datetime64("1996-01-01") + np.arange(30 * 365)
    return fit_climate(days, MEAN_C + SPREAD_K * weather(1, len(days)))


def service(correlation, slope, leads, *, stride=1, origin="single", seed=2):
    """Runs whose forecasts have this correlation with what comes, and this slope of what comes on
    them: forecast = r / slope x (r x truth + sqrt(1 - r^2) x noise). And what came."""
    z = weather(seed, DAYS + 20)
    rng = np.random.default_rng(seed + 100)
    runs = []
    for back in range(0, DAYS, stride):
        noise = rng.normal(size=len(leads))
        truth = z[back + np.asarray(leads)]
        forecast = correlation / slope * (correlation * truth + np.sqrt(1 - correlation**2) * noise)
        tenths = np.round(10 * (MEAN_C + SPREAD_K * forecast)).astype(int).tolist()
        issued = FIRST + timedelta(days=back)
        runs.append(run(issued, *tenths, lead=leads[0], origin=origin))
    came = tuple(np.round(10 * (MEAN_C + SPREAD_K * z[:DAYS])).astype(int).tolist())
    return runs, DailyHighs(FIRST, came)


def learned(runs, observed, leads):
    prior = built_in(leads)
    return prior, learn([cases_of(record_of(runs, observed, leads), climate())], prior)


ANGLE = float(year_angle(np.array([np.datetime64("2026-07-15")]))[0])


@pytest.mark.parametrize("seed", [2, 3, 4])
@pytest.mark.parametrize(
    ("leads", "stride", "origin"),
    [(range(15), 3, "single"), (range(1, 8), 1, "previous")],
    ids=["whole runs every third day", "each day's forecasts"],
)
def test_a_service_better_than_built_in_moves_slope_and_spread_part_of_the_way(
    leads, stride, origin, seed
):
    """True slope 1 and residual spread sqrt(1 - 0.95^2) = 0.31 at every lead."""
    runs, observed = service(0.95, 1.0, list(leads), stride=stride, origin=origin, seed=seed)

    prior, got = learned(runs, observed, list(leads))

    slope, before = got.slope(ANGLE), prior.slope(ANGLE)
    far = np.asarray(leads) >= 4
    assert (slope > before).all()
    assert (slope - before)[far].mean() > 0.1
    assert (slope < 1.0).all()
    spread, wide = got.residual_spread(ANGLE), prior.residual_spread(ANGLE)
    assert (spread > 0.31).all()
    # Near days are almost as good as built in, where three months cannot tell the difference.
    assert (spread[far] < wide[far] - 0.02).all()


@pytest.mark.parametrize("seed", [2, 3, 4])
def test_a_service_worse_than_built_in_moves_them_the_other_way(seed):
    """True slope 0.2 and correlation 0.2 where 0.7 and 0.87 are built in for the next days."""
    leads = [1, 2, 3]
    runs, observed = service(0.2, 0.2, leads, origin="previous", seed=seed)

    prior, got = learned(runs, observed, leads)

    assert (got.slope(ANGLE) < prior.slope(ANGLE) - 0.02).all()
    assert (got.slope(ANGLE) > 0.2).all()
    assert (got.residual_spread(ANGLE) > prior.residual_spread(ANGLE) + 0.02).all()
    assert (got.residual_spread(ANGLE) < np.sqrt(1 - 0.2**2)).all()


def test_too_few_whole_runs_leave_what_is_built_in():
    leads = list(range(15))
    runs, observed = service(0.95, 1.0, leads, stride=5)

    prior, got = learned(runs, observed, leads)

    assert got is prior
