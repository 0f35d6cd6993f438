"""Places of yards that are more often a slip than true."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from support.journey import TREATMENTS, Journey, settings, yard_table
from support.weather import yard
from windowcast.places import HOURS_APART, hours_apart, odd_places

SUMMER, WINTER = datetime(2026, 7, 1, tzinfo=UTC), datetime(2026, 1, 1, tzinfo=UTC)


def at(latitude, longitude, zone="America/Chicago", name="Creek Bend"):
    return yard(name, timezone=zone)._replace(latitude=latitude, longitude=longitude)


@pytest.mark.parametrize(
    ("longitude", "zone"),
    [
        (-99.7, "America/Chicago"),
        # The widest there are on land (IANA time zone database; longitudes of a common atlas).
        (73.6, "Asia/Shanghai"),
        (-24.4, "Atlantic/Reykjavik"),
        (-73.5, "America/Argentina/Rio_Gallegos"),
        (-9.2, "Europe/Madrid"),
        # A day ahead of their longitude.
        (-157.4, "Pacific/Kiritimati"),
        (-175.2, "Pacific/Tongatapu"),
        (179.4, "Pacific/Fiji"),
    ],
)
@pytest.mark.parametrize("now", [SUMMER, WINTER])
def test_a_zone_that_is_used_at_a_longitude_is_not_noted(longitude, zone, now):
    assert hours_apart(at(40.0, longitude, zone), now) < HOURS_APART


@pytest.mark.parametrize("now", [SUMMER, WINTER])
def test_a_wrong_sign_is_noted_with_how_far_it_is_off(now):
    """99.71 degrees are 6.65 hours; the zone's standard time is 6 hours the other way."""
    (note,) = odd_places([at(44.9, 99.7134)], now)

    assert "longitude 99.7134 and its time zone America/Chicago are 11.4 hours apart" in note


def test_a_yard_far_from_all_others_is_noted_alone():
    """One degree of latitude is 111.2 km: 40 of them are 4,448."""
    near = [at(44.9, -99.7, name="One"), at(45.3, -99.2, name="Two")]
    wrong = at(4.9, -99.7, name="Three")

    assert list(odd_places(near, SUMMER)) == []
    for order in ([wrong, *near], [*near, wrong]):
        (note,) = odd_places(order, SUMMER)
        assert note.startswith("note: Three is 4448 km from One")
    (both,) = odd_places([near[0], wrong], SUMMER)
    assert "One and Three are 4448 km apart" in both


def test_check_notes_it_and_is_ready_all_the_same(tmp_path):
    journey = Journey(folder=tmp_path, zone="America/Chicago")
    journey.write("treatments.toml", TREATMENTS)
    journey.write("windowcast.toml", settings().replace('"open-meteo"', '"sample"'))
    journey.write("yards.toml", yard_table("Creek Bend", 44.9, 99.7, journey.zone))

    done = journey.windowcast("check")

    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("ready: ")
    assert "Creek Bend: its longitude 99.7 and its time zone" in " ".join(done.stdout.split())
    assert max(map(len, done.stdout.splitlines())) <= 78
