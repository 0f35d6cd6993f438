"""Past runs for new yards: fetched from a service on loopback, kept, and turned into a record."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from support.weather_server import Place, WeatherServer
from windowcast.bootstrap import (
    bootstrap,
    past_runs_place,
    stored_past_runs,
    stored_record,
)
from windowcast.edges.settings import (
    ChanceSettings,
    Configuration,
    DecisionSettings,
    MorningSettings,
    WeatherSettings,
)
from windowcast.edges.store import open_store
from windowcast.sky.calibrate import built_in, cases_of, learn
from windowcast.sky.climate import fit_climate, year_angle
from windowcast.sky.highs import DailyHighs
from windowcast.trade.rules import SeasonRules, WorkRules
from windowcast.trade.yard import Hive, Yard

PREVIOUS, SINGLE = "/v1/previous-runs", "/v1/single-runs"
NOW = datetime(2026, 8, 31, 10, tzinfo=UTC)
SPREAD_K = 4.0


def yard(name, north):
    return Yard(
        name=name,
        latitude=north,
        longitude=5.0,
        elevation_m=None,
        timezone="UTC",
        colonies=1,
        hive=Hive(),
        treatments=(),
    )


YARDS = tuple(yard(name, 40.0 + n) for n, name in enumerate(("Alder", "Birch", "Cedar")))


@cache
def departure(*key):
    """A departure of its own for each key, normal, the same in every run of the test."""
    return float(np.random.default_rng([abs(each) for each in key]).normal())


@cache
def truth(day):
    """What came, in units of the spread: a moving mean, so that days are alike as in nature."""
    return sum(departure(day.toordinal() - back) * 0.65**back for back in range(8)) * 0.76


def good_service(run, at):
    """Forecasts with slope 1 and correlation 0.95 at every number of days ahead."""
    day = at.date()
    z = truth(day)
    if run is not None:
        noise = departure(run.toordinal(), day.toordinal())
        z = 0.95 * (0.95 * z + np.sqrt(1 - 0.95**2) * noise)
    return round(20 + SPREAD_K * z - abs(at.hour - 15) * 0.4, 1)


@pytest.fixture
def server():
    with WeatherServer(default=Place(runs=good_service), now=NOW) as running:
        yield running


@pytest.fixture
def store(tmp_path):
    with open_store("sqlite:///windowcast.db", tmp_path) as opened:
        yield opened


def configuration(server, **weather):
    return Configuration(
        folder=Path(),
        units="C",
        weather=WeatherSettings(
            **{
                "previous_runs_url": server.previous_runs_url,
                "single_runs_url": server.single_runs_url,
                **weather,
            }
        ),
        decision=DecisionSettings(),
        chance=ChanceSettings(),
        season=SeasonRules(),
        work=WorkRules(),
        morning=MorningSettings(),
        store_url="",
        mail=None,
        yards=YARDS,
        treatments=(),
    )


def go(server, store, yards=YARDS, *, now=NOW, said=None, most=5, **weather):
    return bootstrap(
        configuration(server, **weather),
        store,
        yards,
        now=now,
        say=(said if said is not None else []).append,
        most=most,
        sleep=lambda seconds: None,
        clock=lambda: now,
    )


def test_a_new_yard_gets_a_record_and_is_not_asked_for_again(server, store):
    done = go(server, store, YARDS[:1])
    again = go(server, store, YARDS[:1], now=NOW + timedelta(hours=1))
    later = go(server, store, YARDS[:1], now=NOW + timedelta(days=30))

    assert done.asked == ("Alder",)
    assert (again.asked, later.asked) == ((), ())
    assert server.requests == {PREVIOUS: 1, SINGLE: 30}
    runs, observed = stored_past_runs(store, YARDS[0])
    assert done.runs == len(runs) == 126
    assert observed.last_day == date(2026, 8, 30)
    assert observed.on(date(2026, 7, 4)) == round(10 * (20 + SPREAD_K * truth(date(2026, 7, 4))))
    assert store.spent(NOW.date()) == pytest.approx(35.257, abs=0.001)


def test_slope_and_spread_move_from_built_in_towards_the_services_own(server, store):
    go(server, store, YARDS[:1])
    leads = list(range(15))
    days = np.datetime64("1996-01-01") + np.arange(30 * 365)
    past = [20 + SPREAD_K * truth(day) for day in days.astype(object)]

    record = stored_record(store, YARDS[0], leads)
    prior = built_in(leads)
    got = learn([cases_of(record, fit_climate(days, np.array(past)))], prior)

    angle = float(year_angle(np.array([np.datetime64("2026-07-15")]))[0])
    assert (got.slope(angle) > prior.slope(angle) + 0.02).all()
    assert (got.slope(angle) < 1).all()
    assert (got.residual_spread(angle)[4:] < prior.residual_spread(angle)[4:] - 0.02).all()
    assert (got.residual_spread(angle) > 0.31).all()


def test_a_yards_own_observed_highs_take_the_analysis_place(server, store):
    go(server, store, YARDS[:1])
    own = DailyHighs(date(2026, 8, 1), (333,))

    record = stored_record(store, YARDS[0], [0], observed=own)

    assert record.observed_c[np.isfinite(record.observed_c)].tolist() == [33.3]
    assert stored_record(store, YARDS[1], [0]) is None


def test_no_more_yards_than_stated_and_the_others_in_later_runs(server, store):
    done = []
    for n in range(3):
        done += go(server, store, now=NOW + timedelta(minutes=n), most=1).asked

    assert sorted(done) == ["Alder", "Birch", "Cedar"]
    assert go(server, store, most=1).asked == ()


def test_yards_of_one_cell_share_a_fetch_where_their_days_agree(server, store):
    near = YARDS[0]._replace(name="Alder Two", longitude=5.01)
    elsewhere = near._replace(name="Other days", timezone="Asia/Tokyo")

    done = go(server, store, [YARDS[0], near, elsewhere])

    assert len(done.asked) == 2
    assert "Other days" in done.asked
    assert past_runs_place(near) == past_runs_place(YARDS[0]) != past_runs_place(elsewhere)


def test_the_first_silent_server_ends_the_run_and_the_next_goes_on_from_there(server, store):
    server.fail(SINGLE, *["ok"] * 4, *["close"] * 3)
    said = []

    done = go(server, store, said=said)

    assert len(done.asked) == 1
    assert server.requests[SINGLE] == 7
    assert "run of" in said[0] and done.asked[0] in said[0]
    again = go(server, store, now=NOW + timedelta(hours=1))
    assert sorted(again.asked) == ["Alder", "Birch", "Cedar"]
    # The previous runs and the first four whole runs of that yard are kept already.
    assert server.requests == {PREVIOUS: 3, SINGLE: 7 + 26 + 60}


def test_what_is_no_longer_kept_is_asked_for_a_week_at_most(server, store):
    server.default.first_run = datetime(2026, 8, 20, tzinfo=UTC)
    go(server, store, YARDS[:1])
    runs, _ = stored_past_runs(store, YARDS[0])

    within = go(server, store, YARDS[:1], now=NOW + timedelta(hours=6))
    after = go(server, store, YARDS[:1], now=NOW + timedelta(days=8))

    assert len([run for run in runs if run.origin == "single"]) == 4
    assert within.asked == ("Alder",)
    assert after.asked == ()


def test_yards_that_the_service_refuses_do_not_keep_out_the_others(server, store):
    places = server.places
    server.default = None
    places[(42.0, 5.0)] = Place(runs=good_service)
    asked = []

    for day in range(3):
        asked += go(server, store, now=NOW + timedelta(days=day), most=1).asked

    assert "Cedar" in asked
    assert stored_past_runs(store, YARDS[0]) == ([], None)


@pytest.mark.parametrize(
    "weather",
    [{"provider": "sample"}, {"previous_runs_url": "", "single_runs_url": ""}],
    ids=["sample weather", "both switched off"],
)
def test_nothing_is_asked_where_there_is_nothing_to_ask(server, store, weather):
    assert go(server, store, **weather).asked == ()
    assert server.counts()["requests"] == {}
