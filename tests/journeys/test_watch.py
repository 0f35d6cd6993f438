"""Danger told at once: real servers, a real mailbox, a treatment in the journal."""

from __future__ import annotations

from datetime import timedelta

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.service import stopped, ticked
from support.weather_server import Place, WeatherServer

CREEK = (44.9, -99.7)


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    return made


def place(journey, *highs_c):
    whole = [*highs_c, *[22.0] * (16 - len(highs_c))]
    return Place(
        daily_highs=whole,
        members=[whole[:15]] * 11,
        extended=[[*whole, *[21.0] * 30]] * 11,
        timezone=journey.zone,
    )


def configure(journey, server, box=None, extra=""):
    text = settings(
        forecast=server.forecast_url,
        ensemble=server.ensemble_url,
        seasonal=server.seasonal_url,
        mail_port=None if box is None else box.port,
        extra=extra,
    )
    journey.write("windowcast.toml", text)


def begin(journey):
    yesterday = (journey.today - timedelta(days=1)).isoformat()
    done = journey.windowcast(
        "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--on", yesterday
    )
    assert done.returncode == 0, done.stderr


def subjects(box):
    return [letter.message["Subject"] for letter in box.letters]


def test_danger_is_told_once_by_mail_and_again_when_it_is_over(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box)
        begin(journey)
        journey.windowcast("morning")
        assert len(subjects(box)) == 1 and "danger" not in subjects(box)[0]
        server.places[CREEK] = place(journey, 24.0, 35.0)
        # The day's notice has gone: what is new is told all the same.
        look(journey)
        look(journey)
        assert len(subjects(box)) == 2
        assert subjects(box)[1].startswith("Creek Bend: strips in danger, ")
        server.places[CREEK] = place(journey, 24.0, 31.0)
        look(journey)
        assert len(subjects(box)) == 2
        server.places[CREEK] = place(journey)
        look(journey)
        look(journey)
    assert subjects(box)[2] == "Creek Bend: the danger has passed"
    assert len(subjects(box)) == 3
    urgent = " ".join(box.letters[1].text.split())
    assert "Go by the label first" in urgent
    assert "above 33.0 °C" in urgent


def look(journey):
    """A service that starts, looks and is stopped."""
    with ticked(journey) as (process,):
        said = stopped(process)
    assert process.returncode == 0, said


def test_two_services_tell_it_once(journey):
    with WeatherServer(places={CREEK: place(journey, 24.0, 35.0)}) as server, Mailbox() as box:
        configure(journey, server, box, extra='[morning]\nat = "23:58"\nlate_until = "23:59"\n')
        begin(journey)
        with ticked(journey, 2) as both:
            for process in both:
                stopped(process)
    assert sorted(process.returncode for process in both) == [0, 3]
    assert len(subjects(box)) == 1


def test_the_morning_tells_it_in_its_own_notice_and_later_runs_tell_it_at_once(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server, Mailbox() as box:
        configure(journey, server, box)
        begin(journey)
        assert journey.windowcast("morning").returncode == 0
        server.places[CREEK] = place(journey, 24.0, 35.0)
        for _ in range(2):
            done = journey.windowcast("morning")
            assert done.returncode == 0, done.stderr
    assert len(box.letters) == 2
    assert subjects(box)[1].startswith("Creek Bend: strips in danger, ")
    assert "This cannot wait for the morning's notice." in box.letters[1].text


def test_where_no_mail_is_set_the_printed_notice_says_it(journey):
    with WeatherServer(places={CREEK: place(journey, 24.0, 35.0)}) as server:
        configure(journey, server)
        begin(journey)
        printed = journey.windowcast("morning").stdout
    assert "Creek Bend: strips in danger, " in printed
    assert "DANGER" in printed


def test_a_yard_without_a_forecast_is_not_known_and_not_quiet(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        configure(journey, server)
    begin(journey)
    done = journey.windowcast("morning", "--print")

    assert done.returncode == 3
    assert "what they bring is not known" in " ".join(done.stdout.split())


def test_rain_and_wind_of_a_visit_come_with_the_forecast(journey):
    with WeatherServer(places={CREEK: place(journey)}) as server:
        wet = server.places[CREEK]
        wet.rain_mm = lambda hour: 2.0
        configure(journey, server)
        started = (journey.today - timedelta(days=12)).isoformat()
        done = journey.windowcast(
            "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--on", started
        )
        assert done.returncode == 0
        notice = " ".join(journey.windowcast("morning", "--print").stdout.split())
    assert "falls on a day too wet to open a hive; no better day near it is forecast" in notice


def test_serve_that_must_not_watch_does_not(journey):
    with WeatherServer(places={CREEK: place(journey, 24.0, 35.0)}) as server, Mailbox() as box:
        extra = '[morning]\nat = "23:58"\nlate_until = "23:59"\nwatch_hours = 0\n'
        configure(journey, server, box, extra=extra)
        begin(journey)
        with ticked(journey) as (process,):
            stopped(process)
    assert process.returncode == 0
    assert subjects(box) == []
    assert sum(server.requests.values()) == 0
