"""Arguments and files that nobody means to give end in a message, never in a traceback."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, yard_table

LONG = "x" * 10_000
"""Longer than any file's name (NAME_MAX is 255 on Linux) and any path (PATH_MAX, 4096)."""
NO_UTF_8 = os.fsdecode(b"\xff\xfe")


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", 44.9, -99.7, made.zone))
    made.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    return made


def message(done: subprocess.CompletedProcess) -> str:
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr
    return done.stderr


@pytest.mark.parametrize(
    "arguments",
    [
        ("--config", LONG, "check"),
        ("backup", LONG),
        ("page", LONG),
        ("visits", "--ics", f"{LONG}.ics"),
        ("yard", "Creek Bend", "--picture", f"{LONG}.svg"),
        ("texts", f"{LONG}.po"),
        ("init", LONG),
    ],
)
def test_a_path_that_is_too_long(journey: Journey, arguments: tuple[str, ...]) -> None:
    said = message(journey.windowcast(*arguments))

    assert "file name too long" in said


def test_a_reason_that_no_text_can_hold(journey: Journey) -> None:
    begun = journey.windowcast(
        "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--anyway"
    )
    assert begun.returncode == 0, begun.stderr

    said = message(journey.windowcast("treat", "void", "1", "--why", NO_UTF_8))

    assert "the reason has a character that cannot be printed, U+DCFF" in said


def test_a_plan_from_the_last_day_there_is(journey: Journey) -> None:
    journey.write("crews.toml", "")
    assert "too far ahead" in message(journey.windowcast("plan", "--from", "9999-12-31"))


@pytest.mark.parametrize("name", ["yards.toml", "windowcast.toml", "treatments.toml"])
def test_a_pipe_in_the_place_of_a_file_is_not_waited_for(journey: Journey, name: str) -> None:
    (journey.folder / name).unlink()
    os.mkfifo(journey.folder / name)

    assert "is a named pipe" in message(journey.windowcast("check", timeout=60))
