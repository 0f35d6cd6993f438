"""The configuration edited while the service runs: taken over whole, or not at all."""

from __future__ import annotations

import json
import os
import signal
import socket
import sqlite3
import subprocess
import time
from contextlib import contextmanager
from types import SimpleNamespace

import pytest
from prometheus_client.parser import text_string_to_metric_families

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.service import ask, free_port, wait_for
from support.weather_server import Place, WeatherServer

OFTEN = "1500000"
"""With a manager that wants a sign of life each 1.5 s the service ticks each half second."""
DUE, NOT_YET = "06:00", "23:50"
"""The zone is one where it is about ten."""


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path / "bees", zone=morning_zone())
    made.folder.mkdir()
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_of(made, "Creek Bend"))
    return made


@pytest.fixture
def weather(journey):
    place = Place(
        daily_highs=[20.0] * 16,
        members=[[20.0] * 15] * 51,
        extended=[[20.0] * 46] * 51,
        timezone=journey.zone,
    )
    with WeatherServer(default=place) as server:
        yield server


def yard_of(journey, name):
    return yard_table(name, 44.9, -99.7, journey.zone)


def write(journey, weather, box, port, *, at=DUE, more=""):
    text = settings(
        forecast=weather.forecast_url,
        ensemble=weather.ensemble_url,
        seasonal=weather.seasonal_url,
        mail_port=box.port,
        extra=f'[morning]\nat = "{at}"\nlate_until = "23:59"\n'
        f'[health]\nlisten = "127.0.0.1:{port}"\n',
    )
    journey.write("windowcast.toml", text + more)


@contextmanager
def serving(journey, *more, often=True):
    """The service's log, as a function; `often` it ticks, else each minute. `process` is it."""
    log = journey.folder.parent / "log"
    watched = {"NOTIFY_SOCKET": f"@windowcast-edited-{os.getpid()}", "WATCHDOG_USEC": OFTEN}
    # Whoever runs the tests may have turned hang-ups off, which would be inherited.
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    with log.open("w") as out:
        process = subprocess.Popen(
            journey.command("serve", *more),
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
            env={**journey.environment(), **(watched if often else {})},
        )
    signal.signal(signal.SIGHUP, before)

    def said():
        return log.read_text("utf-8")

    said.process = process
    try:
        yield said
        if process.poll() is None:
            process.terminate()
            assert process.wait(40) == 0
    finally:
        if process.poll() is None:
            process.kill()
            process.wait(10)


def health(port):
    return json.loads(ask(port, "/healthz").text)


def metric(port, name):
    families = text_string_to_metric_families(ask(port, "/metrics").text)
    return {one.name: one.value for family in families for one in family.samples}[name]


def test_a_yard_that_is_added_is_told_of_without_a_restart(journey, weather):
    port = free_port()
    with Mailbox() as box:
        write(journey, weather, box, port)
        with serving(journey) as said:
            wait_for(lambda: box.letters, "the notice of the first yard")
            journey.write(
                "yards.toml", yard_of(journey, "Creek Bend") + yard_of(journey, "Mill Yard")
            )
            wait_for(lambda: len(box.letters) == 2, "that of the second")
            log = said()
    assert [one.message["Subject"].partition(" can")[0] for one in box.letters] == [
        "Creek Bend", "Mill Yard"
    ]  # fmt: skip
    assert log.count("configuration read anew: 2 yard(s)") == 1


def test_the_page_shows_what_was_added_where_it_is_told_to_now(journey, weather):
    port, first, second = free_port(), free_port(), free_port()

    def web(number):
        return f'[web]\nlisten = "127.0.0.1:{number}"\n'

    with Mailbox() as box:
        write(journey, weather, box, port, more=web(first))
        with serving(journey, "--web") as said:
            wait_for(lambda: f"the page answers at 127.0.0.1 port {first}" in said(), "the page")
            before = ask(first, "/").text
            journey.write(
                "yards.toml", yard_of(journey, "Creek Bend") + yard_of(journey, "Mill Yard")
            )
            wait_for(lambda: "Mill Yard" in ask(first, "/").text, "the new yard")
            write(journey, weather, box, port, more=web(second))
            wait_for(lambda: f"the page answers at 127.0.0.1 port {second}" in said(), "the move")
            after = ask(second, "/").text
            with pytest.raises(OSError, match="refused"):
                ask(first, "/")
    assert "Creek Bend" in before
    assert "Mill Yard" not in before
    assert "Mill Yard" in after


