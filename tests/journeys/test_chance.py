"""The corrected chance of a morning: past years over loopback, stored scenarios, every switch."""

from __future__ import annotations

import json
import math
import random
from datetime import timedelta

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.weather_server import Place, WeatherServer

CREEK = (44.9, -99.7)


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    return made


def past_year(day):
    """An invented year: warmest where the present day is, with a fixed pseudo-random departure."""
    drawn = random.Random(day.toordinal())
    return round(24 + 6 * math.cos(0.0172 * day.timetuple().tm_yday) + drawn.gauss(0, 3), 1)


def place(journey, *, high_c=24.0, spread_k=0.4, members=51):
    drawn = random.Random(5)
    columns = [
        [round(high_c + drawn.gauss(0, spread_k), 1) for _ in range(46)] for _ in range(members)
    ]
    return Place(
        daily_highs=[high_c] * 16,
        members=[column[:15] for column in columns],
        extended=columns,
        timezone=journey.zone,
        past={
            day: past_year(day)
            for day in (journey.today - timedelta(days=back) for back in range(1, 12000))
        },
    )


def configure(journey, server, chance, *, ensemble=True):
    text = settings(
        forecast=server.forecast_url,
        ensemble=server.ensemble_url if ensemble else "",
        seasonal=server.seasonal_url if ensemble else "",
        archive=server.archive_url,
    )
    journey.write("windowcast.toml", text.replace("calibrate = false", chance))


def asked(journey, *arguments):
    done = journey.windowcast("yard", "Creek Bend", "--json", "--print-weather", *arguments)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout), done.stderr


def spread_k(found, day):
    row = found["weather"]["scenarios"]["high_c"][day]
    mean = sum(row) / len(row)
    return math.sqrt(sum((value - mean) ** 2 for value in row) / len(row))


def test_the_chance_is_corrected_once_and_then_read_from_the_store(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = true")
        fresh, _ = asked(journey)
        requests = sum(server.requests.values())
        stored, _ = asked(journey)
        assert sum(server.requests.values()) == requests
        assert server.requests["/v1/archive"] == 1
    assert stored["treatments"] == fresh["treatments"]
    assert stored["weather"] == fresh["weather"]
    forecast = fresh["forecast"]
    assert forecast["how"].startswith("Chance: 51 ensemble members, corrected with built-in errors")
    assert "past years beyond" in forecast["how"]
    assert forecast["scenarios"] == 204
    assert forecast["last_day"] == (journey.today + timedelta(days=45)).isoformat()


def test_a_raw_ensemble_that_is_too_narrow_is_widened_near_today(journey):
    """Raw spread near half of the error one day ahead, two thirds on day two (ECMWF at Magdeburg,
    2002-14, as the weather notes print them): corrected, it is about twice as wide at first."""
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = false")
        raw, _ = asked(journey)
        configure(journey, server, "calibrate = true\nregress = false\nrecent = false")
        corrected, _ = asked(journey, "--fetch")
    assert raw["forecast"]["how"] == ""
    assert raw["forecast"]["scenarios"] == 51
    assert 1.7 < spread_k(corrected, 1) / spread_k(raw, 1) < 2.3
    assert 0.8 < spread_k(corrected, 10) / spread_k(raw, 10) < 1.25


def test_every_step_can_be_switched_off(journey):
    off = "climate = false\nregress = false\nspread = false\nrecent = false\nextended = false"
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = true\n" + off)
        found, _ = asked(journey)
        assert "past years" not in found["forecast"]["how"]
        requests = sum(server.requests.values())
        # Other switches are other scenarios, made anew from the sources that are stored.
        configure(journey, server, "calibrate = true")
        other, _ = asked(journey)
        configure(journey, server, "calibrate = false")
        raw, _ = asked(journey)
        assert sum(server.requests.values()) == requests
    assert "past years" in other["forecast"]["how"]
    assert raw["forecast"]["how"] == ""
    assert raw["forecast"]["fetched_at"] == found["forecast"]["fetched_at"]


def test_past_years_carry_on_where_the_extended_range_is_off(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = true")
        text = (journey.folder / "windowcast.toml").read_text()
        journey.write("windowcast.toml", text.replace(server.seasonal_url, ""))
        found, _ = asked(journey)
    assert found["forecast"]["last_day"] == (journey.today + timedelta(days=45)).isoformat()
    assert {row["regimen"] for row in found["treatments"][0]["starts"]} == {
        "two-strips",
        "one-strip-swap",
    }


def test_a_single_forecast_is_dressed_with_its_past_errors(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = true", ensemble=False)
        found, _ = asked(journey)
    (answer,) = found["treatments"]
    assert found["forecast"]["how"].startswith("Chance: one forecast, corrected with")
    assert all(row["chance"] is not None for row in answer["starts"])
    assert spread_k(found, 12) > spread_k(found, 1) > 0.5
    assert "made from a single forecast and its past errors" in answer["reason"]


def test_without_past_years_the_raw_share_is_named_for_what_it_is(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = true")
        server.fail("/v1/archive", "status:400:No data is available for this location")
        found, said = asked(journey)
    assert found["forecast"]["how"] == "Chance: the raw share of scenarios, not corrected."
    assert found["forecast"]["scenarios"] == 51
    assert "Creek Bend" in said
    assert "the chance is not corrected" in said


def test_the_notice_says_how_the_chance_was_made(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server, "calibrate = true")
        printed = journey.windowcast("morning", "--print").stdout
    assert "Chance: 51 ensemble members, corrected with" in " ".join(printed.split())


def test_past_runs_are_fetched_after_the_notice_and_then_the_errors_are_the_yards_own(journey):
    """A service whose runs miss the truth by a fixed pseudo-random half degree."""

    def said_by(run, at):
        missed = 0.0 if run is None else random.Random(f"{run}{at.date()}").gauss(0, 0.5)
        return round(past_year(at.date()) + missed - abs(at.hour - 20) * 0.3, 1)

    served = place(journey)
    served.runs = said_by
    with WeatherServer(places={CREEK: served}) as server:
        configure(journey, server, "calibrate = true", ensemble=False)
        text = (journey.folder / "windowcast.toml").read_text()
        text = text.replace(
            'previous_runs_url = ""', f'previous_runs_url = "{server.previous_runs_url}"'
        ).replace('single_runs_url = ""', f'single_runs_url = "{server.single_runs_url}"')
        journey.write("windowcast.toml", text)
        done = journey.windowcast("morning")
        assert done.returncode == 0, done.stderr
        assert "built-in errors" in " ".join(done.stdout.split())
        asked_runs = server.requests["/v1/single-runs"]
        assert asked_runs >= 25
        done = journey.windowcast("morning")
        assert server.requests["/v1/single-runs"] == asked_runs
    assert "past errors by days ahead" in " ".join(done.stdout.split())
