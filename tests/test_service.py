"""What is due, whatever the clock did; and the service as a real process."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo, available_timezones

import pytest

from support.weather import yard
from windowcast.schedule import due_at, due_mornings

SIX = time(6, 0)
LOGGING = """
from windowcast import service
service._log_to_stderr()
service.log.error("a name: %s", "Creek\\r\\n2026-01-01T00:00:00Z INFO forged\\x1b[2J\\u202e")
try:
    {}["missing\\nkey"]
except KeyError:
    service.log.exception("tick failed")
"""
EIGHT_PM = time(20, 0)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_an_event_is_one_line_of_the_log_whatever_is_in_it():
    """OWASP ASVS 5.0, 16.4.1: what is logged cannot forge another event."""
    done = subprocess.run(
        [sys.executable, "-c", LOGGING],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONUTF8": "1"},
    )

    first, second = done.stderr.splitlines()
    assert " ERROR a name: Creek" in first and "INFO forged" in first
    assert " ERROR tick failed" in second and "Traceback" in second
    assert first.isprintable() and second.isprintable()


@pytest.mark.parametrize(
    ("zone", "day", "at", "expected"),
    [
        pytest.param("America/Chicago", "2026-08-31", "06:00", "2026-08-31T11:00", id="summer"),
        pytest.param("America/Chicago", "2026-11-25", "06:00", "2026-11-25T12:00", id="winter"),
        pytest.param(
            "Europe/Berlin", "2026-03-29", "02:30", "2026-03-29T01:30", id="skipped hour moves on"
        ),
        pytest.param(
            "Europe/Berlin",
            "2026-10-25",
            "02:30",
            "2026-10-25T00:30",
            id="repeated hour: the first",
        ),
        pytest.param(
            "Africa/Cairo", "2026-04-24", "00:00", "2026-04-23T22:00", id="midnight is skipped"
        ),
        pytest.param(
            "Australia/Lord_Howe",
            "2026-10-04",
            "02:15",
            "2026-10-03T15:45",
            id="half an hour skipped",
        ),
        pytest.param("Pacific/Kiritimati", "2026-01-01", "06:00", "2025-12-31T16:00", id="+14"),
        pytest.param("Asia/Kathmandu", "2028-02-29", "06:00", "2028-02-29T00:15", id="+5:45"),
    ],
)
def test_the_instant_of_a_local_hour(zone, day, at, expected):
    """Offsets from the IANA time zone database."""
    found = due_at(date.fromisoformat(day), time.fromisoformat(at), ZoneInfo(zone))
    assert found == utc(expected)


def test_every_date_has_one_morning_in_every_zone():
    """A year, all zones of the IANA database: instants strictly ascend, 22 to 26 h apart."""
    days = [date(2026, 1, 1) + timedelta(days=offset) for offset in range(366)]
    for name in sorted(available_timezones()):
        zone = ZoneInfo(name)
        instants = [due_at(day, SIX, zone) for day in days]
        for before, after in pairwise(instants):
            assert timedelta(hours=22) <= after - before <= timedelta(hours=26), name


def due(now: str, *, at: time = SIX, until: time = EIGHT_PM, zone: str = "America/Chicago"):
    return due_mornings([yard(timezone=zone)], at=at, late_until=until, now=utc(now))


@pytest.mark.parametrize(
    ("now", "expected"),
    [
        pytest.param("2026-08-31T10:59:59", [], id="a second early is not due"),
        pytest.param("2026-08-31T11:00", [(31, None)], id="on the minute"),
        pytest.param("2026-08-31T11:30", [(31, None)], id="half an hour is not yet late"),
        pytest.param("2026-08-31T11:31", [(31, SIX)], id="then it says that it is late"),
        pytest.param("2026-09-01T01:00", [(31, SIX)], id="at 20:00 it is still sent"),
        pytest.param("2026-09-01T01:01", [], id="later it is skipped"),
    ],
)
def test_when_a_morning_is_due(now, expected):
    assert [(one.local_date.day, one.late) for one in due(now)] == expected


def test_each_yard_has_its_own_morning():
    yards = [yard("East", timezone="Asia/Tokyo"), yard("West", timezone="America/Chicago")]
    found = due_mornings(yards, at=SIX, late_until=EIGHT_PM, now=utc("2026-08-31T11:00"))
    # 20:00 in Tokyo, 06:00 in Chicago, both on Aug 31.
    assert [(one.yard.name, one.local_date.day, one.late) for one in found] == [
        ("East", 31, SIX),
        ("West", 31, None),
    ]


def test_an_hour_that_a_clock_change_moves_past_midnight_keeps_its_date():
    """In Nuuk the clock went from 23:00 to 00:00 on 2025-03-29 (IANA time zone database): 23:30
    falls on the next date, and is still that evening's."""
    found = due("2025-03-30T01:35", at=time(23, 30), until=time(23, 59), zone="America/Nuuk")
    assert [one.local_date for one in found] == [date(2025, 3, 29)]
