"""The whole chain on archives, made-up and real."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from sky import synthetic
from windowcast.sky.climate import year_angle
from windowcast.sky.verify_chain import METHODS, YardArchive, archives_from_rows, verify

SHARED = Path(__file__).resolve().parents[2].parent / "shared" / "data"
BAND = {"lower_c": np.full(14, 10.0), "upper_c": np.full(14, 29.5)}


def made_up(seed, years=3):
    rng = np.random.default_rng(seed)
    first = np.datetime64("2015-01-01")
    days = first + np.arange(365 * years + 1)
    angle = year_angle(days)
    mean, spread = 19.5 - 10.5 * np.cos(angle - 0.35), 4.2 + np.cos(angle)
    z = np.zeros(len(days))
    for i in range(1, len(z)):
        z[i] = 0.65 * z[i - 1] + np.sqrt(1 - 0.65**2) * rng.normal()
    high_c = np.round(mean + spread * z, 1)
    forecast = synthetic.forecasts(high_c, mean, spread, angle * 365 / (2 * np.pi), rng)
    return YardArchive(
        name="made-up",
        first_day=first,
        observed_c=high_c,
        member_c=forecast[:, :, None],
        leads=np.arange(1, 15),
        judged=np.isfinite(forecast).any(axis=1),
    )


def test_chain_beats_every_other_method_on_average():
    """Six three-year archives of made-up weather with the notes' error statistics, July-October."""
    found = [
        verify([made_up(seed)], **BAND, months=(7, 8, 9, 10), columns=500) for seed in range(6)
    ]
    mean = {m: np.mean([v.brier[m] for v in found]) for m in METHODS}
    assert all(mean["chance"] < mean[m] for m in METHODS if m != "chance")
    assert all(v.left_out == 0 and len(v.held) == 369 for v in found)
    assert abs(np.mean([v.chances["chance"].mean() - v.base_rate for v in found])) < 0.03


def test_judged_year_is_left_out_of_everything_fitted():
    """Changing what was observed after the last case's issue day, in the judged year, changes its
    outcome at most, never its chance."""
    archive = made_up(1)
    changed = archive.observed_c.copy()
    last = int((np.datetime64("2017-10-20") - archive.first_day).astype(int))
    changed[last:] += 30
    other = YardArchive(
        name="x",
        first_day=archive.first_day,
        observed_c=changed,
        member_c=archive.member_c,
        leads=archive.leads,
        judged=archive.judged,
    )
    a = verify([archive], **BAND, months=(9, 10), columns=300)
    b = verify([other], **BAND, months=(9, 10), columns=300)
    rows = (a.issue_day >= np.datetime64("2017-09-01")) & (
        a.issue_day <= np.datetime64("2017-10-20")
    )
    for method in METHODS:
        assert np.array_equal(a.chances[method][rows], b.chances[method][rows]), method
    assert not np.array_equal(a.held, b.held)


def test_rows_out_of_order_and_repeated_are_named():
    day = np.array(["2020-01-02", "2020-01-03"], "datetime64[D]")
    base = {"observed_day": day, "observed_c": np.array([1.0, 2.0]), "exposure_days": 1}
    with pytest.raises(ValueError, match=r"rows \[2\]"):
        archives_from_rows("y", issued=day + np.array([-1, 1]), day=day, high_c=np.zeros(2), **base)
    with pytest.raises(ValueError, match="more than once"):
        archives_from_rows("y", issued=day[[0, 0]], day=day[[1, 1]], high_c=np.zeros(2), **base)


def test_too_few_cases_give_no_score():
    archive = made_up(1)
    member_c = archive.member_c.copy()
    member_c[20:] = np.nan
    short = YardArchive(
        name="x",
        first_day=archive.first_day,
        observed_c=archive.observed_c,
        member_c=member_c,
        leads=archive.leads,
        judged=np.isfinite(member_c).any(axis=(1, 2)),
    )
    with pytest.raises(ValueError, match="20 usable cases"):
        verify([short], **BAND)


def real_yards():
    if not SHARED.parent.is_dir():
        pytest.skip("../shared is absent")
    made, seen = {}, {}
    with (SHARED / "forecasts_nws.csv").open() as file:
        for row in csv.DictReader(file):
            # A few evening rows are issued after their day.
            if row["nws_high_f"] and row["issue"] <= row["target"]:
                made.setdefault(row["loc"], {})[row["issue"], row["target"]] = row["nws_high_f"]
    with (SHARED / "observed_highs.csv").open() as file:
        for row in csv.DictReader(file):
            seen.setdefault(row["loc"], {})[row["target"]] = row["obs_high_f"]

    def celsius(values):
        return np.round((np.array(list(values), float) - 32) / 1.8, 1)

    return [
        archive
        for name, rows in sorted(made.items())
        for archive in archives_from_rows(
            name,
            exposure_days=7,
            issued=np.array([k[0] for k in rows], "datetime64[D]"),
            day=np.array([k[1] for k in rows], "datetime64[D]"),
            high_c=celsius(rows.values()),
            observed_day=np.array(list(seen[name]), "datetime64[D]"),
            observed_c=celsius(seen[name].values()),
        )
    ]


def test_real_forecasts_of_ten_places_seven_days():
    """Recorded single-value forecasts, days 0-6, October to July: less than one year, so blocks."""
    found = verify(real_yards(), lower_c=np.full(7, 10.0), upper_c=np.full(7, 29.5), columns=400)
    assert len(found.held) > 2000
    for method in ("uncalibrated", "climatology", "plain_rule"):
        assert found.differences[method].high < 0, method
    assert all(row.consistent is not False for row in found.reliability)
