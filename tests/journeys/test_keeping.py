"""The service left alone: as a real process, with a manager, a monitor and a watcher."""

from __future__ import annotations

import ctypes
import json
import os
import signal
import socket
import sqlite3
import subprocess
import tempfile
import time
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.service import Manager, Watcher, ask, free_port, wait_for
from support.weather_server import Place, WeatherServer

CREEK = (44.9, -99.7)
ALL_DAY = '[morning]\nat = "06:00"\nlate_until = "23:59"\n'
NOT_YET = '[morning]\nat = "23:50"\nlate_until = "23:59"\n'
"""The zone is one where it is about ten."""


@pytest.fixture
def journey(tmp_path):
    zone = morning_zone()
    made = Journey(folder=tmp_path, zone=zone)
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, zone))
    return made


@pytest.fixture
def weather(journey):
    course = [20.0] * 16
    place = Place(
        daily_highs=course,
        members=[course[:15]] * 51,
        extended=[[18.0] * 46] * 51,
        timezone=journey.zone,
    )
    with WeatherServer(places={CREEK: place}) as server:
        yield server


def write(journey, weather, *, extra="", mail_port=None):
    urls = {
        "forecast": weather.forecast_url,
        "ensemble": weather.ensemble_url,
        "seasonal": weather.seasonal_url,
    }
    journey.write("windowcast.toml", settings(**urls, extra=extra, mail_port=mail_port))


@contextmanager
def serving(journey, **environ):
    """The service, told to stop at the end; `said` is then its log."""
    process = Service(journey, environ)
    try:
        yield process
    finally:
        process.stop()


class Service:
    def __init__(self, journey, environ):
        self.log = journey.folder.parent / f"{journey.folder.name}.log"
        with self.log.open("w") as log:
            self.process = subprocess.Popen(
                journey.command("serve"),
                stdout=log,
                stderr=log,
                env={**journey.environment(), **environ},
            )

    @property
    def said(self):
        return self.log.read_text("utf-8")

    def stop(self, ending=signal.SIGTERM):
        if self.process.poll() is None:
            self.process.send_signal(ending)
        try:
            return self.process.wait(60)
        except subprocess.TimeoutExpired:
            self.process.kill()  # and leave nothing behind
            raise


def health_of(port):
    def answered():
        try:
            return ask(port, "/healthz")
        except OSError:
            return None

    return wait_for(answered, "an answer")


def rows(journey, statement):
    database = sqlite3.connect(journey.folder / "windowcast.db")
    try:
        with database:
            return database.execute(statement).fetchall()
    finally:
        database.close()


def text_of(instant):
    return instant.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


@pytest.mark.parametrize("abstract", [False, True], ids=["a path", "an abstract name"])
def test_the_service_manager_is_told_ready_alive_and_stopping(journey, weather, abstract):
    # a path of a socket is at most 107 octets long
    with tempfile.TemporaryDirectory() as folder:
        address = f"@windowcast-journey-{os.getpid()}" if abstract else f"{folder}/notify"
        _told_ready_alive_and_stopping(journey, weather, address)


def _told_ready_alive_and_stopping(journey, weather, address):
    write(journey, weather, extra=NOT_YET)
    with (
        Manager(address) as manager,
        serving(journey, NOTIFY_SOCKET=address, WATCHDOG_USEC="3000000") as service,
    ):
        wait_for(lambda: manager.count("WATCHDOG") >= 3, "three signs of life")
        assert manager.count("READY") == 1
        assert service.stop() == 0
        wait_for(lambda: manager.count("STOPPING"), "that it stops")
    assert any("next morning: Creek Bend" in one.get("STATUS", "") for one in manager.said)


def test_a_signal_that_does_not_interrupt_its_wait_stops_it_too(journey, weather):
    """Another thread takes it; one that comes in the instant before the wait begins is the same."""
    write(journey, weather, extra=NOT_YET)
    with serving(journey) as service:
        wait_for(lambda: "serving 1 yard" in service.said, "the start")
        process = service.process.pid
        other = max(int(task.name) for task in Path(f"/proc/{process}/task").iterdir())
        assert other != process
        assert ctypes.CDLL(None).tgkill(process, other, signal.SIGTERM) == 0
        assert service.process.wait(20) == 0
    assert "stopping (SIGTERM)" in service.said


def test_a_loop_that_hangs_gives_no_sign_of_life_and_healthz_says_so(journey, weather):
    port = free_port()
    write(journey, weather, extra=f'{ALL_DAY}[health]\nlisten = "127.0.0.1:{port}"\n')
    weather.fail("/v1/forecast", "hang", "hang", "hang")
    address = f"@windowcast-hangs-{os.getpid()}"
    with (
        Manager(address) as manager,
        serving(journey, NOTIFY_SOCKET=address, WATCHDOG_USEC="2000000") as service,
    ):
        stalled = wait_for(
            lambda: (
                (answer := health_of(port)).status == 503
                and "has not come on" in answer.text
                and answer
            ),
            "a stall to be seen",
        )
        assert json.loads(stalled.text)["status"] == "failing"
        alive = manager.count("WATCHDOG")
        time.sleep(2)
        assert manager.count("WATCHDOG") == alive
        service.stop(signal.SIGKILL)  # told to stop, it would wait for the server


