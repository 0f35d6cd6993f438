"""From the weather service's replies to the highs of each yard, over real HTTP on loopback."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import orjson
import pytest

from support.weather_server import Place, WeatherServer
from windowcast.edges import openmeteo
from windowcast.edges.allowance import Budget, Spent
from windowcast.edges.http import read_document
from windowcast.edges.openmeteo import FetchResult
from windowcast.edges.openmeteo_replies import (
    check_place,
    read_daily,
    read_hourly,
    read_places,
)
from windowcast.edges.settings import WeatherSettings
from windowcast.errors import (
    WeatherError,
    WeatherRefused,
    WeatherUnreachable,
    WeatherUnusable,
)
from windowcast.sky.highs import DailyHighs, Members, local_days_of_tenths
from windowcast.trade.yard import Hive, Yard

ROOT = Path(__file__).parents[2]
FIXTURES = ROOT / "fixtures" / "weather"
RECORDED = ROOT / ".." / "shared" / "recorded"
FORECAST, ENSEMBLE, SEASONAL = "/v1/forecast", "/v1/ensemble", "/v1/seasonal"
NOW = datetime(2026, 8, 31, 10, tzinfo=UTC)


def yard(name: str = "Creek Bend", zone: str = "America/Chicago", number: int = 0) -> Yard:
    """A yard in a place of its own."""
    return Yard(
        name=name,
        latitude=40.0 + number / 10,
        longitude=-99.5,
        elevation_m=None,
        timezone=zone,
        colonies=1,
        hive=Hive(),
        treatments=(),
    )


def place(zone: str = "America/Chicago", days: int = 15, warmth_c: float = 20.0) -> Place:
    """Highs that rise by 0.1 K a day; member m is m × 0.2 K warmer; 3 members, 46 days extended."""
    rising = [round(warmth_c + day / 10, 1) for day in range(46)]
    members = [[round(high + member / 5, 1) for high in rising] for member in range(3)]
    return Place(
        daily_highs=rising[:days],
        members=[member[:days] for member in members],
        extended=members,
        timezone=zone,
    )


def all_sources(server: WeatherServer) -> WeatherSettings:
    return WeatherSettings(
        forecast_url=server.forecast_url,
        ensemble_url=server.ensemble_url,
        seasonal_url=server.seasonal_url,
    )


def only(server: WeatherServer, source: str) -> WeatherSettings:
    everything = all_sources(server)
    return WeatherSettings(
        forecast_url=everything.forecast_url if source == "forecast" else "",
        ensemble_url=everything.ensemble_url if source == "ensemble" else "",
        seasonal_url=everything.seasonal_url if source == "extended" else "",
    )


def fetch(settings: WeatherSettings, *yards: Yard, now: datetime = NOW) -> FetchResult:
    """A fetch whose pauses take no time."""
    return openmeteo.fetch(
        yards,
        settings,
        now=now,
        say=lambda line: None,
        sleep=lambda seconds: None,
        deadline_s=5,
        ensemble_deadline_s=5,
    )


def rising(first: int, days: int) -> tuple[int, ...]:
    return tuple(range(first, first + days))


@pytest.fixture
def server() -> Iterator[WeatherServer]:
    with WeatherServer(default=place(), now=NOW) as running:
        yield running


# One yard, all sources.


def test_all_sources(server: WeatherServer) -> None:
    result = fetch(all_sources(server), yard())

    weather = result.yards["Creek Bend"]
    today = date(2026, 8, 31)
    assert weather.forecast == DailyHighs(today, rising(200, 15))
    assert isinstance(weather.ensemble, Members)
    assert (weather.ensemble.first_day, weather.ensemble.days) == (today, 15)
    assert weather.ensemble.tenths[:6] == array("h", [200, 202, 204, 201, 203, 205])
    assert isinstance(weather.extended, Members)
    assert (weather.extended.days, weather.extended.count) == (46, 3)
    assert result.fetched_at == NOW
    assert result.errors == []


def test_what_is_asked_for(server: WeatherServer) -> None:
    fetch(all_sources(server), yard()._replace(elevation_m=540.5))

    everywhere = {
        "latitude": "40",
        "longitude": "-99.5",
        "elevation": "540.5",
        "temperature_unit": "celsius",
    }
    assert [query for _, query, _ in server.seen] == [
        everywhere
        | {
            "hourly": "temperature_2m,precipitation,wind_speed_10m",
            "past_days": "2",
            "forecast_days": "16",
            "timezone": "GMT",
            "precipitation_unit": "mm",
            "wind_speed_unit": "kmh",
        },
        everywhere
        | {
            "models": "ecmwf_ifs025_ensemble",
            "daily": "temperature_2m_max",
            "forecast_days": "16",
            "timezone": "America/Chicago",
        },
        everywhere
        | {
            "models": "ecmwf_ec46",
            "daily": "temperature_2m_max",
            "forecast_days": "46",
            "timezone": "America/Chicago",
        },
    ]


def test_a_source_that_is_off_is_none_and_not_asked(server: WeatherServer) -> None:
    weather = fetch(only(server, "ensemble"), yard()).yards["Creek Bend"]

    assert weather.forecast is None
    assert weather.extended is None
    assert isinstance(weather.ensemble, Members)
    assert set(server.requests) == {ENSEMBLE}


def test_where_the_answer_is_for(server: WeatherServer) -> None:
    """What was asked and what came back are both kept: the cell is not the yard."""
    info = fetch(only(server, "forecast"), yard()).yards["Creek Bend"].forecast_info

    assert info is not None
    assert (info.requested_latitude, info.requested_longitude) == (40.0, -99.5)
    assert info.returned_latitude == pytest.approx(40.0, abs=0.01)
    assert info.returned_elevation_m == 250.0
    assert info.requested_elevation_m is None


def test_a_member_with_a_hole_is_dropped_and_counted() -> None:
    broken = place()
    members = [list(member) for member in broken.members]
    members[1][5] = None
    broken.members = members
    with WeatherServer(default=broken, now=NOW) as server:
        found = fetch(only(server, "ensemble"), yard()).yards["Creek Bend"].ensemble

    assert isinstance(found, Members)
    assert (found.count, found.dropped, found.days) == (2, 1, 15)


# Days of the yard's own calendar.

ZONES = [
    pytest.param("America/Chicago", "2026-08-31T10", "daily", id="nothing special"),
    pytest.param("America/Chicago", "2026-10-25T10", "hourly", id="clocks go back in reach"),
    pytest.param("America/Chicago", "2026-03-01T10", "hourly", id="clocks go forward in reach"),
    pytest.param("America/Chicago", "2026-11-02T10", "daily", id="the day after the change"),
    pytest.param("Europe/Paris", "2026-10-20T04", "hourly", id="Europe's autumn"),
    pytest.param("Australia/Sydney", "2026-09-25T20", "hourly", id="southern spring"),
    pytest.param("Pacific/Auckland", "2026-04-01T20", "hourly", id="southern autumn"),
    pytest.param("Pacific/Kiritimati", "2026-05-10T23", "daily", id="tomorrow at +14:00"),
    pytest.param("Pacific/Niue", "2026-05-10T03", "daily", id="yesterday at -11:00"),
    pytest.param("Australia/Adelaide", "2026-06-10T20", "daily", id="+9:30"),
    pytest.param("America/St_Johns", "2026-07-10T09", "hourly", id="-2:30"),
    pytest.param("Asia/Kathmandu", "2026-07-10T00", "daily", id="+5:45"),
    pytest.param("America/Chicago", "2026-12-24T11", "daily", id="over the year's end"),
    pytest.param("Europe/Berlin", "2028-02-20T05", "daily", id="over 29 February"),
]


@pytest.mark.parametrize(("zone", "moment", "asked"), ZONES)
def test_highs_of_local_days(zone: str, moment: str, asked: str) -> None:
    """Each day has its own high, whatever the zone does within reach."""
    now = datetime.fromisoformat(moment).replace(tzinfo=UTC)
    with WeatherServer(default=place(zone), now=now) as server:
        weather = fetch(all_sources(server), yard(zone=zone), now=now).yards["Creek Bend"]
        ensemble_query = next(query for path, query, _ in server.seen if path == ENSEMBLE)

    today = now.astimezone(ZoneInfo(zone)).date()
    assert weather.forecast == DailyHighs(today, rising(200, 15))
    assert isinstance(weather.ensemble, Members)
    assert weather.ensemble.first_day == today
    assert tuple(weather.ensemble.tenths[::3]) == rising(200, 15)
    assert isinstance(weather.extended, Members)
    assert weather.extended.first_day == today
    assert tuple(weather.extended.tenths[::3])[:40] == rising(200, 40)
    assert asked in ensemble_query


def test_hours_of_today_that_have_passed_count() -> None:
    """At 18:00 in Chicago the afternoon is over; today's high is still the afternoon's."""
    evening = datetime(2026, 8, 31, 23, tzinfo=UTC)
    with WeatherServer(default=place(), now=evening) as server:
        weather = fetch(only(server, "forecast"), yard(), now=evening).yards["Creek Bend"]

    assert isinstance(weather.forecast, DailyHighs)
    assert weather.forecast.on(date(2026, 8, 31)) == 200


@pytest.mark.parametrize("hour", [0, 6, 12, 18, 23])
@pytest.mark.parametrize(
    "zone",
    [
        "Pacific/Niue",  # -11:00
        "America/Chicago",
        "America/St_Johns",  # -2:30 in summer
        "UTC",
        "Australia/Adelaide",  # +9:30
        "Pacific/Kiritimati",  # +14:00
    ],
)
def test_the_whole_of_yesterday_comes_with_the_forecast_at_every_hour(zone: str, hour: int) -> None:
    """Highs rise by 1 K a day from 10.0 °C four days before the server's date on, peak at 15:00."""
    first_day = date(2026, 8, 27)
    now = datetime(2026, 8, 31, hour, tzinfo=UTC)
    there = Place(daily_highs=[10.0 + day for day in range(30)], timezone=zone, first_day=first_day)
    with WeatherServer(default=there, now=now) as server:
        found = fetch(only(server, "forecast"), yard(zone=zone), now=now).yards["Creek Bend"]

    today = now.astimezone(ZoneInfo(zone)).date()
    past = found.past
    assert past is not None
    assert past.last_day == today - timedelta(days=1)
    assert past.tenths == tuple(
        100 + 10 * (past.first_day - first_day).days + 10 * index
        for index in range(len(past.tenths))
    )
    # Hours begin at a midnight of GMT, so the day on which they begin elsewhere is cut short.
    assert datetime.combine(past.first_day, datetime.min.time(), ZoneInfo(zone)) >= datetime(
        2026, 8, 29, tzinfo=UTC
    )


