"""Day length against the published model's values and against what almanacs print."""

from __future__ import annotations

import math
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import astral
import astral.sun
import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowcast.trade.daylight import day_length_hours, equation_of_time_minutes, shortest_day, sun


@pytest.mark.parametrize(
    ("latitude", "day_of_year", "hours"),
    [
        (latitude, day_of_year, hours)
        for latitude, values in (
            (45, (15.62, 14.14, 12.19, 10.22, 8.76)),
            (50, (16.37, 14.55, 12.21, 9.85, 8.07)),
            (35, (14.51, 13.52, 12.16, 10.79, 9.80)),
        )
        for day_of_year, hours in zip((172, 227, 266, 305, 355), values, strict=True)
    ],
)
def test_the_model_of_forsythe_et_al(latitude, day_of_year, hours):
    """The CBM model of Forsythe et al. 1995, Ecol. Model. 80:87-95, worked with p = 0.8333 apart
    from this code; to the hundredth of an hour as rounded there."""
    assert day_length_hours(latitude, day_of_year) == pytest.approx(hours, abs=0.0101)


@pytest.mark.parametrize("day_of_year", [1, 80, 172, 266, 355, 366])
def test_the_day_at_the_equator_is_longer_than_12_hours_by_the_disc_and_the_refraction(day_of_year):
    """12.12 hours by the same source; 12 where the sun's centre on the horizon is the end."""
    assert day_length_hours(0, day_of_year) == pytest.approx(12.12, abs=0.01)
    assert day_length_hours(0, day_of_year, 0.0) == pytest.approx(12, abs=1e-9)


@pytest.mark.parametrize(("day_of_year", "hours"), [(172, 16 + 38 / 60), (355, 7 + 50 / 60)])
def test_the_solstices_of_an_almanac(day_of_year, hours):
    """16 h 38 min and 7 h 50 min at 51.5 degrees north: almanacs, from memory."""
    assert day_length_hours(51.5, day_of_year) == pytest.approx(hours, abs=4 / 60)


@given(st.floats(0, 89), st.integers(1, 366))
def test_north_and_south_share_a_day(latitude, day_of_year):
    """By the sun's centre alone, what is day at one latitude is night at its mirror."""
    north = day_length_hours(latitude, day_of_year, 0.0)
    assert north + day_length_hours(-latitude, day_of_year, 0.0) == pytest.approx(24, abs=1e-6)


def test_the_sun_that_does_not_set():
    assert day_length_hours(70, 172) == 24
    assert day_length_hours(70, 355) == 0
    assert day_length_hours(-70, 355) == 24


def test_the_shortest_day_is_the_shortest():
    for latitude in (45.0, -35.0):
        shortest = min(range(1, 366), key=lambda day, here=latitude: day_length_hours(here, day))
        expected = shortest_day(latitude, 2026)
        assert abs(shortest - expected.timetuple().tm_yday) <= 1
    assert shortest_day(-35, 2027) == date(2027, 6, 21)


@pytest.mark.parametrize("latitude", [0.0, 20.0, -35.0, 45.0, 50.0, 55.0, 60.0, -60.0])
@pytest.mark.parametrize(
    ("longitude", "name"),
    [
        (-99.7, "America/Chicago"),
        (13.4, "Europe/Berlin"),
        (-157.4, "Pacific/Kiritimati"),  # a day ahead of its longitude
        (151.2, "Australia/Sydney"),
    ],
)
def test_sunrise_and_sunset_of_a_year(latitude, longitude, name):
    """By the library astral, on every third day of a year, both changes of the clocks in it. The
    model of the day's length is some minutes off around the equinoxes, further from the equator
    more."""
    zone, tolerance = ZoneInfo(name), 3.0 if abs(latitude) <= 35 else 6.0
    for ahead in range(0, 365, 3):
        day = date(2026, 1, 1) + timedelta(days=ahead)
        place = astral.Observer(latitude, longitude)
        rises = astral.sun.sunrise(place, date=day, tzinfo=zone)
        sets = astral.sun.sunset(place, date=day, tzinfo=zone)
        found = sun(latitude, longitude, day, zone)
        for minutes, at in ((found.rises, rises), (found.sets, sets)):
            away = (minutes - 60 * at.hour - at.minute - at.second / 60 + 720) % 1440 - 720
            assert abs(away) <= tolerance, (day, away)


@pytest.mark.parametrize(
    ("day", "rises", "sets"),
    [(date(2026, 6, 21), (4, 43), (21, 21)), (date(2026, 12, 21), (8, 4), (15, 53))],
)
def test_the_sun_of_an_almanac(day, rises, sets):
    """London: almanacs, from memory."""
    found = sun(51.5, -0.1, day, ZoneInfo("Europe/London"))
    assert found.rises == pytest.approx(60 * rises[0] + rises[1], abs=4)
    assert found.sets == pytest.approx(60 * sets[0] + sets[1], abs=4)


@pytest.mark.parametrize(
    ("day", "minutes"),
    [
        (date(2026, 2, 11), -14.2),
        (date(2026, 5, 14), 3.7),
        (date(2026, 7, 26), -6.5),
        (date(2026, 11, 3), 16.4),
    ],
)
def test_the_equation_of_time_at_its_ends(day, minutes):
    """The four extremes that almanacs print, from memory."""
    assert equation_of_time_minutes(day.timetuple().tm_yday) == pytest.approx(minutes, abs=0.3)


def test_polar_day_and_night():
    zone = ZoneInfo("Europe/Oslo")
    assert sun(70, 20, date(2026, 6, 21), zone) == (-math.inf, math.inf)
    night = sun(70, 20, date(2026, 12, 21), zone)
    assert night.rises == night.sets
    assert (night.up, sun(70, 20, date(2026, 3, 21), zone).up) == (False, True)