def test_a_monitor_sees_a_service_that_is_well(journey, weather):
    port = free_port()
    write(journey, weather, extra=f'{ALL_DAY}[health]\nlisten = "127.0.0.1:{port}"\n')
    with serving(journey) as service:
        wait_for(lambda: "morning done" in service.said, "the morning")
        found = json.loads(health_of(port).text)
        families = text_string_to_metric_families(ask(port, "/metrics").text)
        samples = {one.name: one.value for family in families for one in family.samples}
        assert ask(port, "/metrics", "POST").status == 405
        assert ask(port, "/").status == 404
        # One that vanishes is told, and not made anew: everything would be sent again.
        for ending in ("", "-wal", "-shm"):
            (journey.folder / f"windowcast.db{ending}").unlink(missing_ok=True)
        gone = health_of(port)
        assert gone.status == 503
        assert "windowcast.db is not there" in gone.text
        assert not (journey.folder / "windowcast.db").exists()
    assert found["status"] == "ok"
    assert found["outbox_waiting"] == 0
    assert found["last_run"] is not None
    assert found["oldest_forecast"] is not None
    assert samples["windowcast_morning_runs_total"] == 1
    assert samples["windowcast_morning_overdue"] == 0
    assert samples["windowcast_store_readable"] == 1


def test_a_port_that_is_taken_is_said_and_the_mornings_go_on(journey, weather):
    with socket.create_server(("127.0.0.1", 0)) as taken, Mailbox() as box:
        port = taken.getsockname()[1]
        extra = f'{ALL_DAY}[health]\nlisten = "127.0.0.1:{port}"\n'
        write(journey, weather, extra=extra, mail_port=box.port)
        with serving(journey) as service:
            wait_for(lambda: box.letters, "the notice")
    assert f"nobody can ask at 127.0.0.1 port {port} (address already in use)" in service.said


def test_a_watcher_elsewhere_hears_of_each_good_run_and_its_address_stays_secret(journey, weather):
    extra = f'{ALL_DAY}[health]\nheartbeat_url_env = "BEAT"\n'
    write(journey, weather, extra=extra)
    with Watcher() as watcher:
        secret = f"http://127.0.0.1:{watcher.port}/s3cr3t-path"
        with serving(journey, BEAT=secret) as service:
            wait_for(lambda: watcher.asked, "the sign of life")
            wait_for(lambda: "morning done" in service.said, "the morning")
            time.sleep(0.5)
        assert watcher.asked == ["/s3cr3t-path"]
    assert "s3cr3t" not in service.said
    assert not any(
        b"s3cr3t" in one.read_bytes() for one in journey.folder.iterdir() if one.is_file()
    )


@pytest.mark.parametrize(
    ("status", "words"),
    [
        pytest.param(500, "it answered with status 500", id="refused"),
        pytest.param(302, "it redirects (status 302), which is not followed", id="elsewhere"),
        pytest.param(None, "it cannot be reached", id="nobody there"),
    ],
)
def test_a_heartbeat_that_fails_is_said_and_does_no_harm(
    journey, weather, monkeypatch, status, words
):
    write(journey, weather, extra='[health]\nheartbeat_url_env = "BEAT"\n')
    with Watcher(status or 200) as watcher:
        port = watcher.port if status else free_port()
        monkeypatch.setenv("BEAT", f"http://127.0.0.1:{port}/s3cr3t-path")
        done = journey.windowcast("morning")
        asked = watcher.asked
    assert (done.returncode, done.stderr) == (0, f"heartbeat not sent: {words}\n")
    assert asked == (["/s3cr3t-path"] if status else [])


def test_no_heartbeat_without_a_usable_forecast(journey, weather, monkeypatch):
    write(journey, weather, extra='[health]\nheartbeat_url_env = "BEAT"\n')
    weather.stop()
    with Watcher() as watcher:
        monkeypatch.setenv("BEAT", f"http://127.0.0.1:{watcher.port}/")
        assert journey.windowcast("morning").returncode == 3
        assert watcher.asked == []


