"""Request weight is booked for what was sent, and for nothing else: real sockets, real processes.

A service counts what reaches it. What was sent and not answered may have been counted, so it stays
booked.
"""

from __future__ import annotations

import os
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.service import free_port
from windowcast.answer import open_store
from windowcast.edges import archive, config
from windowcast.edges.allowance import Budget
from windowcast.errors import WeatherError
from windowcast.trade.yard import Hive, Yard

NOW = datetime(2026, 8, 31, 11, tzinfo=UTC)


@contextmanager
def closing_server() -> Iterator[tuple[int, list[bytes]]]:
    """Takes each request and hangs up; its port, and what came."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        came: list[bytes] = []

        def serve() -> None:
            while True:
                try:
                    one, _ = listening.accept()
                except OSError:
                    return
                with one:
                    came.append(one.recv(65536))

        threading.Thread(target=serve, daemon=True).start()
        yield listening.getsockname()[1], came
        listening.shutdown(socket.SHUT_RDWR)


def journey_to(folder: Path, port: int) -> Journey:
    folder.mkdir(exist_ok=True)
    made = Journey(folder=folder, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", 44.9, -99.7, made.zone))
    base = f"http://127.0.0.1:{port}/v1"
    text = settings(
        forecast=f"{base}/forecast",
        ensemble=f"{base}/ensemble",
        seasonal=f"{base}/seasonal",
        archive=f"{base}/archive",
        previous_runs=f"{base}/previous",
        single_runs=f"{base}/single",
    )
    made.write("windowcast.toml", text.replace("calibrate = false", "calibrate = true"))
    return made


def spent(journey: Journey) -> float:
    configuration = config.load(journey.folder, os.environ)
    with open_store(configuration, create=False) as store:
        return store.spent(datetime.now(UTC).date())


@pytest.mark.parametrize("arguments", [("yard", "Creek Bend", "--fetch"), ("morning", "--print")])
def test_nobody_listening_costs_nothing(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    journey = journey_to(tmp_path, free_port())
    for _ in range(2):
        done = journey.windowcast(*arguments)
        assert done.returncode == 3
        assert "connection refused" in done.stderr

    assert spent(journey) == 0.0


def test_past_years_that_were_not_asked_for_cost_nothing(tmp_path: Path) -> None:
    journey = journey_to(tmp_path, free_port())
    done = journey.windowcast("season", "Creek Bend", "--fetch")

    assert done.returncode == 3
    assert spent(journey) == 0.0


def test_sent_and_not_answered_stays_booked(tmp_path: Path) -> None:
    """Past years: 30 of them, a call for each 140 days, 78.3 at least."""
    with closing_server() as (port, came):
        journey = journey_to(tmp_path, port)
        journey.windowcast("season", "Creek Bend", "--fetch")
        assert came

    assert spent(journey) >= 78


@pytest.mark.parametrize(
    ("host", "why"),
    [
        ("https://127.0.0.1:{closing}", "no TLS is spoken there"),
        ("https://127.0.0.1:{closed}", "refused"),
        ("https://nowhere.invalid", "a name that never resolves (RFC 6761, 6.4)"),
    ],
)
def test_a_request_without_a_connection_has_not_left(host: str, why: str) -> None:
    with closing_server() as (port, _):
        url = host.format(closing=port, closed=free_port()) + "/v1/archive"
        loaded = config.load(Path(__file__).parents[1] / "config", os.environ).weather
        got = archive.fetch_past_years(
            YARD, loaded._replace(archive_url=url), now=NOW, say=print, sleep=lambda seconds: None
        )

    assert isinstance(got.highs, WeatherError), why
    assert got.spent.weight == 0.0, why


YARD = Yard(
    name="Creek Bend",
    latitude=44.9,
    longitude=-99.7,
    elevation_m=None,
    timezone="America/Chicago",
    colonies=1,
    hive=Hive(),
    treatments=(),
)


def test_two_at_once_do_not_give_back_each_other_s(tmp_path: Path) -> None:
    """One finds nobody while the other's requests arrive: what arrived is what stays booked."""
    folders = [tmp_path / name for name in ("alone", "first", "second")]
    with closing_server() as (port, _):
        alone, first, second = (
            journey_to(folder, where)
            for folder, where in zip(folders, (port, port, free_port()), strict=True)
        )
        for journey in (first, second):
            with (journey.folder / "windowcast.toml").open("a") as file:
                file.write(f'[store]\nurl = "sqlite:///{tmp_path}/shared.db"\n')
        alone.windowcast("season", "Creek Bend", "--fetch")
        both = [one.start("season", "Creek Bend", "--fetch") for one in (first, second)]
        said = [one.communicate(timeout=120)[1] for one in both]

    assert "connection broke off" in said[0]
    assert "connection refused" in said[1]
    assert spent(alone) >= 78
    assert spent(first) == pytest.approx(spent(alone))


def test_what_was_taken_is_given_back_to_the_day_that_gave_it() -> None:
    """A request that begins before midnight and fails after it leaves the new day as it is."""
    instant = [datetime(2026, 8, 31, 23, 59, 59, tzinfo=UTC)]
    budget = Budget(per_minute=600, per_hour=5000, per_day=1000, say=print, now=lambda: instant[0])
    budget.take(78.3)
    budget.settle(78.3, 0)
    assert budget.spent.weight == 0.0
    budget.take(78.3)
    instant[0] = datetime(2026, 9, 1, 0, 0, 1, tzinfo=UTC)
    budget.settle(78.3, 0)
    assert budget.spent.weight == 0.0
    budget.take(10)
    budget.settle(10, 3)
    assert budget.spent.weight == 12
