"""What windowcast does where its own output fails: a full disk, a closed stream; real processes.

/dev/full answers every write with ENOSPC (its manual page, full(4)).
"""

from __future__ import annotations

import os
import signal
import subprocess
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.service import wait_for
from windowcast.answer import open_store
from windowcast.edges import config

FULL = Path("/dev/full")
CREEK = (44.9, -99.7)

pytestmark = pytest.mark.skipif(not FULL.exists(), reason="this system has no /dev/full")


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    made = Journey(folder=tmp_path / "bees", zone=morning_zone())
    made.folder.mkdir()
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    made.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    return made


def full(journey: Journey, *arguments: str, unbuffered: str = "") -> subprocess.CompletedProcess:
    with FULL.open("w") as stdout:
        return subprocess.run(
            journey.command(*arguments),
            stdout=stdout,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
            env={**journey.environment(), "PYTHONUNBUFFERED": unbuffered},
            check=False,
        )


@pytest.mark.parametrize(
    ("arguments", "status"),
    [
        (("--help",), 3),
        (("--version",), 3),
        (("season", "--help"), 3),
        (("help",), 3),
        (("check",), 3),
        (("check", "--budget"), 3),
        (("yard", "Creek Bend"), 3),
        (("yard", "Creek Bend", "--json"), 3),
        (("records", "--json"), 3),
        (("visits", "--csv"), 3),
        (("texts",), 3),
        (("morning",), 4),
        (("morning", "--print"), 4),
        (("band", "formic-strips", "two-strips", "--high-max", "28"), 1),
        (("found", "Creek Bend", "--brood", "none"), 1),
    ],
)
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_full_disk_is_one_line(
    journey: Journey, arguments: tuple[str, ...], status: int, unbuffered: str
) -> None:
    done = full(journey, *arguments, unbuffered=unbuffered)

    (line,) = done.stderr.splitlines()
    assert line.startswith(
        "windowcast: the standard output cannot be written: no space left on device"
    )
    assert done.returncode == status


def test_what_was_entered_is_kept_and_said_to_be(journey: Journey) -> None:
    found = ("found", "Creek Bend", "--brood", "none")
    done = full(journey, *found, "--queens-checked", "3", "--queens-missing", "1")

    assert "what was entered is kept" in done.stderr
    assert "Traceback" not in done.stderr
    configuration = config.load(journey.folder, os.environ)
    with open_store(configuration, create=False) as store:
        assert [one.kind for one in store.journal()] == ["brood", "queens"]


def test_a_table_that_is_written_as_bytes(journey: Journey) -> None:
    begun = journey.windowcast(
        "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--anyway"
    )
    assert begun.returncode == 0, begun.stderr
    done = full(journey, "records", "--csv")

    assert "no space left on device" in done.stderr
    assert done.returncode == 3


def test_a_whole_letter_that_is_lost_can_be_had_again(journey: Journey) -> None:
    lost = full(journey, "morning")
    assert "windowcast morning --print" in lost.stderr

    again = journey.windowcast("morning", "--print")
    assert again.returncode == 0
    assert "Creek Bend" in again.stdout


@pytest.mark.parametrize(
    ("command", "status"),
    [("morning --print", 4), ("--help", 3), ("yard 'Creek Bend'", 3), ("status", 3)],
)
@pytest.mark.parametrize("closed", [">&-", "<&- >&-"])
def test_a_closed_standard_output(journey: Journey, command: str, status: int, closed: str) -> None:
    journey.windowcast("morning", "--print")
    program = " ".join(f"'{part}'" for part in journey.command())
    done = subprocess.run(
        ["sh", "-c", f"{program} {command} {closed}"],
        stderr=subprocess.PIPE,
        text=True,
        timeout=120,
        env=journey.environment(),
        check=False,
    )

    (line,) = done.stderr.splitlines()
    assert "the standard output cannot be written: it is closed" in line
    assert done.returncode == status


@pytest.mark.parametrize("stderr", ["2>/dev/full", "2>&-"])
def test_what_cannot_be_said_ends_nothing(journey: Journey, stderr: str) -> None:
    """Both errors and what is said beside an answer; the answer comes, and so does the status."""
    program = " ".join(f"'{part}'" for part in journey.command())

    def run(command: str) -> subprocess.CompletedProcess:
        return subprocess.run(
            ["sh", "-c", f"{program} {command} {stderr}"],
            stdout=subprocess.PIPE,
            text=True,
            timeout=120,
            env=journey.environment(),
            check=False,
        )

    assert run("yard Nowhere").returncode == 2
    picture = journey.folder / "yard.svg"
    drawn = run(f"yard 'Creek Bend' --picture '{picture}'")
    assert drawn.returncode == 0
    assert drawn.stdout.startswith("Creek Bend")
    assert picture.exists()


@pytest.mark.parametrize("arguments", [("texts",), ("--help",), ("help", "crews")])
def test_a_reader_who_left_is_no_trouble(journey: Journey, arguments: tuple[str, ...]) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as pipe:
        done = subprocess.run(
            journey.command(*arguments),
            stdout=pipe,
            stderr=subprocess.PIPE,
            text=True,
            timeout=60,
            env=journey.environment(),
            check=False,
        )

    assert done.stderr == ""


def test_a_service_that_cannot_print_goes_on(journey: Journey) -> None:
    """Its notice is lost, said in the log, and the morning still counts as done."""
    journey.write(
        "windowcast.toml",
        '[weather]\nprovider = "sample"\n[morning]\nat = "00:00"\nlate_until = "23:59"\n',
    )
    log = journey.folder / "log"
    with FULL.open("w") as stdout, log.open("w") as stderr:
        process = subprocess.Popen(
            journey.command("serve"), stdout=stdout, stderr=stderr, env=journey.environment()
        )
    try:
        wait_for(lambda: "morning done" in log.read_text("utf-8"), "the morning")
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(60)

    text = log.read_text("utf-8")
    assert "a notice was not printed: the standard output cannot be written" in text
    assert "Traceback" not in text
    assert "tick failed" not in text
    assert process.returncode == 0


def test_an_interrupted_command_says_so(journey: Journey) -> None:
    """128 and the number of the signal, as POSIX shells say it (POSIX.1-2017, XCU 2.8.2)."""
    silent = _Silent()
    with silent as url:
        journey.write("windowcast.toml", settings(forecast=url, ensemble="", seasonal=""))
        process = journey.start("yard", "Creek Bend")
        silent.wait()
        process.send_signal(signal.SIGINT)
        said = process.communicate(timeout=60)

    assert said[0] == ""
    assert said[1].strip() == ("windowcast: interrupted; what was kept before stays and is whole")
    assert process.returncode == 130


class _Silent:
    """A server that takes a request and never answers."""

    def __enter__(self) -> str:
        import socket

        self._socket = socket.create_server(("127.0.0.1", 0))
        return f"http://127.0.0.1:{self._socket.getsockname()[1]}/v1/forecast"

    def wait(self) -> None:
        self._socket.settimeout(60)
        self._held, _ = self._socket.accept()
        assert self._held.recv(1)

    def __exit__(self, *_: object) -> None:
        self._held.close()
        self._socket.close()
