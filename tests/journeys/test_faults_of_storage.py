"""The service and the morning where the disk, the database, the descriptors or the pipes fail."""

from __future__ import annotations

import json
import os
import resource
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.postgres import WANTED, PostgresServer, program
from support.service import Manager, wait_for
from support.unprivileged import locked_folder
from support.weather_server import Place, WeatherServer
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.service import Ticker

OTHERS = ("crew@example.org", "farm@example.org")
OFTEN = "1500000"
"""With a manager that wants a sign of life each 1.5 s the service ticks each half second."""


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path / "bees", zone=morning_zone())
    made.folder.mkdir()
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


def write(journey, weather, mail_port, *, store="", at="06:00", yards=("Creek Bend",)):
    journey.write("treatments.toml", TREATMENTS)
    journey.write(
        "yards.toml",
        "".join(yard_table(name, 44.9 + n, -99.7, journey.zone) for n, name in enumerate(yards)),
    )
    text = settings(
        forecast=weather.forecast_url,
        ensemble=weather.ensemble_url,
        seasonal=weather.seasonal_url,
        mail_port=mail_port,
        recipients=json.dumps(OTHERS),
        extra=f'[morning]\nat = "{at}"\nlate_until = "23:59"\n',
    )
    journey.write("windowcast.toml", f'{text}\n[store]\nurl = "{store}"\n' if store else text)


@contextmanager
def serving(journey, stdin=subprocess.DEVNULL, **environ):
    """The service, its log in a file; killed at the end where a test has not ended it."""
    log = journey.folder.parent / "log"
    # Whoever runs the tests may have turned hang-ups off, and a child inherits that.
    before = signal.signal(signal.SIGHUP, signal.SIG_DFL)
    with log.open("w") as out:
        process = subprocess.Popen(
            journey.command("serve"),
            stdin=stdin,
            stdout=out,
            stderr=out,
            env={**journey.environment(), **environ},
        )
    signal.signal(signal.SIGHUP, before)
    try:
        yield process, (lambda: log.read_text("utf-8"))
    finally:
        if process.poll() is None:
            process.kill()
        process.wait(30)


def ended(process, how=signal.SIGTERM) -> int:
    process.send_signal(how)
    return process.wait(40)


def sent_to(box):
    return sorted(one.recipients[0] for one in box.letters)


def asked_to_tick(name):
    return {"NOTIFY_SOCKET": f"@windowcast-{name}-{os.getpid()}", "WATCHDOG_USEC": OFTEN}


# The disk

SMALL_FILES = """
import resource, sys
most = int(sys.argv.pop(1))
resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))
from windowcast.cli import main
main()
"""


def test_nothing_is_sent_that_could_not_be_recorded_and_it_heals_once_there_is_room(
    journey, weather
):
    """No file may grow past a limit, which each run raises by 12 kB: the write that fails comes
    later and later, from the first of all to the last."""
    failed = 0
    for most in range(0, 600_000, 12_000):
        folder = journey.folder / str(most)
        folder.mkdir()
        made = Journey(folder=folder, zone=journey.zone)
        with Mailbox() as box:
            write(made, weather, box.port)
            with open_store(config.load(folder, {})):
                pass
            full = subprocess.run(
                [sys.executable, "-c", SMALL_FILES, str(most), *made.command("morning")[3:]],
                capture_output=True,
                text=True,
                env=made.environment(),
                timeout=60,
                check=False,
            )
            assert "Traceback" not in full.stderr, full.stderr
            before = [one.message["Message-ID"] for one in box.letters]
            with sqlite3.connect(folder / "windowcast.db") as database:
                recorded = {row[0] for row in database.execute("SELECT message_id FROM notice")}
                # What a process held when it failed is free again after fifteen minutes.
                database.execute(
                    "UPDATE notice SET leased_until = created_at WHERE leased_until > ''"
                )
            database.close()
            assert set(before) <= recorded
            healed = made.windowcast("morning")
            assert healed.returncode == 0, healed.stderr
            ids = {one.recipients[0]: set() for one in box.letters}
            for one in box.letters:
                ids[one.recipients[0]].add(one.message["Message-ID"])
        assert set(ids) == set(OTHERS)
        assert {len(each) for each in ids.values()} == {1}
        if full.returncode == 0:
            assert len(before) == 2
            break
        failed += 1
        assert full.returncode in (1, 3, 4), full.stderr
    assert full.returncode == 0
    assert failed >= 3


