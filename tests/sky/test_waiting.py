"""What each chance would have cost, against a slow count and against the published skill."""

from __future__ import annotations

import statistics
from datetime import date, timedelta

import numpy as np
import pytest

from windowcast.sky.calibrate import built_in
from windowcast.sky.climate import fit_climate, year_angle
from windowcast.sky.verify_chain import YardArchive, judge_cases
from windowcast.sky.waiting import COLUMNS, MIN_CHANCES, price_of_waiting, simulated_forecasts

FIRST = np.datetime64("1991-01-01")
# Jul-Oct anomaly correlation of forecasts for 1, 3, 5, 7 and 10 days ahead: skill notes, "Skill
# against climatology", Alexandria.
CORRELATION = {1: 0.87, 3: 0.80, 5: 0.64, 7: 0.48, 10: 0.07}
BAND = {"lower_c": np.full(5, 10.0), "upper_c": np.full(5, 29.5)}


def made_up(years, *, seed=1, mean_c=21.0):
    """Days, and highs whose late summer is near the band's upper bound."""
    rng = np.random.default_rng(seed)
    days = FIRST + np.arange(round(365.25 * years))
    departure = np.zeros(len(days))
    for i in range(1, len(days)):
        departure[i] = 0.65 * departure[i - 1] + np.sqrt(1 - 0.65**2) * rng.normal()
    angle = year_angle(days)
    return days, np.round(mean_c - 10.5 * (np.cos(angle - 0.35) + 0.35) + 3.5 * departure, 1)


def seasons(years, first="08-01", count=20):
    return [np.datetime64(f"{1991 + k}-{first}") + np.arange(count) for k in range(years)]


def test_simulated_forecasts_have_the_published_skill_by_days_ahead():
    days, high_c = made_up(30)
    climate = fit_climate(days, high_c)
    leads = np.arange(15)
    forecast = simulated_forecasts(
        climate, FIRST, high_c, np.ones(len(days), bool), built_in(leads), np.random.default_rng(2)
    )
    for lead, expected in CORRELATION.items():
        made = climate.standardised(days[lead:], forecast[: len(days) - lead, lead])
        came = climate.standardised(days[lead:], high_c[lead:])
        assert np.corrcoef(made, came)[0, 1] == pytest.approx(expected, abs=0.04)


def test_errors_hang_together_within_a_morning_and_from_one_to_the_next():
    """Neighbouring days ahead 0.27 one day out and 0.54 ten days out (skill notes, error
    correlation matrix); consecutive mornings' for one day 0.28: the built-in values take 0.4 times
    the mean of 1 and of the correlation of neighbouring days ahead, 0.24 to 0.57 of the notes."""
    days, high_c = made_up(30)
    climate = fit_climate(days, high_c)
    forecast = simulated_forecasts(
        climate,
        FIRST,
        high_c,
        np.ones(len(days), bool),
        built_in(np.arange(14)),
        np.random.default_rng(3),
    )[:-14]
    index = np.arange(len(forecast))[:, None] + np.arange(14)
    target = FIRST + index
    made = (forecast - climate.mean_c(target)) / climate.spread_k(target)
    came = (high_c[index] - climate.mean_c(target)) / climate.spread_k(target)
    error = np.empty_like(made)
    for lead in range(14):
        slope = (made[:, lead] @ came[:, lead]) / (came[:, lead] @ came[:, lead])
        error[:, lead] = made[:, lead] - slope * came[:, lead]
    assert np.corrcoef(error[:, 1], error[:, 2])[0, 1] == pytest.approx(0.27, abs=0.06)
    assert np.corrcoef(error[:, 10], error[:, 11])[0, 1] == pytest.approx(0.54, abs=0.06)
    again = [np.corrcoef(error[:-1, k + 1], error[1:, k])[0, 1] for k in range(13)]
    assert np.mean(again) == pytest.approx(0.28, abs=0.04)


def test_only_marked_mornings_are_forecast_and_no_unknown_day():
    days, high_c = made_up(2)
    high_c[205] = np.nan
    made = np.zeros(len(days), bool)
    made[[200, 201, 400]] = True
    forecast = simulated_forecasts(
        fit_climate(days, high_c), FIRST, high_c, made, built_in(np.arange(7)),
        np.random.default_rng(0),
    )  # fmt: skip
    known = np.isfinite(forecast)
    assert np.flatnonzero(known.any(axis=1)).tolist() == [200, 201, 400]
    assert np.flatnonzero(~known[200]).tolist() == [5]
    assert np.flatnonzero(~known[201]).tolist() == [4]