def test_days_that_the_server_still_forecasts_are_no_past_days() -> None:
    """This machine's clock two days ahead: only two days can be past by the server's."""
    with WeatherServer(default=place(zone="UTC"), now=NOW) as server:
        ahead = NOW + timedelta(days=2)
        found = fetch(only(server, "forecast"), yard(zone="UTC"), now=ahead).yards["Creek Bend"]

    assert found.past == DailyHighs(date(2026, 8, 29), (200, 200))


def test_a_past_day_with_a_hole_in_its_afternoon_is_not_known() -> None:
    def hourly(instant: datetime, member: int) -> float | None:
        hole = (
            datetime(2026, 8, 30, 12, tzinfo=UTC) <= instant < datetime(2026, 8, 30, 18, tzinfo=UTC)
        )
        return None if hole else 15.0 if instant.hour != 15 else 20.0

    with WeatherServer(default=Place(hourly=hourly), now=NOW) as server:
        found = fetch(only(server, "forecast"), yard(zone="UTC")).yards["Creek Bend"]

    assert found.past == DailyHighs(date(2026, 8, 29), (200,))


def test_a_failed_forecast_has_no_past_and_an_ensemble_none_of_its_own(
    server: WeatherServer,
) -> None:
    server.fail(FORECAST, "text-value")
    found = fetch(all_sources(server), yard()).yards["Creek Bend"]

    assert isinstance(found.forecast, WeatherError)
    assert found.past is None


