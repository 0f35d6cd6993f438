"""Clocks that jump, repeat an hour or are wrong: the service's own ticks under a clock moved by
hand, with a real weather server and a real mail server."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import zoneinfo
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import time_machine

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.weather_server import Place, WeatherServer
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.service import Ticker

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
CREEK = (44.9, -99.7)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


class Moved:
    """One yard's service; `to` moves the clock, ticks, and gives the letters sent."""

    def __init__(self, folder, clock, server, box, zone, at):
        self.journey = Journey(folder=folder, zone=zone)
        self.clock, self.server, self.box = clock, server, box
        self.journey.write("treatments.toml", TREATMENTS)
        self.write(zone, at)

    def write(self, zone, at, until="23:59"):
        self.journey.write("yards.toml", yard_table("Creek Bend", *CREEK, zone))
        self.journey.write(
            "windowcast.toml",
            settings(
                forecast=self.server.forecast_url,
                ensemble=self.server.ensemble_url,
                seasonal=self.server.seasonal_url,
                mail_port=self.box.port,
                extra=f'[morning]\nat = "{at}"\nlate_until = "{until}"\nwatch_hours = 0\n',
            ),
        )
        environ = {"XDG_CACHE_HOME": str(self.journey.folder / "cache")}
        configuration = config.load(self.journey.folder, environ)
        open_store(configuration).close()  # as serve does
        self.ticker = Ticker(configuration)

    def to(self, now: datetime) -> list[str]:
        """The subjects of the letters that this tick sent."""
        before = len(self.box.letters)
        self.clock.move_to(now, tick=False)
        self.ticker.tick(now)
        assert self.ticker.failed_ticks == 0
        return [str(one.message["Subject"]) for one in self.box.letters[before:]]

    def through(self, begin: datetime, end: datetime, step=timedelta(minutes=10)) -> list[datetime]:
        """When letters were sent."""
        sent = []
        while begin <= end:
            sent += [begin] * len(self.to(begin))
            begin += step
        return sent

    def mornings(self) -> list[str]:
        with sqlite3.connect(self.journey.folder / "windowcast.db") as database:
            rows = database.execute("SELECT local_date FROM morning ORDER BY 1").fetchall()
        database.close()
        return [row[0] for row in rows]


@contextmanager
def moved(folder, begin, *, zone="America/Chicago", at="06:00", weather_now=None):
    place = Place(
        daily_highs=[20.0] * 16,
        members=[[20.0] * 15] * 11,
        extended=[[20.0] * 46] * 11,
        timezone=zone,
    )
    with (
        time_machine.travel(begin, tick=False) as clock,
        WeatherServer(default=place, now=weather_now or (lambda: datetime.now(UTC))) as server,
        Mailbox() as box,
    ):
        yield Moved(folder, clock, server, box, zone, at)


@pytest.mark.parametrize(
    ("zone", "at", "begin", "expected"),
    [
        pytest.param(
            "Europe/Berlin", "02:30", "2026-03-28T23:10", "2026-03-29T01:30", id="skipped"
        ),
        pytest.param(
            "Europe/Berlin", "02:30", "2026-10-24T22:00", "2026-10-25T00:30", id="repeated"
        ),
        pytest.param(
            "Australia/Lord_Howe", "01:40", "2026-04-04T13:10", "2026-04-04T14:40",
            id="half an hour repeated",
        ),
        pytest.param(
            "Pacific/Kiritimati", "06:00", "2025-12-31T10:30", "2025-12-31T16:00", id="+14"
        ),
        pytest.param("Etc/GMT+12", "06:00", "2025-12-31T12:30", "2025-12-31T18:00", id="-12"),
    ],
)  # fmt: skip
def test_a_local_date_has_one_notice_whatever_the_clock_does(tmp_path, zone, at, begin, expected):
    """Offsets from the IANA time zone database."""
    with moved(tmp_path, utc(begin), zone=zone, at=at) as service:
        sent = service.through(utc(begin), utc(begin) + 8 * HOUR)
    assert sent == [utc(expected)]


@pytest.mark.parametrize(
    ("begin", "dates"),
    [
        # Weekdays by the perpetual Gregorian calendar: date.weekday of the standard library.
        ("2028-02-28T12:00", ["2028-02-28", "2028-02-29", "2028-03-01"]),
        ("2026-12-31T12:00", ["2026-12-31", "2027-01-01", "2027-01-02"]),
    ],
    ids=["a leap day", "the turn of a year with 53 weeks"],
)
def test_leap_day_and_new_year_are_days_as_others(tmp_path, begin, dates):
    with moved(tmp_path, utc(begin)) as service:
        for offset in range(3):
            assert len(service.to(utc(begin) + offset * DAY)) == 1
        assert service.mornings() == dates
        text = service.box.letters[1].text
    day = date.fromisoformat(dates[1])
    assert f"{day:%a %b} {day.day}" in text


