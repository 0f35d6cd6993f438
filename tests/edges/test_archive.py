"""Past years from the archive's replies, over real HTTP on loopback."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest

from support.weather_server import Place, WeatherServer
from windowcast.edges.allowance import Spent
from windowcast.edges.archive import fetch_past_years, past_days
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import WeatherRefused, WeatherUnreachable, WeatherUnusable
from windowcast.trade.yard import Hive, Yard

ARCHIVE = "/v1/archive"
NOW = datetime(2026, 8, 31, 3, tzinfo=UTC)  # still the 30th in Chicago
FIRST, LAST = date(1996, 8, 28), date(2026, 8, 27)
HOLE = date(2001, 7, 4)
YARD = Yard(
    name="Creek Bend",
    latitude=40.0,
    longitude=-99.5,
    elevation_m=None,
    timezone="America/Chicago",
    colonies=1,
    hive=Hive(),
    treatments=(),
)


def highs():
    """A high of its own for each day, in tenths, with one hole."""
    days = [FIRST + timedelta(days=n) for n in range((LAST - FIRST).days + 1)]
    return {day: (day.toordinal() % 400) / 10 for day in days if day != HOLE}


@pytest.fixture
def server():
    with WeatherServer(places={(40.0, -99.5): Place(past=highs())}, now=NOW) as running:
        yield running


def fetch(server, *, spent=None, deadline_s=5.0, **limits):
    return fetch_past_years(
        YARD,
        WeatherSettings(archive_url=server.archive_url, **limits),
        now=NOW,
        say=lambda line: None,
        spent=spent,
        sleep=lambda seconds: None,
        clock=lambda: NOW,
        deadline_s=deadline_s,
    )


def test_thirty_whole_years_to_three_days_before_the_yards_today(server):
    found = fetch(server).highs

    assert found.first_day == FIRST
    assert found.last_day == LAST
    expected = [None if day == HOLE else day.toordinal() % 400 for day in _days()]
    assert list(found.tenths) == expected
    (_, query, _) = server.seen[0]
    assert query["timezone"] == "America/Chicago"
    assert query["temperature_unit"] == "celsius"


def _days():
    return [FIRST + timedelta(days=n) for n in range((LAST - FIRST).days + 1)]


def test_the_weight_is_the_services_own_and_adds_to_what_was_spent(server):
    # The service's published rule: variables / 10 x days / 14; 10,957 days make 78.3.
    found = fetch(server, spent=Spent(day=NOW.date(), weight=100.0))

    assert found.spent.weight == pytest.approx(100 + 78.264, abs=0.001)
    assert server.weight[ARCHIVE] == pytest.approx(78.264, abs=0.001)


def test_a_used_up_budget_asks_nothing(server):
    found = fetch(server, spent=Spent(day=NOW.date(), weight=950.0), calls_per_day=1000.0)

    assert isinstance(found.highs, WeatherRefused)
    assert server.requests[ARCHIVE] == 0


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        ("fahrenheit", WeatherUnusable, "wanted °C"),
        ("no-units", WeatherUnusable, "wanted °C"),
        ("missing-variable", WeatherUnusable, "temperature_2m_max is not in the answer"),
        ("short-array", WeatherUnusable, "10956 values for 10957 times"),
        ("text-value", WeatherUnusable, "wanted numbers"),
        ("all-null", WeatherUnusable, "no data for this place"),
        ("repeated-dates", WeatherUnusable, "repeat"),
        ("jumping-dates", WeatherUnusable, "jump"),
        ("last-year", WeatherUnusable, "wanted 10957 from 1996-08-28"),
        ("wrong-count", WeatherUnusable, "2 places"),
        ("wrong-offset", WeatherUnusable, "cut at an offset"),
        ("status:400:No data is available", WeatherRefused, "No data is available"),
        ("429-daily", WeatherRefused, "the limit for this day is used up"),
        pytest.param("elsewhere", WeatherUnusable, "wanted 40.00, -99.50", id="another place"),
    ],
)
def test_an_answer_that_does_not_say_what_was_asked_is_refused(server, fault, kind, words):
    server.fail(ARCHIVE, fault)

    found = fetch(server).highs

    assert isinstance(found, kind)
    assert words in str(found)
    assert server.requests[ARCHIVE] == 1


def test_a_longitude_a_turn_further_is_the_same_place(server):
    server.fail(ARCHIVE, "next-turn")

    assert fetch(server).highs.first_day == FIRST


def test_a_failure_that_may_pass_is_tried_again_and_its_attempt_counted(server):
    server.fail(ARCHIVE, "status:503", "cut-json")

    found = fetch(server)

    assert found.highs.first_day == FIRST
    assert server.requests[ARCHIVE] == 3
    assert found.spent.weight == pytest.approx(78.264 + 2, abs=0.001)


def test_a_server_that_says_nothing_is_left_at_the_deadline(server):
    server.fail(ARCHIVE, "hang", "hang", "hang")

    assert isinstance(fetch(server, deadline_s=0.5).highs, WeatherUnreachable)


@pytest.mark.parametrize(
    ("today", "first_day"),
    [
        (date(2026, 11, 25), date(1996, 11, 23)),
        # To 28 February of a leap year: the day after it is not in 1998, the one after that is.
        (date(2028, 3, 2), date(1998, 3, 1)),
        (date(2028, 3, 3), date(1998, 3, 1)),
    ],
)
def test_the_days_asked_for_are_whole_years(today, first_day):
    now = datetime(today.year, today.month, today.day, 18, tzinfo=UTC)

    assert past_days(YARD, now) == (first_day, today - timedelta(days=3))