def test_a_hole_in_an_afternoon_is_an_unknown_day() -> None:
    """The forecast goes on after it; a day with a hole at night keeps its high."""

    def course(instant: datetime, member: int) -> float | None:
        afternoon = instant.day == 2 and 18 <= instant.hour <= 21
        night = instant.day == 3 and instant.hour == 9
        if afternoon or night or instant >= datetime(2026, 9, 6, 5, tzinfo=UTC):
            return None
        return 25.0 if 17 <= instant.hour <= 22 else 12.0

    with WeatherServer(default=Place(hourly=course), now=NOW) as server:
        weather = fetch(only(server, "forecast"), yard()).yards["Creek Bend"]

    assert weather.forecast == DailyHighs(date(2026, 8, 31), (250, 250, None, 250, 250, 250))


def test_a_single_run_is_not_an_ensemble() -> None:
    lonely = Place(members=[[20.0] * 15], timezone="America/Chicago")
    with WeatherServer(default=lonely, now=NOW) as server:
        (error,) = fetch(only(server, "ensemble"), yard()).errors

    assert "single forecast, wanted an ensemble's members" in str(error)


def test_days_that_begin_too_late_are_another_answer() -> None:
    """A server whose clock is days ahead answers about other days."""
    with WeatherServer(default=place(), now=NOW + timedelta(days=4)) as server:
        errors = fetch(all_sources(server), yard()).errors

    assert len(errors) == 3
    assert all("its days begin on 2026-09-0" in str(error) for error in errors)


def test_an_offset_not_expected_makes_the_ensemble_come_by_the_hour(server: WeatherServer) -> None:
    server.fail(ENSEMBLE, "wrong-offset")

    found = fetch(only(server, "ensemble"), yard()).yards["Creek Bend"].ensemble

    assert isinstance(found, Members)
    assert tuple(found.tenths[::3]) == rising(200, 15)
    assert ["hourly" in query for _, query, _ in server.seen] == [False, True]


# Many yards.


def many(count: int, zone: str = "America/Chicago") -> list[Yard]:
    return [yard(f"Yard {number}", zone, number) for number in range(count)]


def test_yards_are_matched_by_order(server: WeatherServer) -> None:
    """Also where two of them lie in one grid cell."""
    yards = many(4)
    for number, one in enumerate(yards):
        server.places[one.latitude, one.longitude] = place(warmth_c=15.0 + number)

    result = fetch(all_sources(server), *yards)

    assert [
        weather.forecast.tenths[0]
        for weather in result.yards.values()
        if isinstance(weather.forecast, DailyHighs)
    ] == [150, 160, 170, 180]
    assert server.requests == {FORECAST: 1, ENSEMBLE: 1, SEASONAL: 1}


