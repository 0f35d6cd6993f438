"""A second weather service over loopback: its manners, and what it is good for."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.second_server import SecondServer
from support.weather_server import Place, WeatherServer
from windowcast.edges.store import open_store

CREEK = (44.90213, -99.7)
FAR = (-34.0, 18.5)


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    return made


def place(journey, high_c=20.0):
    return Place(
        daily_highs=[high_c] * 16,
        members=[[high_c] * 15] * 11,
        extended=[[high_c] * 46] * 11,
        timezone=journey.zone,
    )


def configure(journey, server, second):
    urls = {} if server is None else {
        "forecast": server.forecast_url,
        "ensemble": server.ensemble_url,
        "seasonal": server.seasonal_url,
    }  # fmt: skip
    text = settings(**urls) if urls else settings(forecast="http://127.0.0.1:9/")
    text = text.replace(
        'provider = "open-meteo"\n', f'provider = "open-meteo"\n{second.settings()}'
    )
    journey.write("windowcast.toml", text)


def asked(journey, code=0):
    done = journey.windowcast("yard", "Creek Bend", "--json", "--fetch")
    assert done.returncode == code, done.stderr
    return json.loads(done.stdout), done.stderr


def words(text):
    return " ".join(text.split())


def test_where_the_two_agree_nothing_is_said(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([21.0] * 9, journey.zone) as second,
    ):
        configure(journey, server, second)
        found, _ = asked(journey)
        notice = journey.windowcast("morning", "--print").stdout
    assert found["second_look"] == {"met-norway": [], "nws": []}
    assert "Second look" not in notice
    assert "Data from MET Norway (CC BY 4.0)" in words(notice)
    assert second.requests["metno"] >= 1 and second.requests["INV"] >= 1


def test_a_day_on_which_they_differ_more_than_usual_is_named(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0, 20.0, 29.0, *[20.0] * 6], journey.zone) as second,
    ):
        configure(journey, server, second)
        found, _ = asked(journey)
        notice = words(journey.windowcast("morning", "--print").stdout)
    day = (journey.today + timedelta(days=2)).isoformat()
    for source in ("met-norway", "nws"):
        (one,) = found["second_look"][source]
        assert (one["day"], one["first_c"], one["second_c"], one["by_k"]) == (day, 20.0, 29.0, 9.0)
    assert "MET Norway has 29.0 °C on" in notice
    assert "take the chance for less sure" in notice


def test_what_they_usually_differ_by_is_no_news(journey):
    """A second that is always six kelvins warmer is not warmer than usual."""
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([26.5] * 9, journey.zone) as second,
    ):
        configure(journey, server, second)
        strange, _ = asked(journey)
        with open_store("sqlite:///windowcast.db", journey.folder) as store:
            for table in ("forecast", "second_look"):
                columns = [row[1] for row in store._database.execute(f"PRAGMA table_info({table})")]
                for back in range(1, 60):
                    moved = [
                        f"replace(date({name}, '-{back} day'), '', '')"
                        if name == "first_day"
                        else (
                            f"strftime('%Y-%m-%dT%H:%M:%S', {name}, '-{back} day') || '.000000Z'"
                            if name == "fetched_at"
                            else name
                        )
                        for name in columns
                    ]
                    store._database.execute(
                        f"INSERT OR IGNORE INTO {table} SELECT {', '.join(moved)} FROM {table}"
                        " WHERE first_day = ?",
                        (journey.today.isoformat(),),
                    )
        second.modified = datetime.now(UTC) + timedelta(hours=1)
        usual, _ = asked(journey)
    assert len(strange["second_look"]["met-norway"]) >= 3
    assert usual["second_look"]["met-norway"] == []


def test_an_answer_that_holds_is_not_asked_for_again(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        second.expires = timedelta(hours=1)
        configure(journey, server, second)
        asked(journey)
        before = second.requests.total()
        asked(journey)
        assert second.requests.total() == before


def test_what_has_not_changed_is_not_sent_again(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        configure(journey, server, second)
        asked(journey)
        first, _ = asked(journey)
        second.highs_c = [30.0] * 9
        second.modified += timedelta(minutes=30)
        changed, _ = asked(journey)
    assert first["second_look"] == {"met-norway": [], "nws": []}
    assert len(changed["second_look"]["met-norway"]) >= 4


def test_it_asks_with_its_name_and_four_decimals(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        configure(journey, server, second)
        asked(journey)
    (query,) = [one for one in second.queries if "lat" in one]
    assert query == {"lat": ["44.9021"], "lon": ["-99.7"]}


def test_where_the_first_is_down_the_second_keeps_the_watch(journey):
    with SecondServer([22.0, 35.0, *[22.0] * 7], journey.zone) as second:
        configure(journey, None, second)
        started = journey.today.isoformat()
        done = journey.windowcast(
            "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--on", started
        )
        assert done.returncode == 0, done.stderr
        found, said = asked(journey)
        notice = words(journey.windowcast("morning", "--print").stdout)
    assert "connection refused" in said
    assert found["forecast"]["sources"] == ["second"]
    assert found["treatments"][0]["status"] == "unknown"
    assert found["in_hand"]["watch"]["level"] == "urgent"
    assert "the first days are those of MET Norway" in notice
    assert "Data from MET Norway (CC BY 4.0)" in notice
    assert "strips in danger" in notice


def test_a_second_that_is_down_or_refuses_harms_nothing(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        second.faults = {"metno": [403], "nws": [503, 503, 503]}
        configure(journey, server, second)
        found, said = asked(journey)
    assert found["treatments"][0]["status"] == "open"
    assert found["second_look"] == {}
    assert "second look: 127.0.0.1 does not allow this (403: not now)" in said
    assert "second look: 127.0.0.1 is failing (503: not now)" in said


def test_without_a_contact_nobody_is_asked(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone, contact="") as second,
    ):
        configure(journey, server, second)
        asked(journey)
    assert second.requests.total() == 0


def test_outside_of_the_united_states_its_service_is_not_asked(journey):
    journey.write("yards.toml", yard_table("Creek Bend", *FAR, journey.zone))
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        configure(journey, server, second)
        found, _ = asked(journey)
    assert second.requests["points"] == 0
    assert list(found["second_look"]) == ["met-norway"]


def test_a_grid_square_on_another_host_is_not_followed(journey):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        second.grid_host = "http://127.0.0.2:9"
        configure(journey, server, second)
        _, said = asked(journey)
    assert "names a grid square on another host: not followed" in said


@pytest.mark.parametrize(("service", "unit"), [("metno", "fahrenheit"), ("nws", "wmoUnit:K")])
def test_another_unit_is_not_read(journey, service, unit):
    with (
        WeatherServer(default=place(journey)) as server,
        SecondServer([20.0] * 9, journey.zone) as second,
    ):
        second.unit[service] = unit
        configure(journey, server, second)
        found, said = asked(journey)
    assert f"{unit!r}, wanted" in said
    assert {"metno": "met-norway", "nws": "nws"}[service] not in found["second_look"]