def test_a_clock_that_jumps_ahead_sends_at_the_next_tick_and_once(tmp_path):
    begin = utc("2026-08-31T10:30")
    with moved(tmp_path, begin) as service:
        assert service.to(begin) == []
        assert len(service.to(begin + 2 * HOUR)) == 1
        # Two days ahead: that day's notice, and one word on the morning left out.
        subjects = service.to(begin + 2 * DAY + 2 * HOUR)
        assert len(subjects) == 2
        assert "Creek Bend: the notice of Tue Sep 1 was not sent" in subjects
        assert service.to(begin + 2 * DAY + 3 * HOUR) == []
        assert service.mornings() == ["2026-08-31", "2026-09-02"]


def test_a_clock_that_jumps_back_sends_no_day_twice_and_goes_on(tmp_path):
    begin = utc("2026-08-31T12:00")
    with moved(tmp_path, begin) as service:
        assert len(service.to(begin - DAY)) == 1
        assert len(service.to(begin)) == 1
        back = service.through(begin - 3 * HOUR, begin + HOUR, HOUR / 2)
        days = service.through(begin - 25 * HOUR, begin + HOUR, HOUR)
        assert (back, days) == ([], [])
        assert len(service.to(begin + DAY)) == 1
        assert service.mornings() == ["2026-08-30", "2026-08-31", "2026-09-01"]


@pytest.mark.parametrize("wrong", ["1970-01-01T13:00", "2099-06-01T13:00"])
def test_a_clock_that_is_years_off_allows_no_start_and_hides_no_later_notice(tmp_path, wrong):
    """The weather server knows what time it is; the machine that just started does not yet."""
    right = utc("2026-08-31T13:00")
    with moved(tmp_path, utc(wrong), weather_now=lambda: right) as service:
        service.to(utc(wrong))
        assert not any(re.search(r"\bstart", one.message["Subject"]) for one in service.box.letters)
        subjects = service.to(right)
        # A yard known since 1970 was to have a notice yesterday too, and that is said.
        assert sum("was not sent" not in one for one in subjects) == 1, subjects
        assert any("Creek Bend" in one and "start today" in one for one in subjects), subjects
        assert "2026-08-31" in service.mornings()
        assert service.to(right + HOUR) == []


@pytest.mark.parametrize(
    ("zone", "at"), [("America/Denver", "06:00"), ("America/Chicago", "07:30")]
)
def test_a_zone_or_an_hour_that_is_changed_after_todays_notice_sends_no_second(tmp_path, zone, at):
    begin = utc("2026-08-31T11:00")
    with moved(tmp_path, begin) as service:
        assert len(service.to(begin)) == 1
        service.write(zone, at)
        assert service.through(begin, begin + 12 * HOUR, HOUR / 2) == []
        assert len(service.to(begin + DAY + 3 * HOUR)) == 1


def test_new_rules_of_a_zone_count_from_the_next_start(tmp_path, monkeypatch):
    """Nothing worked out from the old rules is stored: here Chicago is given Tokyo's clock."""
    made = Journey(folder=tmp_path, zone="America/Chicago")
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    made.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    assert made.windowcast("morning", "--print").returncode == 0

    def next_at():
        found = json.loads(made.windowcast("status", "--json").stdout)
        return datetime.fromisoformat(found["yards"][0]["next_due"])

    before = next_at()
    tokyo = next(
        found for folder in zoneinfo.TZPATH if (found := Path(folder) / "Asia/Tokyo").exists()
    )
    (tmp_path / "rules" / "America").mkdir(parents=True)
    shutil.copy(tokyo, tmp_path / "rules" / "America" / "Chicago")
    monkeypatch.setenv("PYTHONTZPATH", f"{tmp_path / 'rules'}:{':'.join(zoneinfo.TZPATH)}")
    after = next_at()

    assert (before.hour, after.hour) == (6, 6)
    assert before.utcoffset() in (-5 * HOUR, -6 * HOUR)
    assert after.utcoffset() == 9 * HOUR


@pytest.mark.parametrize("latitude", [89.9, 78.2, -89.9])
def test_a_yard_where_the_sun_does_not_rise_or_set_is_answered(tmp_path, latitude):
    """Beyond the polar circles, at 90 less 23.4 degrees, the obliquity of the ecliptic: no sunrise
    around one solstice and no sunset around the other."""
    zone = morning_zone()
    made = Journey(folder=tmp_path, zone=zone)
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Ice", latitude, 15.6, zone))
    made.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    for command in (("yard", "Ice"), ("morning",), ("visits",), ("status",)):
        done = made.windowcast(*command)
        assert done.returncode in (0, 1), (command, done.stderr)
        assert "Traceback" not in done.stderr