def test_batches_have_at_most_100_places(server: WeatherServer) -> None:
    fetch(only(server, "forecast"), *many(230))

    assert [query["latitude"].count(",") + 1 for _, query, _ in server.seen] == [100, 100, 30]


def test_hourly_members_come_25_places_at_a_time() -> None:
    autumn = datetime(2026, 10, 25, 10, tzinfo=UTC)
    with WeatherServer(default=place(), now=autumn) as server:
        result = fetch(only(server, "ensemble"), *many(30), now=autumn)
        sizes = [query["latitude"].count(",") + 1 for _, query, _ in server.seen]

    assert sizes == [25, 5]
    assert result.errors == []


def test_daily_values_are_asked_zone_by_zone_and_elevations_apart(server: WeatherServer) -> None:
    yards = [
        yard("A", "America/Chicago", 1),
        yard("B", "America/Denver", 2),
        yard("C", "America/Chicago", 3),
        yard("D", "America/Chicago", 4)._replace(elevation_m=300.0),
    ]

    result = fetch(all_sources(server), *yards)

    asked = [(path, query["timezone"], query.get("elevation")) for path, query, _ in server.seen]
    zones = [
        ("America/Chicago", None),
        ("America/Denver", None),
        ("America/Chicago", "300"),
    ]
    assert asked == [
        (FORECAST, "GMT", None),
        (FORECAST, "GMT", "300"),
        *[(ENSEMBLE, *zone) for zone in zones],
        *[(SEASONAL, *zone) for zone in zones],
    ]
    assert result.errors == []


def test_the_weight_is_what_the_service_counts() -> None:
    """51 members × 16 days are 5.83 calls a yard, the two other sources 1 each."""
    fifty_one = place()
    fifty_one.members = [fifty_one.daily_highs] * 51
    fifty_one.extended = [fifty_one.daily_highs] * 51
    with WeatherServer(default=fifty_one, now=NOW) as server:
        before = Spent(datetime.now(UTC).date(), 100)
        result = openmeteo.fetch(many(3), all_sources(server), now=NOW, say=print, spent=before)
        counted = sum(server.weight.values())

    assert result.spent.weight - 100 == pytest.approx(3 * (5.8286 + 1 + 1), abs=0.01)
    assert result.spent.weight - 100 == pytest.approx(counted)


def test_the_further_past_day_weighs_nothing_and_hourly_members_do_not_ask_for_it() -> None:
    """51 members x 17 days are 6.19 calls; 18 days of one run are still one."""
    fifty_one = place(zone="Europe/Paris")
    fifty_one.members = [fifty_one.daily_highs] * 51
    autumn = datetime(2026, 10, 20, 4, tzinfo=UTC)
    with WeatherServer(default=fifty_one, now=autumn) as server:
        settings = all_sources(server)._replace(seasonal_url="")
        result = fetch(settings, yard(zone="Europe/Paris"), now=autumn)
        asked = [query.get("past_days") for _, query, _ in server.seen]
        counted = sum(server.weight.values())

    assert asked == ["2", "1"]
    assert result.spent.weight == pytest.approx(1 + 5.1 * 17 / 14)
    assert result.spent.weight == pytest.approx(counted)


def test_the_minute_budget_is_waited_for_with_progress(server: WeatherServer) -> None:
    """Batches shrink to the budget, and each wait says how far the work is."""
    said: list[str] = []
    clock = [datetime(2026, 8, 31, 10, 0, 37, tzinfo=UTC)]

    def sleep(seconds: float) -> None:
        clock[0] += timedelta(seconds=seconds)

    settings = only(server, "forecast")._replace(calls_per_minute=40)
    result = openmeteo.fetch(
        many(100), settings, now=NOW, say=said.append, sleep=sleep, clock=lambda: clock[0]
    )

    assert said[0] == (
        "waiting 24 s for the weather service's minute budget; forecast: 40 of 100 yards done"
    )
    assert len(said) == 2
    assert result.errors == []


def test_the_next_portion_of_a_morning_begins_with_what_the_last_has_used_of_the_minute(
    server: WeatherServer,
) -> None:
    said: list[str] = []
    clock = [NOW]

    def sleep(seconds: float) -> None:
        clock[0] += timedelta(seconds=seconds)

    settings = only(server, "forecast")._replace(calls_per_minute=40)
    budgets: dict[str, Budget] = {}
    for portion in (many(30), many(30)):
        with openmeteo.Asking(
            settings,
            now=NOW,
            say=said.append,
            budgets=budgets,
            sleep=sleep,
            clock=lambda: clock[0],
        ) as asking:
            answers = list(asking.source("forecast", 30).ask(portion))
        assert sum(map(len, answers)) == 30
        # The 30 of the first portion leave 10 of this minute.
        assert bool(said) == (clock[0] > NOW)
    assert len(said) == 1
    assert said[0].startswith("waiting ")