def test_a_morning_missed_through_a_crash_is_told_once(journey, weather):
    """Yesterday nothing ran: the service died the day before, as its last tick says."""
    with Mailbox() as box:
        write(journey, weather, extra=ALL_DAY, mail_port=box.port)
        with serving(journey) as service:
            wait_for(lambda: box.letters, "today's notice")
            wait_for(lambda: "sent" in service.said, "that it was sent")
            service.stop(signal.SIGKILL)
        now = datetime.now(UTC)
        day = timedelta(days=1)
        rows(journey, "UPDATE service_run SET stopped_at = NULL")
        rows(
            journey,
            f"UPDATE service_run SET started_at = '{text_of(now - 3 * day)}',"
            f" ticked_at = '{text_of(now - 2 * day)}'",
        )
        rows(journey, f"UPDATE yard_since SET since = '{text_of(now - 4 * day)}'")
        for _ in range(2):
            with serving(journey) as service:
                wait_for(lambda: len(box.letters) >= 2, "what was missed")
                time.sleep(1)
    assert len(box.letters) == 2
    letter = box.letters[1]
    assert letter.message["Subject"].startswith("Creek Bend: the notice of ")
    assert letter.message["Subject"].endswith(" was not sent")
    assert "the service was not running from" in " ".join(letter.text.split())
    assert rows(journey, "SELECT count(*) FROM missed_told") == [(1,)]


def test_the_morning_command_tells_of_a_missed_morning_too(journey, weather):
    write(journey, weather, extra=ALL_DAY)
    assert journey.windowcast("morning").returncode == 0
    since = datetime.now(UTC) - timedelta(days=4)
    rows(journey, f"UPDATE yard_since SET since = '{text_of(since)}'")
    rows(journey, "DELETE FROM morning")

    printed = journey.windowcast("morning", "--print")
    told = journey.windowcast("morning")
    again = journey.windowcast("morning")

    assert "was not sent" not in printed.stdout
    words = "windowcast did not run in these hours"
    assert words in " ".join(told.stdout.split())
    assert words not in " ".join(again.stdout.split())


def test_status_of_a_service_that_runs_one_that_died_and_one_that_stopped(journey, weather):
    write(journey, weather, extra=ALL_DAY)
    none_yet = journey.windowcast("status")
    assert (none_yet.returncode, none_yet.stdout) == (1, "")
    assert "no database" in none_yet.stderr
    assert not (journey.folder / "windowcast.db").exists()

    with serving(journey) as service:
        wait_for(lambda: "morning done" in service.said, "the morning")
        runs = journey.windowcast("status", "--json")
        second = journey.windowcast("serve")
        service.stop(signal.SIGKILL)
    died = journey.windowcast("status")
    with serving(journey) as service:
        wait_for(lambda: "serving 1 yard" in service.said, "the start")
    stopped = journey.windowcast("status")

    found = json.loads(runs.stdout)
    assert (runs.returncode, found["troubles"]) == (0, [])
    assert found["service"]["running"] is True
    assert found["service"]["process"] is not None
    assert found["yards"][0]["last_morning"] == journey.today.isoformat()
    assert second.returncode == 3
    assert f"(process {found['service']['process']}); stop it first" in second.stderr
    assert died.returncode == 1
    assert "ended without being told to" in died.stdout
    assert "not running: it died after" in died.stdout
    assert (stopped.returncode, stopped.stderr) == (0, "")
    assert "not running: stopped" in stopped.stdout
    assert max(map(len, died.stdout.splitlines())) <= 78


def test_a_password_of_the_service_alone_keeps_nobody_from_asking(journey, weather):
    """As with LoadCredential: the folder of credentials is named only to the service."""
    with Mailbox() as box:
        write(journey, weather, mail_port=box.port)
    text = (journey.folder / "windowcast.toml").read_text("utf-8")
    journey.write(
        "windowcast.toml",
        text + 'username = "bees"\npassword_file = "$CREDENTIALS_DIRECTORY/smtp-password"\n',
    )
    assert journey.windowcast("yard", "Creek Bend").returncode == 0
    assert journey.windowcast("status").returncode == 0
    refused = journey.windowcast("morning")
    assert refused.returncode == 2
    assert "$CREDENTIALS_DIRECTORY/" in refused.stderr


def test_check_says_whose_database_others_can_read(journey, weather):
    write(journey, weather)
    assert journey.windowcast("yard", "Creek Bend").returncode == 0
    assert journey.windowcast("check").stderr == ""
    (journey.folder / "windowcast.db").chmod(0o644)
    done = journey.windowcast("check")
    assert done.returncode == 0
    assert "windowcast.db: others can read it (mode 0644); run: chmod 600 " in done.stderr


def test_what_the_service_writes_is_its_own_alone(journey, weather):
    write(journey, weather, extra=ALL_DAY)
    with serving(journey) as service:
        wait_for(lambda: "morning done" in service.said, "the morning")
        modes = {
            one.name: one.stat().st_mode & 0o777
            for one in journey.folder.iterdir()
            if one.name.startswith("windowcast.db")
        }
    assert {"windowcast.db", "windowcast.db.lock", "windowcast.db-wal"} <= modes.keys()
    assert set(modes.values()) == {0o600}
