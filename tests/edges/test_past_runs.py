"""Past runs from the service's replies, over real HTTP on loopback."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from support.weather_server import Place, WeatherServer
from windowcast.chance import LAST_SINGLE_LEAD
from windowcast.edges.allowance import Spent
from windowcast.edges.openmeteo_replies import read_daily, read_hourly, read_places
from windowcast.edges.past_runs import (
    fetch_past_runs,
    previous_runs_weight,
    run_of,
    single_run_days,
)
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import WeatherRefused, WeatherUnreachable, WeatherUnusable
from windowcast.trade.yard import Hive, Yard

PREVIOUS, SINGLE = "/v1/previous-runs", "/v1/single-runs"
NOW = datetime(2026, 8, 31, 3, tzinfo=UTC)  # still the 30th in Chicago
TODAY = date(2026, 8, 30)


def yard(timezone="America/Chicago"):
    return Yard(
        name="Creek Bend",
        latitude=40.0,
        longitude=-99.5,
        elevation_m=None,
        timezone=timezone,
        colonies=1,
        hive=Hive(),
        treatments=(),
    )


def high(day, ahead):
    """A high of its own for each day and each distance; 0 is what came."""
    return 15 + (day.toordinal() % 90) / 10 + ahead


def runs(timezone="America/Chicago"):
    """Courses that peak at 15:00 local; a run is as many days ahead as it is old by then."""
    zone = ZoneInfo(timezone)

    def at(run, instant):
        local = instant.astimezone(zone)
        ahead = 0 if run is None else (instant - run) // timedelta(days=1)
        return round(high(local.date(), ahead) - abs(local.hour - 15) * 0.4, 1)

    return at


@pytest.fixture
def place():
    return Place(runs=runs())


@pytest.fixture
def server(place):
    with WeatherServer(places={(40.0, -99.5): place}, now=NOW) as running:
        yield running


def fetch(server, *, previous=True, single=True, spent=None, have=(), **limits):
    return fetch_past_runs(
        yard(),
        WeatherSettings(
            previous_runs_url=server.previous_runs_url if previous else "",
            single_runs_url=server.single_runs_url if single else "",
            **limits,
        ),
        now=NOW,
        say=lambda line: None,
        spent=spent,
        have=have,
        sleep=lambda seconds: None,
        clock=lambda: NOW,
        deadline_s=5.0,
    )


def test_each_days_forecasts_stand_under_the_day_they_were_made(server):
    found = fetch(server, single=False)

    assert found.errors == ()
    assert found.observed.first_day == TODAY - timedelta(days=90)
    assert found.observed.last_day == TODAY - timedelta(days=1)
    assert all(
        found.observed.on(day) == round(high(day, 0) * 10)
        for day in (TODAY - timedelta(days=back) for back in range(1, 91))
    )
    by_day = {run.issued: run for run in found.runs}
    issued = date(2026, 7, 4)
    assert [by_day[issued].ahead(lead) for lead in range(9)] == [
        None,
        *(round(high(issued + timedelta(days=lead), lead) * 10) for lead in range(1, 8)),
        None,
    ]
    # The day before yesterday's forecasts are known for yesterday only: the rest is still to come.
    newest = by_day[TODAY - timedelta(days=2)]
    assert newest.ahead(1) == round(high(TODAY - timedelta(days=1), 1) * 10)
    assert newest.ahead(2) is None
    assert max(by_day) == TODAY - timedelta(days=2)
    assert min(by_day) == TODAY - timedelta(days=97)


def test_a_whole_run_is_asked_for_every_third_day_and_reaches_fifteen_days_ahead(server):
    found = fetch(server, previous=False)

    assert found.errors == ()
    assert found.observed is None
    assert len(found.runs) == server.requests[SINGLE] == 30
    assert {run.issued.toordinal() % 3 for run in found.runs} == {0}
    for run in found.runs:
        assert run.highs.first_day == run.issued
        # 15:00 in summer is 20 UTC, so a run of 00 UTC says it of its own day as day 0.
        assert [run.ahead(lead) for lead in range(15)] == [
            round(high(run.issued + timedelta(days=lead), lead) * 10) for lead in range(15)
        ]
        assert run.ahead(16) is None
    (_, query, _) = server.seen[0]
    assert query["run"] == f"{single_run_days(yard(), NOW)[0]}T00:00"
    assert "start_date" not in query


@pytest.mark.parametrize(
    ("timezone", "run"),
    [
        ("America/Chicago", datetime(2026, 7, 4, 0, tzinfo=UTC)),
        ("Europe/Berlin", datetime(2026, 7, 3, 12, tzinfo=UTC)),
        ("Europe/London", datetime(2026, 7, 3, 12, tzinfo=UTC)),
        ("UTC", datetime(2026, 7, 4, 0, tzinfo=UTC)),
        ("Asia/Tokyo", datetime(2026, 7, 3, 12, tzinfo=UTC)),
        ("Pacific/Kiritimati", datetime(2026, 7, 3, 0, tzinfo=UTC)),
    ],
)
def test_the_run_of_a_day_is_the_newest_that_knows_all_of_it(timezone, run):
    assert run_of(date(2026, 7, 4), ZoneInfo(timezone)) == run


@pytest.mark.parametrize(
    "timezone",
    ["Europe/Berlin", "Asia/Tokyo", "Australia/Adelaide", "Pacific/Kiritimati", "Etc/GMT+12"],
)
def test_a_run_knows_all_days_that_a_single_forecast_is_corrected_for_in_every_zone(timezone):
    there = yard(timezone)
    with WeatherServer(places={(40.0, -99.5): Place(runs=runs(timezone))}, now=NOW) as server:
        found = fetch_past_runs(
            there,
            WeatherSettings(previous_runs_url="", single_runs_url=server.single_runs_url),
            now=NOW,
            say=lambda line: None,
            days=9,
        )

    assert len(found.runs) == 3
    for run in found.runs:
        assert run.highs.first_day == run.issued
        assert all(run.ahead(lead) is not None for lead in range(LAST_SINGLE_LEAD + 1))


def test_the_weights_are_the_services_own_and_add_to_what_was_spent(server):
    # Published rule: variables / 10 x days / 14, at least 1; eight over 92 days make 5.26.
    found = fetch(server, spent=Spent(day=NOW.date(), weight=100.0))

    assert previous_runs_weight() == pytest.approx(5.257, abs=0.001)
    assert server.weight[PREVIOUS] == pytest.approx(previous_runs_weight(), abs=0.06)
    assert server.weight[SINGLE] == 30
    assert found.spent.weight == pytest.approx(135.257, abs=0.001)


def test_what_is_there_is_not_asked_for_again(server):
    days = single_run_days(yard(), NOW)
    have = {("previous", TODAY), *(("single", day) for day in days[:28])}

    found = fetch(server, have=have)

    assert server.requests[PREVIOUS] == 0
    assert [run.issued for run in found.runs] == days[28:]


def test_the_days_of_whole_runs_stay_the_same_from_day_to_day():
    today = set(single_run_days(yard(), NOW))
    tomorrow = set(single_run_days(yard(), NOW + timedelta(days=1)))

    assert len(today & tomorrow) >= 29


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        ("fahrenheit", WeatherUnusable, "wanted °C"),
        ("no-units", WeatherUnusable, "wanted °C"),
        ("missing-variable", WeatherUnusable, "temperature_2m is not in the answer"),
        ("short-array", WeatherUnusable, "2207 values for 2208 times"),
        ("text-value", WeatherUnusable, "wanted numbers"),
        ("all-null", WeatherUnusable, "no data for this place"),
        ("repeated-dates", WeatherUnusable, "repeat"),
        ("jumping-dates", WeatherUnusable, "jump"),
        ("last-year", WeatherUnusable, "wanted 2208 from 2026-05-31T00:00"),
        ("wrong-count", WeatherUnusable, "2 places"),
        ("wrong-offset", WeatherUnusable, "off UTC"),
        ("status:400:No data is available", WeatherRefused, "No data is available"),
        ("429-daily", WeatherRefused, "the limit for this day is used up"),
        pytest.param("elsewhere", WeatherUnusable, "wanted 40.00, -99.50", id="another place"),
    ],
)
def test_previous_runs_that_do_not_say_what_was_asked_are_refused(server, fault, kind, words):
    server.fail(PREVIOUS, fault)

    found = fetch(server, single=False)

    (error,) = found.errors
    assert isinstance(error, kind)
    assert words in str(error)
    assert str(error).startswith("Creek Bend: previous runs: ")
    assert found.runs == ()
    assert server.requests[PREVIOUS] == 1


def test_days_ahead_that_the_service_does_not_reach_leave_the_others(server, place):
    whole = place.runs
    place.runs = lambda run, at: (
        None if run is not None and at - run > timedelta(days=6) else whole(run, at)
    )

    found = fetch(server, single=False)

    assert found.errors == ()
    assert any(run.ahead(5) is not None for run in found.runs)
    assert all(run.ahead(lead) is None for run in found.runs for lead in (6, 7))


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        ("fahrenheit", "wanted °C"),
        ("last-year", "its hours begin at 2025-"),
        ("wrong-offset", "off UTC"),
        ("nan", "it answers nan"),
        pytest.param("elsewhere", "wanted 40.00, -99.50", id="another place"),
    ],
)
def test_one_bad_run_costs_that_run_only(server, fault, words):
    server.fail(SINGLE, "ok", fault)

    found = fetch(server, previous=False)

    (error,) = found.errors
    assert words in str(error)
    day = single_run_days(yard(), NOW)[1]
    assert str(error).startswith(f"Creek Bend: run of {day} 00 UTC: ")
    assert len(found.runs) == 29


def test_runs_that_are_no_longer_kept_end_the_asking_and_newer_ones_stay(server, place):
    place.first_run = datetime(2026, 8, 1, tzinfo=UTC)

    found = fetch(server, previous=False)

    assert {run.issued for run in found.runs} == {
        day for day in single_run_days(yard(), NOW) if day >= date(2026, 8, 1)
    }
    assert server.requests[SINGLE] == len(found.runs) + 3
    assert not found.unreachable


def test_a_longitude_a_turn_further_is_the_same_place(server):
    server.fail(PREVIOUS, "next-turn")
    server.fail(SINGLE, "next-turn")

    assert fetch(server).errors == ()


def test_a_silent_server_is_left_at_once_and_what_came_is_kept(server):
    server.fail(SINGLE, "ok", "ok", "close", "close", "close")

    found = fetch(server)

    assert found.unreachable
    assert isinstance(found.errors[0], WeatherUnreachable)
    assert len([run for run in found.runs if run.origin == "single"]) == 2
    assert len([run for run in found.runs if run.origin == "previous"]) == 96
    assert server.requests[SINGLE] == 5
    # Two runs, and three attempts for the third.
    assert found.spent.weight == pytest.approx(previous_runs_weight() + 5, abs=0.001)


def test_a_used_up_budget_asks_nothing_more(server):
    found = fetch(server, calls_per_day=10.0)

    assert server.requests[PREVIOUS] == 1
    assert server.requests[SINGLE] == 4
    assert "budget of 10" in str(found.errors[0])
    assert len([run for run in found.runs if run.origin == "single"]) == 4


def test_a_source_without_an_address_is_not_asked(server):
    found = fetch(server, previous=False, single=False)

    assert (found.runs, found.observed, found.errors) == ((), None, ())
    assert sum(server.requests.values()) == 0


def test_recorded_previous_runs_are_read(shared_folder):
    reply = json.loads((shared_folder / "recorded/om_previous_runs_trimmed.json").read_text())
    (item,) = read_places(reply, 1)

    came = read_hourly(item)
    two_days_ago = read_hourly(item, "temperature_2m_previous_day2")

    assert came.first_hour_utc == datetime(2026, 10, 2, tzinfo=UTC)
    assert came.columns == [[138, 133, 121]]
    assert two_days_ago.columns == [[144, 142, 134]]


def test_a_recorded_single_run_is_read(shared_folder):
    reply = json.loads((shared_folder / "recorded/om_single_run_daily_trimmed.json").read_text())
    (item,) = read_places(reply, 1)

    assert read_hourly(item).first_hour_utc == datetime(2026, 9, 1, tzinfo=UTC)
    assert read_hourly(item).columns == [[147, 145, 144]]
    assert read_daily(item).columns == [[202, 207]]