def test_a_database_that_may_not_be_written_fails_the_tick_and_the_next_one_heals(weather, journey):
    with Mailbox() as box, locked_folder() as (folder, locked):
        made = Journey(folder=folder, zone=journey.zone)
        write(made, weather, box.port)
        configuration = config.load(folder, {})
        open_store(configuration).close()
        ticker = Ticker(configuration)
        now = datetime.now(UTC)
        came_on = ticker.came_on_at
        with locked():
            ticker.tick(now)
        assert (ticker.ticks, ticker.failed_ticks, box.letters) == (0, 1, [])
        assert ticker.came_on_at == came_on  # so the watchdog is not fed
        ticker.tick(now)
        assert (ticker.ticks, ticker.failed_ticks) == (1, 1)
    assert sent_to(box) == sorted(OTHERS)


def test_a_database_that_vanishes_while_the_service_runs_is_not_made_anew(journey, weather):
    with Mailbox() as box:
        write(journey, weather, box.port)
        with serving(journey, **asked_to_tick("gone")) as (process, said):
            wait_for(lambda: "morning done" in said(), "the morning")
            wait_for(lambda: len(box.letters) == 2, "the letters")
            kept = journey.folder / "aside"
            kept.mkdir()
            for file in journey.folder.glob("windowcast.db*"):
                if not file.name.endswith(".lock"):
                    file.rename(kept / file.name)
            wait_for(lambda: "is not there; put it back" in said(), "the failure")
            time.sleep(1)
            assert not (journey.folder / "windowcast.db").exists()
            for file in kept.iterdir():
                file.rename(journey.folder / file.name)
            time.sleep(1.5)
            assert ended(process) == 0
    assert sent_to(box) == sorted(OTHERS)


# Locks, servers and descriptors

HOLD = """
import sqlite3, sys, time
database = sqlite3.connect(sys.argv[1], isolation_level=None)
database.execute("BEGIN IMMEDIATE")
print("held", flush=True)
sys.stdin.readline()
"""


def test_a_database_locked_longer_than_is_waited_for_fails_ticks_and_no_more(journey, weather):
    """Somebody else writes for longer than the ten seconds that a tick waits."""
    with Mailbox() as box:
        write(journey, weather, box.port)
        open_store(config.load(journey.folder, {})).close()
        environ = asked_to_tick("locked")
        with (
            Manager(environ["NOTIFY_SOCKET"]) as manager,
            serving(journey, **environ) as (
                process,
                said,
            ),
        ):
            wait_for(lambda: "serving 1 yard" in said(), "the start")
            wait_for(lambda: len(box.letters) == 2, "the letters")
            wait_for(lambda: manager.count("WATCHDOG") > 8, "signs of life")
            holder = subprocess.Popen(
                [sys.executable, "-c", HOLD, str(journey.folder / "windowcast.db")],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
            )
            assert holder.stdout.readline() == "held\n"
            time.sleep(1)  # a tick that had begun may end
            alive = manager.count("WATCHDOG")
            wait_for(lambda: "tick failed" in said(), "a tick that fails")
            assert "is in use by another process" in said()
            assert manager.count("WATCHDOG") <= alive + 1
            holder.communicate("\n", timeout=10)
            seen = manager.count("WATCHDOG")
            wait_for(lambda: manager.count("WATCHDOG") > seen + 2, "that it goes on")
            assert ended(process) == 0
    assert sent_to(box) == sorted(OTHERS)


def test_a_database_server_that_dies_and_comes_back_costs_ticks_and_no_notice(journey, weather):
    if program("initdb") is None:
        pytest.skip(WANTED)
    with PostgresServer() as server, Mailbox(refusals={"DATA": ["451 4.3.0 not now"] * 2}) as box:
        url = server.new_database()
        write(journey, weather, box.port, store=url)
        with serving(journey, **asked_to_tick("server")) as (process, said):
            wait_for(lambda: "morning done" in said(), "the morning")
            server.kill()
            wait_for(lambda: "tick failed" in said(), "a tick that fails")
            assert process.poll() is None
            server.start()
            # The two letters that were put off are tried again a minute later: now.
            database = url.rpartition("/")[2]
            waiting = "SELECT count(*) FROM notice WHERE state = 'waiting'"
            assert server.rows(database, waiting) == [(2,)]
            server.sql(database, "UPDATE notice SET next_attempt_at = created_at")
            wait_for(lambda: len(box.letters) >= 2, "the letters")
            assert ended(process) == 0
    assert sent_to(box) == sorted(OTHERS)