def test_a_day_budget_that_is_used_up_names_the_hour(server: WeatherServer) -> None:
    settings = only(server, "forecast")._replace(calls_per_day=2)

    result = fetch(settings, *many(3))

    assert len(result.errors) == 3
    assert "Yard 2: forecast: the day's budget of 2 weather calls is used up" in str(
        result.errors[2]
    )
    assert "00:00 UTC" in str(result.errors[0])
    assert server.requests[FORECAST] == 0


# What goes wrong.


@pytest.mark.parametrize(
    ("fault", "kind", "words"),
    [
        pytest.param("fahrenheit", WeatherUnusable, "°F, wanted °C", id="wrong unit"),
        pytest.param("no-units", WeatherUnusable, "None, wanted °C", id="no unit"),
        pytest.param("missing-variable", WeatherUnusable, "is not in the answer", id="variable"),
        pytest.param("wrong-count", WeatherUnusable, "for 2 places, asked for 1", id="count"),
        pytest.param("short-array", WeatherUnusable, "values for", id="lengths differ"),
        pytest.param("text-value", WeatherUnusable, "wanted numbers", id="number as text"),
        pytest.param("all-null", WeatherUnusable, "no data for this place", id="all null"),
        pytest.param("repeated-dates", WeatherUnusable, "times repeat", id="dates repeat"),
        pytest.param("jumping-dates", WeatherUnusable, "times jump", id="dates jump"),
        pytest.param("last-year", WeatherUnusable, "before today", id="an old answer"),
        pytest.param("elsewhere", WeatherUnusable, "wanted 40.00, -99.50", id="another place"),
        pytest.param("nan", WeatherUnusable, "no data there", id="nan"),
        pytest.param("latin-1", WeatherUnreachable, "garbled", id="no UTF-8"),
        pytest.param("html", WeatherUnreachable, "text/html", id="a page"),
        pytest.param("truncated", WeatherUnreachable, "cut short", id="body cut short"),
        pytest.param("cut-json", WeatherUnreachable, "cut short", id="JSON cut short"),
        pytest.param("stream-error", WeatherUnreachable, "broke off", id="failure mid-stream"),
        pytest.param("status:500", WeatherUnreachable, "500", id="500"),
        pytest.param("status:400:Bad", WeatherRefused, "400: Bad", id="400"),
        pytest.param("429-hourly", WeatherRefused, "works again at", id="429 hourly"),
        pytest.param("redirect:https://a.example/", WeatherRefused, "a.example", id="redirect"),
    ],
)
@pytest.mark.parametrize("source", ["forecast", "ensemble", "extended"])
def test_a_bad_answer_is_one_error_with_the_yards_name(
    server: WeatherServer, source: str, fault: str, kind: type[WeatherError], words: str
) -> None:
    path = {"forecast": FORECAST, "ensemble": ENSEMBLE, "extended": SEASONAL}[source]
    server.fail(path, fault, fault, fault)

    result = fetch(only(server, source), yard())

    (error,) = result.errors
    assert type(error) is kind
    assert str(error).startswith(f"Creek Bend: {source}: ")
    assert words in str(error)
    assert error.retry is (kind is WeatherUnreachable)


@pytest.mark.parametrize("longitude", [-179.97, -99.5, 0.0, 179.97])
def test_a_longitude_a_turn_further_is_the_same_place(
    server: WeatherServer, longitude: float
) -> None:
    server.fail(FORECAST, "next-turn")

    result = fetch(only(server, "forecast"), yard()._replace(longitude=longitude))

    assert result.errors == []


def test_near_a_pole_a_cell_is_wide_in_longitude() -> None:
    item = {"latitude": 89.0, "longitude": 20.0}

    check_place(item, 89.2, 0.0)
    with pytest.raises(WeatherUnusable, match="another place"):
        check_place(item | {"latitude": 40.0}, 40.2, 0.0)


def test_days_cut_five_hours_off_are_not_the_extended_ranges(server: WeatherServer) -> None:
    server.fail(SEASONAL, "wrong-offset")

    (error,) = fetch(only(server, "extended"), yard()).errors

    assert "cut at an offset of 0 s, wanted -18000 s" in str(error)


def test_some_members_fewer_are_the_ensemble_that_is_there() -> None:
    few = place()
    few.members = [few.daily_highs] * 31
    with WeatherServer(default=few, now=NOW) as server:
        found = fetch(only(server, "ensemble"), yard()).yards["Creek Bend"].ensemble

    assert isinstance(found, Members)
    assert (found.count, found.dropped) == (31, 0)


def test_one_source_that_fails_leaves_the_others(server: WeatherServer) -> None:
    server.fail(ENSEMBLE, "status:400:Bad")

    weather = fetch(all_sources(server), yard()).yards["Creek Bend"]

    assert isinstance(weather.forecast, DailyHighs)
    assert isinstance(weather.ensemble, WeatherRefused)
    assert isinstance(weather.extended, Members)


