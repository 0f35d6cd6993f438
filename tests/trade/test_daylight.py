"""Day length against the published model's values and against what almanacs print."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from windowcast.trade.daylight import day_length_hours, shortest_day


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
