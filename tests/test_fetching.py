"""What is asked of the weather service, what one answer serves, and what is not asked again.

The service's rule of heights is its own (open-meteo/open-meteo, Sources/App/Helper/Reader/
GenericReader.swift): 0.0065 K for each metre between the cell's height and the one asked for. The
stand-in on loopback follows it, prints one decimal as the service does, and is asked over HTTP.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from support.postgres import PostgresServer
from support.weather_server import Place, WeatherServer
from windowcast import fetching
from windowcast.answer import place as place_of
from windowcast.answer import stored_weather
from windowcast.cells import shares, shift_tenths
from windowcast.edges import config
from windowcast.edges.settings import Configuration
from windowcast.edges.store import KnownCell, Store, open_store, unpack_tenths
from windowcast.trade.yard import Hive, Yard

ROOT = Path(__file__).parents[1]
NOW = datetime(2026, 8, 31, 11, tzinfo=UTC)
ZONE = "America/Chicago"
FORECAST, ENSEMBLE, SEASONAL = "/v1/forecast", "/v1/ensemble", "/v1/seasonal"
ENSEMBLE_MODEL, EXTENDED_MODEL = "ecmwf_ifs025_ensemble", "ecmwf_ec46"


def yard(
    name: str,
    north_m: float = 0.0,
    *,
    height_m: float | None = None,
    zone: str = ZONE,
) -> Yard:
    """A yard so far north of a corner in the middle of a cell."""
    return Yard(
        name=name,
        latitude=round(44.95 + north_m / 111_200, 6),
        longitude=-99.7,
        elevation_m=height_m,
        timezone=zone,
        colonies=1,
        hive=Hive(),
        treatments=(),
    )


def weather(zone: str = ZONE, **more: Any) -> Place:
    highs = [round(20 + day / 10, 1) for day in range(46)]
    members = [[round(high + number / 5, 1) for high in highs] for number in range(3)]
    return Place(
        daily_highs=highs[:15],
        members=[one[:15] for one in members],
        extended=members,
        timezone=zone,
        **{"cell_height_m": 300.0, "elevation_m": 300.0, **more},
    )


class Clock:
    """What time it is for both sides."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> datetime:
        return self.now

    def later(self, **by: float) -> None:
        self.now += timedelta(**by)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def server(clock: Clock) -> Iterator[WeatherServer]:
    with WeatherServer(default=weather(), now=clock) as running:
        yield running


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store("sqlite:///windowcast.db", tmp_path) as opened:
        yield opened


@pytest.fixture
def settings(server: WeatherServer) -> Configuration:
    """The example configuration, asking the server on loopback."""
    loaded = config.load(ROOT / "config", os.environ)
    return loaded._replace(
        weather=loaded.weather._replace(
            provider="open-meteo",
            forecast_url=server.forecast_url,
            ensemble_url=server.ensemble_url,
            seasonal_url=server.seasonal_url,
            archive_url="",
        ),
        chance=loaded.chance._replace(calibrate=False),
    )


def with_weather(settings: Configuration, **changes: Any) -> Configuration:
    return settings._replace(weather=settings.weather._replace(**changes))


def fetch(
    settings: Configuration, store: Store, yards: Sequence[Yard], clock: Clock
) -> dict[str, dict[str, str]]:
    return fetching.fetch(settings, store, yards, now=clock.now, say=lambda text: None)


def places_asked(server: WeatherServer, path: str) -> list[int]:
    """How many places each request was for."""
    return [query["latitude"].count(",") + 1 for asked, query, _ in server.seen if asked == path]


def highs(settings: Configuration, store: Store, one: Yard, source: str) -> list[int | None]:
    found = store.newest(one.name, place=place_of(one, settings.weather))
    return unpack_tenths(found[source].tenths)