def test_without_descriptors_ticks_fail_and_with_them_the_notices_go_out(journey, weather):
    with Mailbox() as box:
        write(journey, weather, box.port, at="23:58")
        with serving(journey, **asked_to_tick("descriptors")) as (process, said):
            wait_for(lambda: "serving 1 yard" in said(), "the start")
            time.sleep(1)
            soft, hard = resource.prlimit(process.pid, resource.RLIMIT_NOFILE)
            resource.prlimit(process.pid, resource.RLIMIT_NOFILE, (4, hard))
            wait_for(lambda: "tick failed" in said(), "a tick that fails")
            assert process.poll() is None
            failed = said().count("tick failed")
            resource.prlimit(process.pid, resource.RLIMIT_NOFILE, (soft, hard))
            time.sleep(2)
            settled = said().count("tick failed")
            time.sleep(2)
            assert said().count("tick failed") == settled >= failed
            assert ended(process) == 0


# Signals and pipes


def test_with_nobody_reading_its_log_the_service_sends_and_stops_as_told(journey, weather):
    with Mailbox() as box:
        write(journey, weather, box.port)
        process = journey.start("serve")
        process.stdout.close()
        process.stderr.close()
        wait_for(lambda: len(box.letters) == 2, "the letters")
        process.send_signal(signal.SIGTERM)
        assert process.wait(40) == 0
    assert sent_to(box) == sorted(OTHERS)


class SlowToAccept:
    """A mail server that takes the whole letter, waits, and then says that it has it."""

    def __init__(self):
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        self.taken, self.go_on = threading.Event(), threading.Event()
        self.letters = 0
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self):
        while True:
            try:
                connection, _ = self._listening.accept()
            except OSError:
                return
            with connection, connection.makefile("rwb") as file:
                self._converse(file)

    def _converse(self, file):
        def reply(text):
            file.write(f"{text}\r\n".encode())
            file.flush()

        reply("220 mail.example.org ESMTP")
        while line := file.readline():
            command = line[:4].upper()
            reply({b"DATA": "354 go on", b"QUIT": "221 bye"}.get(command, "250 OK"))
            if command == b"DATA":
                while file.readline() not in (b".\r\n", b""):
                    pass
                self.taken.set()
                self.go_on.wait(30)
                self.letters += 1
                reply("250 OK")

    def close(self):
        self._listening.close()


def test_told_to_stop_in_the_middle_of_a_letter_it_finishes_the_tick(journey, weather):
    box = SlowToAccept()
    write(journey, weather, box.port)
    with serving(journey) as (process, said):
        assert box.taken.wait(30), said()
        process.send_signal(signal.SIGTERM)
        time.sleep(0.5)
        assert process.poll() is None
        box.go_on.set()
        assert process.wait(40) == 0
        assert "stopped" in said() and "in the middle of a tick" not in said()
    again = journey.windowcast("morning")
    box.close()
    assert again.returncode == 0, again.stderr
    assert box.letters == 2


def test_a_terminal_that_closes_ends_it_and_the_next_start_sends_nothing_again(journey, weather):
    ours, terminal = os.openpty()
    with Mailbox() as box:
        write(journey, weather, box.port)
        with serving(journey, stdin=terminal) as (process, said):
            os.close(terminal)
            wait_for(lambda: "morning done" in said(), "the morning")
            wait_for(lambda: len(box.letters) == 2, "the letters")
            time.sleep(1)
            ended(process, signal.SIGHUP)
        os.close(ours)
        with serving(journey) as (process, said):
            wait_for(lambda: "serving 1 yard" in said(), "the start")
            time.sleep(2)
            assert ended(process) == 0
    assert sent_to(box) == sorted(OTHERS)


def test_a_tick_that_lasts_longer_than_the_pause_is_not_overtaken(journey, weather):
    """Ticks come each half second, and one lasts three: no second begins meanwhile."""
    box = SlowToAccept()
    write(journey, weather, box.port)
    environ = asked_to_tick("long")
    with (
        Manager(environ["NOTIFY_SOCKET"]) as manager,
        serving(journey, **environ) as (
            process,
            said,
        ),
    ):
        assert box.taken.wait(30), said()
        ended_before = manager.count("STATUS")
        time.sleep(3)
        assert manager.count("STATUS") == ended_before
        box.go_on.set()
        wait_for(lambda: manager.count("STATUS") >= ended_before + 3, "the next ticks")
        assert ended(process) == 0
    box.close()
    assert said().count("morning of Creek Bend") == 1
    assert box.letters == 2
