"""Messages name the value that was found and say which fault it has; real processes."""

from __future__ import annotations

from pathlib import Path

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, yard_table

SETTINGS = '[weather]\nprovider = "sample"\n'


@pytest.fixture
def journey(tmp_path: Path) -> Journey:
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", 44.9, -99.7, made.zone))
    made.write("windowcast.toml", SETTINGS)
    return made


@pytest.mark.parametrize("found", ["[99, 49]", "[1, 2, 3]", '["a"]'])
def test_a_list_is_named_by_what_is_in_it(journey: Journey, found: str) -> None:
    lines = [one for one in TREATMENTS.split("\n") if not one.startswith("efficacy_percent")]
    lines.insert(lines.index("[[treatment]]") + 1, f"efficacy_percent = {found}")
    journey.write("treatments.toml", "\n".join(lines))

    done = journey.windowcast("check")

    assert done.returncode == 2
    assert f"efficacy_percent is {found}, but must be" in done.stderr


def test_a_table_begun_twice_is_named_with_both_lines(journey: Journey) -> None:
    journey.write("windowcast.toml", f"{SETTINGS}\n[health]\n\n[morning]\n\n[health]\n")

    done = journey.windowcast("check")

    assert done.returncode == 2
    assert "windowcast.toml:8: [health] is begun twice, first in line 4" in done.stderr


@pytest.fixture
def begun(journey: Journey) -> Journey:
    done = journey.windowcast(
        "treat", "start", "Creek Bend", "formic-strips", "two-strips", "--anyway"
    )
    assert done.returncode == 0, done.stderr
    return journey


@pytest.mark.parametrize(
    ("note", "said"),
    [
        ("x" * 2001, "the note has 2001 characters; wanted: at most 2000"),
        ("two bees\x07", 'that cannot be printed, U+0007, after "two bees"; leave it out'),
        ("\u202ebees", "that cannot be printed, U+202E, at its beginning; leave it out"),
    ],
)
def test_what_is_wrong_with_a_note(begun: Journey, note: str, said: str) -> None:
    done = begun.windowcast("treat", "note", "Creek Bend", note)

    assert done.returncode == 2
    assert said in done.stderr