def rows(store: Store, table: str) -> int:
    return int(store._database.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


# Heights


@pytest.mark.parametrize(
    ("from_m", "to_m", "tenths"),
    [
        (300, 300, 0),
        (300, 400, -6),  # 0.65 K is the half of 6 and 7 tenths: to even
        (300, 500, -13),
        (400, 300, 6),
        (100, 0, 6),
        (0, 100, -6),
        (300.0, 307.6, 0),
        (300.0, 307.8, -1),
        (0, 1000, -65),
        (-400, 8848, -601),
        (0.1, 0.3, 0),
    ],
)
def test_heights_in_whole_tenths(from_m: float, to_m: float, tenths: int) -> None:
    """0.65 K for each 100 m: the rule of the service, worked by hand."""
    assert shift_tenths(from_m, to_m) == tenths


# Who shares


def test_neighbours_of_one_height_share_from_the_first_morning(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """One place in each request, one series kept, the very highs of a yard asked for alone."""
    yards = [yard("A", height_m=320), yard("B", 300, height_m=320), yard("C", 400, height_m=320)]

    assert fetch(settings, store, yards, clock) == {}

    assert server.requests == {FORECAST: 1, ENSEMBLE: 1, SEASONAL: 1}
    assert {path: places_asked(server, path) for path in server.requests} == {
        FORECAST: [1],
        ENSEMBLE: [1],
        SEASONAL: [1],
    }
    assert (rows(store, "forecast"), rows(store, "shared_series")) == (3, 6)
    off = with_weather(settings, share_cells=False)
    clock.later(minutes=1)
    for source in ("forecast", "ensemble", "extended"):
        shared = [highs(settings, store, one, source) for one in yards]
        assert fetch(off, store, yards, clock) == {}
        alone = [highs(settings, store, one, source) for one in yards]
        assert shared == alone


def test_two_yards_at_one_place_share_whatever_its_height(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    fetch(settings, store, [yard("A"), yard("B")], clock)

    assert places_asked(server, FORECAST) == [1]
    assert store.newest("B")["ensemble"].tenths == store.newest("A")["ensemble"].tenths


def test_yards_of_a_cell_share_once_it_is_known(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """Three kilometres apart, at heights of which the service's ground model knows one each."""
    yards = [yard("Low"), yard("High", 3000), yard("Given", -2000, height_m=700)]
    server.places[yards[0].latitude, yards[0].longitude] = weather(elevation_m=250.0)
    server.places[yards[1].latitude, yards[1].longitude] = weather(elevation_m=450.0)
    fetch(settings, store, yards, clock)
    alone = {one.name: highs(settings, store, one, "ensemble") for one in yards}
    assert sum(places_asked(server, ENSEMBLE)) == 3
    server.seen.clear()

    clock.later(hours=1)
    assert fetch(settings, store, yards, clock) == {}

    assert {path: places_asked(server, path) for path, _, _ in server.seen} == {
        FORECAST: [1],
        ENSEMBLE: [1],
        SEASONAL: [1],
    }
    # 300 m is 1.95 K below, 450 m is 2.925 K below the lowest: what is printed is a tenth at most
    # off what follows from whole tenths.
    for one in yards:
        together = highs(settings, store, one, "ensemble")
        pairs = list(zip(together, alone[one.name], strict=True))
        assert all(a is not None and b is not None and abs(a - b) <= 1 for a, b in pairs)
    low, high = (highs(settings, store, one, "ensemble") for one in yards[:2])
    assert [a - b for a, b in zip(low, high, strict=True)] == [13] * len(low)  # type: ignore[operator]


def test_each_of_a_cell_is_asked_for_in_turn(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    yards = [yard("A"), yard("B", 3000), yard("C", -3000)]
    for _ in range(5):
        fetch(settings, store, yards, clock)
        clock.later(hours=1)

    asked = [query["latitude"] for path, query, _ in server.seen if path == FORECAST]
    each = [f"{one.latitude:.6f}".rstrip("0") for one in yards]
    assert asked == [",".join(each), each[0], each[1], each[2], each[0]]


def test_a_cell_that_is_another_than_it_was_is_noticed_at_once(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """The service has a finer grid from one day to the next: each yard gets its own answer."""
    yards = [yard("A"), yard("B", 5000)]
    fetch(settings, store, yards, clock)
    server.grid = 0.02
    server.places[yards[1].latitude, yards[1].longitude] = weather(cell_height_m=900.0)
    server.seen.clear()
    clock.later(hours=1)

    assert fetch(settings, store, yards, clock) == {}

    assert places_asked(server, FORECAST) == [1, 1]
    a, b = (highs(settings, store, one, "forecast") for one in yards)
    assert a != b
    assert b == [239 + day for day in range(15)]  # 600 m of 0.0065 K above 20.0 °C
    server.seen.clear()
    clock.later(hours=1)
    fetch(settings, store, yards, clock)
    assert places_asked(server, FORECAST) == [2]


def test_where_the_one_that_is_asked_for_fails_the_others_are_asked_for(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    yards = [yard("A"), yard("B", 3000)]
    fetch(settings, store, yards, clock)
    clock.later(hours=1)
    server.fail(ENSEMBLE, "fahrenheit")

    errors = fetch(settings, store, yards, clock)

    assert list(errors) == ["A"]
    assert list(errors["A"]) == ["ensemble"]
    assert store.newest("B")["ensemble"].fetched_at == clock.now
    assert store.newest("A")["ensemble"].fetched_at == NOW


def test_yards_of_two_time_zones_do_not_share(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """Their days are not the same hours."""
    yards = [yard("A", height_m=300), yard("B", 100, height_m=300, zone="America/Denver")]
    for _ in range(2):
        assert fetch(settings, store, yards, clock) == {}
        clock.later(hours=1)

    assert places_asked(server, FORECAST) == [2, 2]


def test_without_a_height_in_the_answer_nothing_is_shared(
    settings: Configuration, store: Store, clock: Clock
) -> None:
    """Then the service has not moved the temperature, and for what height it is nobody knows."""
    nowhere = weather(elevation_m=None)
    nowhere.cell_height_m = None
    with WeatherServer(default=nowhere, now=clock) as server:
        asking = with_weather(
            settings, forecast_url=server.forecast_url, ensemble_url="", seasonal_url=""
        )
        yards = [yard("A"), yard("B", 3000)]
        for _ in range(2):
            assert fetch(asking, store, yards, clock) == {}
            clock.later(hours=1)

        assert places_asked(server, FORECAST) == [2, 2]


def test_a_service_that_heeds_no_height_serves_nobody_else(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    yards = [yard("A", height_m=500), yard("B", 3000, height_m=900)]
    server.heeds_height = False
    for _ in range(2):
        fetch(settings, store, yards, clock)
        clock.later(hours=1)

    assert [sum(places_asked(server, path)) for path in (FORECAST, ENSEMBLE)] == [4, 4]


def test_a_fault_of_many_yards_is_one_line_a_source(
    settings: Configuration, server: WeatherServer, store: Store, clock: Clock
) -> None:
    """A whole network that is down must not fill the mail of a timer."""
    names = [f"Yard {n:02}" for n in range(12)]
    places = [yard(name, 100_000 * n) for n, name in enumerate(names)]
    server.fail(FORECAST, "status:403")
    said: list[str] = []

    errors = fetching.fetch(settings, store, places, now=NOW, say=said.append)

    assert [name for name in names if "forecast" in errors[name]] == names
    lines = [line for line in said if ": forecast: " in line]
    assert len(lines) == 1
    assert lines[0].startswith("12 yards: forecast: 127.0.0.1")
    assert lines[0].endswith(" (Yard 00, Yard 01, Yard 02 and 9 more)")


def test_faults_of_a_few_yards_and_others_of_their_own_are_named() -> None:
    many = [(f"Yard {n}", "no forecast") for n in range(4)]
    found = fetching.in_few_lines([("A", "cut short"), *many, ("B", "cut short")])
    assert found == [
        "A: cut short",
        "B: cut short",
        "4 yards: no forecast (Yard 0, Yard 1, Yard 2 and 1 more)",
    ]


def test_sharing_can_be_switched_off(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    off = with_weather(settings, share_cells=False)
    yards = [yard("A", height_m=300), yard("B", 100, height_m=300)]
    for _ in range(2):
        fetch(off, store, yards, clock)
        clock.later(hours=1)

    assert places_asked(server, FORECAST) == [2, 2]
    assert (rows(store, "cell"), rows(store, "shared_series")) == (0, 0)


def test_past_highs_are_noted_for_all_who_share(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """200 m higher is 1.3 K cooler, also yesterday."""
    yards = [yard("A", height_m=300), yard("B", 2000, height_m=500)]
    fetch(settings, store, yards, clock)
    store._database.execute("DELETE FROM observed")
    clock.later(hours=1)

    fetch(settings, store, yards, clock)

    found = [
        [
            one[0]
            for one in store._database.execute(
                "SELECT tenths FROM observed WHERE yard = ? ORDER BY day", (each.name,)
            )
        ]
        for each in yards
    ]
    assert found == [[200, 200], [187, 187]]


def known(one: Yard, north: float, east: float, seen_at: datetime = NOW) -> KnownCell:
    return KnownCell(one.name, "forecast", north, east, 300.0, seen_at)


def test_groups_are_in_the_order_of_the_file() -> None:
    a, b, c, d = yard("A"), yard("B", 4000), yard("C", 9000), yard("D", 12000)
    cells = {"A": known(a, 45, 0), "C": known(c, 45, 0), "B": known(b, 46, 0)}

    found = shares([a, b, c, d], cells)

    assert [(one.lead.name, [each.name for each in one.others]) for one in found] == [
        ("A", ["C"]),
        ("B", []),
        ("D", []),
    ]


def test_near_means_less_than_500_m_in_each_direction() -> None:
    """A degree of longitude at 60° is half of one at the equator: 55.6 km (a sphere's circle)."""
    first = yard("A", height_m=10)._replace(latitude=60.0, longitude=10.0)
    for metres, together in ((490, True), (510, False)):
        for north, east in ((1, 0), (-1, 0), (0, 1), (0, -1), (0.7071, 0.7071), (-0.7071, 0.7071)):
            other = first._replace(
                name="B",
                latitude=60 + north * metres / 111_200,
                longitude=10 + east * metres / 55_600,
            )
            assert (len(shares([first, other], {})) == 1) == together, (metres, north, east)
    assert len(shares([first, first._replace(name="B", elevation_m=11.0)], {})) == 2


# A run is fetched once


def tell(server: WeatherServer, run_at: datetime, *, there_at: datetime | None = None) -> None:
    """The server says which run it has, as the service does (its page "Model Updates")."""
    made = there_at or run_at + timedelta(hours=7)
    for model in (ENSEMBLE_MODEL, EXTENDED_MODEL):
        server.runs[model] = {
            "last_run_initialisation_time": int(run_at.timestamp()),
            "last_run_modification_time": int(made.timestamp()) - 60,
            "last_run_availability_time": int(made.timestamp()),
            "temporal_resolution_seconds": 10800,
            "update_interval_seconds": 21600,
            "data_end_time": int((run_at + timedelta(days=15)).timestamp()),
        }


MIDNIGHT = datetime(2026, 8, 31, tzinfo=UTC)


def test_a_run_that_is_had_is_not_asked_for_again(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """In the evening the forecast is fetched anew; the members are not, and count as new."""
    tell(server, MIDNIGHT)
    home = yard("A")
    fetch(settings, store, [home], clock)
    assert server.requests == {FORECAST: 1, ENSEMBLE: 1, SEASONAL: 1}

    clock.later(hours=14)
    assert fetch(settings, store, [home], clock) == {}

    assert server.requests == {FORECAST: 2, ENSEMBLE: 1, SEASONAL: 1}
    found = stored_weather(settings, store, home, clock.now)
    assert found.fresh
    assert found.fetched_at == clock.now
    assert found.run_at == MIDNIGHT
    assert found.sources == ("forecast", "ensemble", "extended")
    kept = store.newest("A")["ensemble"]
    assert unpack_tenths(kept.tenths)[:4] == [200, 202, 204, 201]
    assert rows(store, "forecast") == 4


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        pytest.param({"run_at": MIDNIGHT + timedelta(hours=6)}, 2, id="a newer run"),
        pytest.param({"there_at": NOW + timedelta(hours=2)}, 2, id="the same run made anew"),
        pytest.param({}, 1, id="nothing new"),
    ],
)
def test_a_newer_run_is_asked_for(
    change: dict[str, Any],
    asked: int,
    settings: Configuration,
    store: Store,
    server: WeatherServer,
    clock: Clock,
) -> None:
    tell(server, MIDNIGHT)
    fetch(settings, store, [yard("A")], clock)
    tell(server, **{"run_at": MIDNIGHT, **change})
    clock.later(hours=6)

    fetch(settings, store, [yard("A")], clock)

    assert server.requests[ENSEMBLE] == asked


def test_the_next_day_is_asked_for_though_the_run_is_the_same(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """What is had begins yesterday."""
    tell(server, MIDNIGHT)
    fetch(settings, store, [yard("A")], clock)
    clock.later(hours=20)

    fetch(settings, store, [yard("A")], clock)

    assert server.requests[ENSEMBLE] == 2
    assert store.newest("A")["ensemble"].first_day == date(2026, 9, 1)


@pytest.mark.parametrize(
    "document",
    [
        pytest.param({}, id="empty"),
        pytest.param([1], id="no object"),
        pytest.param({"last_run_initialisation_time": "yesterday"}, id="no number"),
        pytest.param(None, id="none"),
    ],
)
def test_a_server_that_does_not_tell_is_asked_as_ever(
    document: Any, settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    if document is not None:
        server.runs[ENSEMBLE_MODEL] = document
    for _ in range(2):
        assert fetch(settings, store, [yard("A")], clock) == {}
        clock.later(hours=1)

    assert server.requests[ENSEMBLE] == 2
    assert store.newest("A")["ensemble"].run_at is None


@pytest.mark.parametrize(
    ("run_at", "there_at"),
    [
        pytest.param(MIDNIGHT, NOW - timedelta(minutes=9), id="not all machines have it yet"),
        pytest.param(NOW - timedelta(days=4), NOW - timedelta(days=3), id="from last week"),
        pytest.param(NOW + timedelta(days=1), NOW - timedelta(hours=1), id="from tomorrow"),
    ],
)
def test_a_run_that_is_not_sure_is_not_relied_on(
    run_at: datetime,
    there_at: datetime,
    settings: Configuration,
    store: Store,
    server: WeatherServer,
    clock: Clock,
) -> None:
    """The service's own advice is to wait 10 minutes (its page "Model Updates")."""
    tell(server, run_at, there_at=there_at)
    fetch(settings, store, [yard("A")], clock)

    assert store.newest("A")["ensemble"].run_at is None


def test_a_neighbour_joins_a_run_that_is_had(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """The first was asked for alone this morning; its cell-mate's members are the same ones."""
    yards = [yard("A"), yard("B", 3000)]
    fetch(settings, store, yards, clock)
    tell(server, MIDNIGHT)
    clock.later(hours=1)
    fetch(settings, store, yards[:1], clock)
    before = server.requests[ENSEMBLE]
    clock.later(hours=1)

    assert fetch(settings, store, yards, clock) == {}

    assert server.requests[ENSEMBLE] == before
    assert store.newest("B")["ensemble"].fetched_at == clock.now
    assert store.newest("B")["ensemble"].tenths == store.newest("A")["ensemble"].tenths


def test_that_runs_are_fetched_once_can_be_switched_off(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    tell(server, MIDNIGHT)
    server.marks = True
    off = with_weather(settings, once_a_run=False)
    for _ in range(2):
        fetch(off, store, [yard("A")], clock)
        clock.later(minutes=1)

    assert server.requests == {FORECAST: 2, ENSEMBLE: 2, SEASONAL: 2}
    assert not server.runs_asked
    assert all("If-None-Match" not in headers for _, _, headers in server.seen)


def test_an_answer_that_has_not_changed_is_not_sent_again(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    """The server marks its answers (RFC 9110, 13.1.2): the second time it says 304."""
    server.marks = True
    yards = [yard("A"), yard("B", 40_000)]
    fetch(settings, store, yards, clock)
    clock.later(minutes=10)

    assert fetch(settings, store, yards, clock) == {}

    asked = [headers.get("If-None-Match") for _, _, headers in server.seen]
    assert [one is None for one in asked] == [True] * 3 + [False] * 3
    assert rows(store, "forecast") == 6
    for one in yards:
        found = stored_weather(settings, store, one, clock.now)
        assert found.fetched_at == clock.now
        assert found.open_days
    clock.later(minutes=10)
    server.default = weather(rain_mm=lambda hour: 1.0)
    fetch(settings, store, yards, clock)
    assert store.newest("A")["forecast"].fetched_at == clock.now
    assert rows(store, "forecast") == 8


def test_a_mark_is_of_no_use_where_the_answer_is_not_kept(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    server.marks = True
    yards = [yard("A"), yard("B", 40_000)]
    fetch(settings, store, yards, clock)
    store._database.execute("DELETE FROM forecast WHERE yard = 'B'")
    clock.later(minutes=10)

    assert fetch(settings, store, yards, clock) == {}

    assert all("If-None-Match" not in headers for _, _, headers in server.seen)
    assert store.newest("B")["forecast"].fetched_at == clock.now


# What is kept


def test_what_came_is_kept_before_the_next_request(
    settings: Configuration, store: Store, clock: Clock, tmp_path: Path
) -> None:
    """So a kill in between loses one request's answers, and memory holds no more than these."""
    kept: list[int] = []

    def now() -> datetime:
        with sqlite3.connect(tmp_path / "windowcast.db") as database:
            kept.append(database.execute("SELECT count(*) FROM forecast").fetchone()[0])
        database.close()
        return clock.now

    with WeatherServer(default=weather(), now=now) as server:
        asking = with_weather(
            settings, forecast_url=server.forecast_url, ensemble_url="", seasonal_url=""
        )
        fetch(asking, store, [yard(f"Yard {n}", n * 1000) for n in range(250)], clock)

    assert sorted(set(kept)) == [0, 100, 200]


def test_old_series_go_and_what_stands_on_them_stays(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    yards = [yard("A", height_m=300), yard("B", 100, height_m=300)]
    tell(server, MIDNIGHT)
    fetch(settings, store, yards, clock)
    clock.later(hours=1)
    fetch(settings, store, yards, clock)

    store.forget_forecasts(clock.now + timedelta(days=1))

    assert {one.fetched_at for one in store.newest("B").values()} == {clock.now}
    assert set(store.newest("A")) == {"forecast", "ensemble", "extended"}
    # The members of the first hour are those of the second; its forecast is not.
    assert (rows(store, "forecast"), rows(store, "shared_series")) == (3, 5)


def test_another_height_in_the_file_is_another_place(
    settings: Configuration, store: Store, server: WeatherServer, clock: Clock
) -> None:
    yards = [yard("A", height_m=300), yard("B", 3000, height_m=300)]
    fetch(settings, store, yards, clock)
    moved = [yards[0], yards[1]._replace(elevation_m=500.0)]
    clock.later(hours=1)

    fetch(settings, store, moved, clock)

    assert places_asked(server, FORECAST) == [2, 2]
    assert highs(settings, store, moved[1], "forecast")[0] == 187


def test_on_a_server_s_database_it_is_the_same(
    postgres: PostgresServer, settings: Configuration, server: WeatherServer, clock: Clock
) -> None:
    """Shared, fetched once, marked, forgotten: the statements are those of both databases."""
    yards = [yard("A", height_m=300), yard("B", 3000, height_m=500)]
    tell(server, MIDNIGHT)
    server.marks = True
    with open_store(postgres.new_database(), Path()) as store:
        for _ in range(3):
            assert fetch(settings, store, yards, clock) == {}
            clock.later(hours=1)
        clock.later(hours=-1)
        assert server.requests == {FORECAST: 3, ENSEMBLE: 1, SEASONAL: 1}
        assert {one.fetched_at for one in store.newest("B").values()} == {clock.now}
        a, b = (highs(settings, store, one, "forecast") for one in yards)
        assert [x - y for x, y in zip(a, b, strict=True)] == [13] * 15  # type: ignore[operator]
        place = place_of(yards[1], settings.weather)
        assert len(store.fetches("B", "ensemble", place=place)) == 3
        assert store.forecast_fetched("B", clock.now) == clock.now
        store.forget_forecasts(clock.now + timedelta(days=1))
        assert {one.fetched_at for one in store.newest("B").values()} == {clock.now}
        # The newest, and the one on which it stands.
        assert len(store.fetches("B", "ensemble", place=place)) == 2