def test_a_hang_up_has_the_files_read_at_once(journey, weather):
    port = free_port()
    with Mailbox() as box:
        write(journey, weather, box, port, at=NOT_YET)
        with serving(journey, often=False) as said:
            wait_for(lambda: "serving 1 yard" in said(), "the start")
            wait_for(lambda: metric(port, "windowcast_ticks_total") == 1, "a tick")
            write(journey, weather, box, port, at=DUE)
            said.process.send_signal(signal.SIGHUP)
            wait_for(lambda: box.letters, "the notice by the new hour")
            assert "looking at the files now (SIGHUP)" in said()


def test_a_second_wish_to_stop_is_obeyed_at_once(journey, weather):
    """A mail server that says nothing would hold the first one up for twenty seconds."""
    port = free_port()
    with socket.create_server(("127.0.0.1", 0)) as silent:
        box = SimpleNamespace(port=silent.getsockname()[1])
        write(journey, weather, box, port)
        with serving(journey, often=False) as said:
            connection, _ = silent.accept()
            with connection:
                said.process.terminate()
                wait_for(lambda: "stopping (SIGTERM)" in said(), "the first")
                begun = time.monotonic()
                said.process.terminate()
                assert said.process.wait(15) == -signal.SIGTERM
                assert time.monotonic() - begun < 15
    assert "stopped" not in said()
    # It is still to be sent, whoever had it in hand.
    database = sqlite3.connect(journey.folder / "windowcast.db")
    kept = database.execute("SELECT state FROM notice").fetchall()
    database.close()
    assert kept == [("waiting",)]


def test_a_half_written_file_changes_nothing_is_said_once_and_heals(journey, weather):
    port = free_port()
    with Mailbox() as box:
        write(journey, weather, box, port, at=NOT_YET)
        with serving(journey) as said:
            wait_for(lambda: "serving 1 yard" in said(), "the start")
            wait_for(lambda: "/healthz and /metrics answer" in said(), "the page")
            whole = yard_of(journey, "Creek Bend") + yard_of(journey, "Mill Yard")
            journey.write("yards.toml", whole[: whole.index("colonies") + 9])
            found = wait_for(
                lambda: (one := health(port))["configuration_outdated"] and one, "the mistake"
            )
            outdated = metric(port, "windowcast_configuration_outdated")
            ticks = metric(port, "windowcast_ticks_total")
            wait_for(lambda: metric(port, "windowcast_ticks_total") > ticks + 2, "ticks go on")
            status = journey.windowcast("status")
            failed = metric(port, "windowcast_failed_ticks_total")
            broken = said()
            # By the old configuration no morning is due yet; by the new one it is.
            journey.write("yards.toml", whole)
            write(journey, weather, box, port, at=DUE)
            wait_for(lambda: box.letters, "the notice by the new configuration")
            healed = health(port)
    assert found["status"] == "ok"  # the mornings come
    assert found["configuration_outdated"].startswith("yards.toml:7: ")
    assert (outdated, failed) == (1, 0)
    assert broken.count("ERROR the changed configuration is not used: yards.toml:7: ") == 1
    assert (status.returncode, status.stdout) == (2, "")
    assert status.stderr.startswith("yards.toml:7: ")
    assert healed["configuration_outdated"] is None
    assert " ".join(box.letters[0].message["Subject"].split()).startswith(
        "Creek Bend and Mill Yard can start today"
    )


def test_a_database_is_not_exchanged_under_a_service_and_that_is_said(journey, weather):
    port = free_port()
    with Mailbox() as box:
        write(journey, weather, box, port)
        with serving(journey) as said:
            wait_for(lambda: "notice to crew@example.org: sent" in said(), "the notice")
            write(
                journey,
                weather,
                box,
                free_port(),
                more='\n[store]\nurl = "sqlite:///other.db"\n',
            )
            wait_for(lambda: "configuration read anew" in said(), "the change")
            found = health(port)
            ticks = metric(port, "windowcast_ticks_total")
            wait_for(lambda: metric(port, "windowcast_ticks_total") > ticks + 2, "ticks")
    words = "[store] and [health] listen: changed, used from the next start of the service"
    assert found["configuration_outdated"] == words
    assert f"WARNING {words}" in said()
    assert len(box.letters) == 1
    assert not (journey.folder / "other.db").exists()