@pytest.mark.parametrize("fault", ["fahrenheit", "all-null", "text-value", "missing-variable"])
def test_one_place_spoiled_costs_one_yard(server: WeatherServer, fault: str) -> None:
    """The server spoils the last of four places."""
    server.fail(ENSEMBLE, fault)

    result = fetch(only(server, "ensemble"), *many(4))

    (error,) = result.errors
    assert str(error).startswith("Yard 3: ensemble: ")


def test_a_refused_batch_is_halved_until_the_yard_is_found() -> None:
    """One of eight yards lies where the service has no data."""
    yards = many(8)
    places = {(one.latitude, one.longitude): place() for one in yards if one.name != "Yard 5"}
    with WeatherServer(places, now=NOW) as server:
        result = fetch(only(server, "forecast"), *yards)
        requests = server.requests[FORECAST]

    (error,) = result.errors
    assert "Yard 5: forecast: " in str(error)
    assert "No data is available for this location" in str(error)
    assert requests == 7


def test_a_batch_with_nan_is_halved_too(server: WeatherServer) -> None:
    server.fail(FORECAST, "nan", "ok", "nan", "nan")

    result = fetch(only(server, "forecast"), *many(4))

    (error,) = result.errors
    assert str(error).startswith("Yard 2: forecast: ")


def test_a_refusal_of_what_all_places_share_is_not_repeated(server: WeatherServer) -> None:
    server.fail(ENSEMBLE, "status:400:Cannot initialize MultiDomains from invalid String value x")

    result = fetch(only(server, "ensemble"), *many(8))

    assert len(result.errors) == 8
    assert server.requests[ENSEMBLE] == 1


def test_refusals_without_an_end_are_given_up(server: WeatherServer) -> None:
    """A hundred yards are not taken apart one by one where every request is refused."""
    server.fail(FORECAST, *["status:400:no"] * 300)

    result = fetch(only(server, "forecast"), *many(100))

    assert len(result.errors) == 100
    assert server.requests[FORECAST] == 40


def test_swapped_places_are_noticed(server: WeatherServer) -> None:
    server.fail(FORECAST, "swapped")

    result = fetch(only(server, "forecast"), *many(3))

    assert len(result.errors) == 3
    assert "not in the order asked" in str(result.errors[0])


def test_a_failed_batch_names_each_of_its_yards_and_the_next_goes_on(
    server: WeatherServer,
) -> None:
    server.fail(FORECAST, *["status:503"] * 3)

    result = fetch(only(server, "forecast"), *many(110))

    assert len(result.errors) == 100
    assert str(result.errors[99]).startswith("Yard 99: forecast: 127.0.0.1 is failing")
    assert isinstance(result.yards["Yard 100"].forecast, DailyHighs)


def test_a_server_that_stays_silent_is_given_up(server: WeatherServer) -> None:
    """After two batches in a row the others are not asked for."""
    server.fail(FORECAST, *["close"] * 99)

    result = fetch(only(server, "forecast"), *many(350))

    assert len(result.errors) == 350
    assert server.requests[FORECAST] == 6


def test_a_quota_used_up_is_not_asked_again(server: WeatherServer) -> None:
    server.fail(FORECAST, "429-daily")

    result = fetch(only(server, "forecast"), *many(250))

    assert len(result.errors) == 250
    assert server.requests[FORECAST] == 1


def test_a_server_that_dies_in_the_middle() -> None:
    with WeatherServer(default=place(), now=NOW) as server:
        settings = all_sources(server)
        good = fetch(settings, yard())
        server.stop()
        bad = fetch(settings, yard())

    assert good.errors == []
    assert [str(error) for error in bad.errors] == [
        f"Creek Bend: {source}: 127.0.0.1: connection refused"
        for source in ("forecast", "ensemble", "extended")
    ]


def test_reach(server: WeatherServer) -> None:
    settings = all_sources(server)._replace(
        ensemble_url=server.url.replace("http", "ftp"), seasonal_url=""
    )

    forecast, ensemble = openmeteo.reach(yard(), settings, say=print, now=NOW)

    host = server.url.removeprefix("http://")
    assert (forecast.what, forecast.reached) == (f"forecast ({host})", True)
    assert forecast.text == "ok, 15 days, to Mon Sep 14"
    assert (ensemble.source, ensemble.host, ensemble.reached) == ("ensemble", host, False)
    assert "is not the address of a server" in ensemble.text


def test_now_must_be_aware(server: WeatherServer) -> None:
    with pytest.raises(ValueError, match="aware"):
        fetch(all_sources(server), yard(), now=datetime(2026, 8, 31))


# Fixtures: one oddity a file.

TENTHS = [[172, 189, 164], [176, 193, 158], [169, 181, 170]]