def test_the_table_equals_a_slow_count_over_ten_short_seasons():
    _, high_c = made_up(11)
    own = seasons(10)
    found = price_of_waiting(FIRST, high_c, own, **BAND)

    chance = chances(high_c, own)
    firsts_true, counted = [], {least: [] for least in MIN_CHANCES}
    for days in own:
        held = {}
        for day in days:
            start = int((day - FIRST).astype(int))
            held[day] = all(10.0 <= high_c[start + n] <= 29.5 for n in range(5))
        firsts_true += [n for n, day in enumerate(days) if held[day]][:1]
        for least, rows in counted.items():
            first = next((n for n, day in enumerate(days) if chance[day] >= least), None)
            if first is not None:
                rows.append((first, held[days[first]]))
    assert (found.seasons, found.every_days) == (10, 1)
    assert found.share_could == len(firsts_true) / 10
    assert found.median_could_days == statistics.median(firsts_true)
    opened = []
    for one in found.openings:
        rows = counted[one.min_chance]
        opened.append(len(rows))
        assert one.share_opened == len(rows) / 10
        if rows:
            assert one.median_wait_days == statistics.median(n for n, _ in rows)
            assert one.share_held == pytest.approx(sum(held for _, held in rows) / len(rows))
        else:
            assert (one.median_wait_days, one.share_held) == (None, None)
    # The case tells the rows apart: some chances open often, the highest less often.
    assert opened[0] > opened[-1] > 0


def chances(high_c, own):
    """The chance of each judged morning, from the same forecasts."""
    made = np.zeros(len(high_c), bool)
    judged = np.zeros(len(high_c), bool)
    for days in own:
        for day in days:
            judged[int((day - FIRST).astype(int))] = True
        before = int((days[0] - FIRST).astype(int)) - 1
        made[before : before + len(days) + 1] = True
    climate = fit_climate(FIRST + np.arange(len(high_c)), high_c)
    forecast = simulated_forecasts(
        climate, FIRST, high_c, made, built_in(np.arange(5)), np.random.default_rng(0)
    )
    cases = judge_cases(
        [
            YardArchive(
                name="",
                first_day=FIRST,
                observed_c=high_c,
                member_c=forecast[:, :, None],
                leads=np.arange(5),
                judged=judged,
            )
        ],
        **BAND,
        columns=COLUMNS,
    )
    return dict(zip(cases.issue_day, cases.chances["chance"], strict=True))


def test_a_higher_chance_opens_no_earlier_and_in_no_more_years():
    _, high_c = made_up(13, seed=4)
    found = price_of_waiting(FIRST, high_c, seasons(12, count=40), **BAND)
    shares = [one.share_opened for one in found.openings]
    assert shares == sorted(shares, reverse=True)
    again = price_of_waiting(FIRST, high_c, seasons(12, count=40), **BAND)
    assert again == found


@pytest.mark.parametrize(
    ("mean_c", "share", "held"), [(10.0, 1.0, 1.0), (60.0, 0.0, None)], ids=["cool", "far too hot"]
)
def test_where_all_or_none_holds_so_do_the_openings(mean_c, share, held):
    _, high_c = made_up(12, mean_c=mean_c + 6)
    bounds = {"lower_c": np.full(5, -np.inf), "upper_c": np.full(5, 40.0)}
    found = price_of_waiting(FIRST, high_c, seasons(11), **bounds)
    assert found.share_could == share
    assert {(one.share_opened, one.share_held) for one in found.openings} == {(share, held)}
    assert found.median_could_days == (0 if share else None)


def test_a_long_season_is_judged_on_some_mornings_only_and_says_so():
    _, high_c = made_up(13)
    found = price_of_waiting(FIRST, high_c, seasons(11, first="05-01", count=200), **BAND)
    assert found.every_days == 3  # 200 days, at most 80 mornings
    assert all((one.median_wait_days or 0) * 2 % 3 == 0 for one in found.openings)
    first = date(1991, 5, 1) + timedelta(days=int(found.median_could_days or 0))
    assert first.month in (5, 6)
