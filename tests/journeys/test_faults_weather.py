"""Bad weather data, from the server's answer to the mail: nothing is named that nobody knows."""

from __future__ import annotations

import json

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.weather_server import Place, WeatherServer

CREEK = (44.9, -99.7)
PATHS = ("/v1/forecast", "/v1/ensemble", "/v1/seasonal")


@pytest.fixture
def journey(tmp_path):
    zone = morning_zone()
    made = Journey(folder=tmp_path, zone=zone)
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, zone))
    return made


def place(zone, *, days=15, members=51):
    """Weather in which every start of the next days is open."""
    return Place(
        daily_highs=[20.0] * days,
        members=[[20.0] * days] * members,
        extended=[[20.0] * 46] * members,
        timezone=zone,
    )


def urls(server):
    return {
        "forecast": server.forecast_url,
        "ensemble": server.ensemble_url,
        "seasonal": server.seasonal_url,
    }


@pytest.mark.parametrize(
    "fault",
    [
        "fahrenheit",
        "no-units",
        "missing-variable",
        "short-array",
        "repeated-dates",
        "jumping-dates",
        "last-year",
        "text-value",
        "all-null",
        "elsewhere",
        "error-200",
        "status:403:<b>no</b>",
        "redirect:http://127.0.0.2:1/v1",
        "429-daily",
    ],
)
def test_bad_weather_opens_nothing_and_the_mail_says_that_nothing_is_known(journey, fault):
    with WeatherServer(places={CREEK: place(journey.zone)}) as server, Mailbox() as box:
        journey.write("windowcast.toml", settings(**urls(server), mail_port=box.port))
        for path in PATHS:
            server.fail(path, fault)
        bad = journey.windowcast("morning")
        healed = journey.windowcast("morning")

    assert bad.returncode == 3
    assert "Traceback" not in bad.stderr
    first, second = box.letters
    assert first.message["Subject"] == "Creek Bend: without a usable forecast"
    assert first.text.startswith("No usable forecast for Creek Bend")
    assert healed.returncode == 0
    assert second.message["Subject"] == "Creek Bend can start today"


def test_a_day_that_nobody_knows_is_in_no_window(journey):
    """A single forecast: each start whose exposure holds the unknown day is not named."""
    unknown = 9
    highs = [20.0] * 15
    highs[unknown] = None
    there = Place(daily_highs=highs, timezone=journey.zone)
    with WeatherServer(places={CREEK: there}) as server:
        journey.write("windowcast.toml", settings(forecast=server.forecast_url))
        found = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)

    (answer,) = found["treatments"]
    assert answer["earliest_start"] is None
    assert not any(row["safe"] for row in answer["starts"])
    assert found["forecast"]["scenarios"] == 0


def test_the_members_that_came_are_counted_in_the_reason(journey):
    with WeatherServer(places={CREEK: place(journey.zone, members=31)}) as server:
        journey.write("windowcast.toml", settings(**urls(server)))
        found = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)

    assert found["forecast"]["scenarios"] == 31
    assert "In 31 of 31 scenarios" in found["treatments"][0]["reason"]


def test_a_shorter_forecast_names_no_start_that_reaches_past_its_end(journey):
    """Five days of weather for exposures of a fortnight."""
    with WeatherServer(places={CREEK: place(journey.zone, days=5)}) as server:
        journey.write(
            "windowcast.toml",
            settings(forecast=server.forecast_url, ensemble=server.ensemble_url),
        )
        found = json.loads(journey.windowcast("yard", "Creek Bend", "--json").stdout)

    (answer,) = found["treatments"]
    assert (answer["status"], answer["starts"]) == ("unknown", [])
    assert answer["earliest_start"] is None