def load(name: str) -> Any:
    return orjson.loads((FIXTURES / f"{name}.json").read_bytes())


@pytest.mark.parametrize(
    ("name", "columns"),
    [
        ("daily_three_members", TENTHS),
        ("daily_one_model_with_suffix", TENTHS),
        ("daily_members_out_of_order", TENTHS),
        ("daily_half_hour_zone", TENTHS),
        ("daily_more_than_asked", TENTHS),
        ("daily_last_day_null", [[172, 189, None], [176, 193, None], [169, 181, None]]),
        ("daily_member_with_a_hole", [[172, 189, 164], [176, None, 158], [169, 181, 170]]),
        ("daily_minus_9999", [[172, None, 164], [176, 193, None], [169, 181, 170]]),
        ("daily_negative_zero", [[0, 0, -1], [0, 10, -10], [0, 1, 0]]),
    ],
)
def test_a_daily_reply_that_is_read(name: str, columns: list[list[int | None]]) -> None:
    found = read_daily(load(name))

    assert found.columns == columns
    assert found.first_day == date(2031, 5, 10)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("daily_fahrenheit", "temperature_2m_max is in °F, wanted °C"),
        ("daily_without_units", "temperature_2m_max is in None, wanted °C"),
        ("daily_undefined_all_null", "no data for this place"),
        ("daily_without_the_variable", "temperature_2m_max is not in the answer"),
        ("daily_section_missing", "no daily values in the answer"),
        ("daily_date_repeats", "its times repeat: '2031-05-10' after '2031-05-10'"),
        ("daily_date_jumps", "its times jump: '2031-05-13' after '2031-05-11'"),
        ("daily_date_goes_back", "'2031-05-10' after '2031-05-11'"),
        ("daily_unix_time", "its daily values have no times"),
        ("daily_lengths_differ", "temperature_2m_max_member01 has 2 values for 3 times"),
        ("daily_number_as_text", "holds '17.2', wanted numbers"),
        ("daily_true_as_number", "holds True, wanted numbers"),
        ("daily_without_offset", "does not say its offset"),
        ("daily_two_models", "it answers for 2 models at once"),
    ],
)
def test_a_daily_reply_that_is_not(name: str, words: str) -> None:
    with pytest.raises(WeatherUnusable) as caught:
        read_daily(load(name))

    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("hourly_last_hours_null", (182, None)),
        ("hourly_gap_at_night", (182,)),
        ("hourly_gap_in_the_afternoon", (None,)),
    ],
)
def test_an_hourly_reply_that_is_read(name: str, expected: tuple[int | None, ...]) -> None:
    table = read_hourly(load(name))

    found = local_days_of_tenths(table.first_hour_utc, table.columns[0], ZoneInfo("UTC"))
    assert found == DailyHighs(date(2031, 5, 10), expected)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("hourly_local_instead_of_gmt", "-18000 s off UTC"),
        ("hourly_clock_change_24_stamps", "-21600 s off UTC"),
        ("hourly_every_third_hour", "times jump"),
        ("hourly_half_past", "not a full hour"),
    ],
)
def test_an_hourly_reply_that_is_not(name: str, words: str) -> None:
    with pytest.raises(WeatherUnusable) as caught:
        read_hourly(load(name))

    assert words in str(caught.value)


def test_a_list_is_read_by_its_order() -> None:
    items = read_places(load("list_of_three_places_two_in_one_cell"), 3)

    assert [read_daily(item).columns[0][0] for item in items] == [172, 172, 176]
    with pytest.raises(WeatherUnusable, match="not in the order asked"):
        read_places(load("list_out_of_order"), 3)


def test_every_fixture_is_used() -> None:
    """A reply that no test reads proves nothing."""
    text = Path(__file__).read_text("utf-8")
    elsewhere = {"nan", "error_reason_first"}

    named = {path.stem for path in FIXTURES.glob("*.json")} - elsewhere
    assert {name for name in named if f'"{name}"' not in text} == set()


def document(body: bytes) -> object:
    return read_document("weather.example", "application/json", body)


# Replies as served, which are not part of the project.


def test_no_part_of_an_answer_passes_for_the_whole() -> None:
    """Cut at each byte; only the line break after the document may be missing."""
    body = (FIXTURES / "daily_three_members.json").read_bytes().rstrip()

    for end in range(len(body)):
        with pytest.raises(WeatherError):
            document(body[:end])
    assert document(body) == orjson.loads(body)


@pytest.mark.parametrize("value", ['"NaN"', '""', '"12,5"', "true", "[17.2]", "{}"])
def test_what_is_no_number_is_not_made_one(value: str) -> None:
    body = (FIXTURES / "daily_three_members.json").read_text("utf-8")
    assert body.count("17.2") == 1

    with pytest.raises(WeatherUnusable, match="wanted numbers"):
        read_daily(document(body.replace("17.2", value).encode()))  # type: ignore[arg-type]


@pytest.mark.parametrize("value", ["NaN", "Infinity", "-Infinity", "1e999", "0x11", "017.2"])
def test_numbers_that_json_has_not_are_refused(value: str) -> None:
    """RFC 8259, 6: JSON has no NaN and no Infinity."""
    body = (FIXTURES / "daily_three_members.json").read_text("utf-8")

    with pytest.raises(WeatherError):
        document(body.replace("17.2", value).encode())


@pytest.mark.parametrize("value", ["-9999", "1e20", "999", "-273.2"])
def test_what_is_no_air_temperature_is_unknown(value: str) -> None:
    """Not clamped: the day is unknown, the others stand."""
    body = (FIXTURES / "daily_three_members.json").read_text("utf-8")

    found = read_daily(document(body.replace("17.2", value).encode()))  # type: ignore[arg-type]

    assert found.columns == [[None, *TENTHS[0][1:]], *TENTHS[1:]]


def recorded(name: str) -> Any:
    path = RECORDED / name
    if not path.exists():
        pytest.skip("the recorded replies (../shared/recorded) are not here")
    return orjson.loads(path.read_bytes())


@pytest.mark.parametrize(
    ("name", "members", "first_day"),
    [
        ("om_ensemble_daily_21members_trimmed.json", 21, "2026"),
        ("om_seasonal_daily_51members_weekly_monthly_trimmed.json", 51, "2026"),
        ("om_forecast_16days_last_null_trimmed.json", 1, "2026-10-17"),
        ("om_single_run_daily_trimmed.json", 1, "2026-09-01"),
    ],
)
def test_recorded_daily_highs(name: str, members: int, first_day: str) -> None:
    found = read_daily(recorded(name))

    assert len(found.columns) == members
    assert found.first_day.isoformat().startswith(first_day)


@pytest.mark.parametrize(
    ("name", "members"),
    [
        ("om_ensemble_daily_21members_trimmed.json", 21),
        ("om_forecast_models_one_covering_no_suffix_trimmed.json", 1),
        ("om_previous_runs_trimmed.json", 1),
        ("om_single_run_daily_trimmed.json", 1),
    ],
)
def test_recorded_hours(name: str, members: int) -> None:
    found = read_hourly(recorded(name))

    assert len(found.columns) == members


@pytest.mark.parametrize(
    ("name", "section", "words"),
    [
        ("om_forecast_daily_hourly_DST_change_real.json", "daily", "°F, wanted °C"),
        ("om_forecast_daily_hourly_DST_change_real.json", "hourly", "°F, wanted °C"),
        ("om_forecast_hourly_halfhour_tz_real.json", "hourly", "34200 s off UTC"),
        ("om_forecast_hourly_halfhour_tz_real.json", "daily", "no daily values"),
        ("om_forecast_16days_last_null_trimmed.json", "hourly", "no data for this place"),
        ("om_forecast_multimodel_daily_trimmed.json", "daily", "3 models at once"),
        ("om_ensemble_multimodel_hourly_trimmed.json", "hourly", "2 models at once"),
        ("om_ensemble_hourly_31members_real.json", "hourly", "°F, wanted °C"),
        ("om_archive_daily_trimmed.json", "daily", "not in the answer"),
        ("om_error_400_doc_example.json", "daily", "no daily values"),
        ("nws_error_503_grid_expired_from_issue.json", "daily", "no daily values"),
        ("nws_gridpoint_raw_real.json", "daily", "no daily values"),
        ("nws_points_real.json", "daily", "no daily values"),
        (
            "metno_lat51.5lon-0.1altitude25_complete_wrapped_real.json",
            "hourly",
            "no hourly values",
        ),
    ],
)
def test_recorded_replies_that_do_not_answer_the_question(
    name: str, section: str, words: str
) -> None:
    reply = recorded(name)

    with pytest.raises(WeatherUnusable) as caught:
        (read_daily if section == "daily" else read_hourly)(reply)

    assert words in str(caught.value)


def test_recorded_nan_is_not_json() -> None:
    """The reply for a place that is not covered; the fixture has its shape."""
    path = RECORDED / "om_200_with_bare_nan_not_json.txt"
    if not path.exists():
        pytest.skip("the recorded replies (../shared/recorded) are not here")

    for body in (path.read_bytes(), (FIXTURES / "nan.json").read_bytes()):
        with pytest.raises(WeatherUnusable, match="no data there"):
            document(body)


def test_an_error_is_read_whatever_the_order_of_its_keys() -> None:
    with pytest.raises(WeatherRefused, match="No data is available for this location"):
        document((FIXTURES / "error_reason_first.json").read_bytes())


def test_every_recorded_reply_is_read_here() -> None:
    if not RECORDED.exists():
        pytest.skip("the recorded replies (../shared/recorded) are not here")
    text = Path(__file__).read_text("utf-8")

    replies = {path.name for path in RECORDED.glob("*.*")} - {"README.md"}
    assert {name for name in replies if name not in text} == set()
