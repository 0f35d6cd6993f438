"""One person with hundreds of yards: one letter that can be sent and read."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import subprocess
import sys

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.weather_server import Place, WeatherServer

YARDS = [f"Yard {number:03}" for number in range(300)]


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    write_yards(made, YARDS)
    return made


def write_yards(journey, names):
    tables = [
        yard_table(name, 30 + index / 20, -99.7, journey.zone) for index, name in enumerate(names)
    ]
    journey.write("yards.toml", "".join(tables))


def course(journey, high_c):
    return Place(
        daily_highs=[high_c] * 16,
        members=[[high_c] * 15] * 51,
        extended=[[high_c] * 46] * 51,
        timezone=journey.zone,
    )


def write(journey, weather, box):
    text = settings(
        forecast=weather.forecast_url,
        ensemble=weather.ensemble_url,
        seasonal=weather.seasonal_url,
        mail_port=box.port,
    )
    journey.write("windowcast.toml", text)


def readable(letter):
    """As RFC 5321 4.5.3.1.6 (1000 octets a line with its end), RFC 5322 2.1.1 (998, better 78) and
    RFC 2045 6.7 (quoted-printable: 76) bound it, and what is shown of it below the 100 kB at which
    mail programs begin to cut that (common practice, no source)."""
    lines = letter.content.split(b"\r\n")
    assert max(map(len, lines)) <= 78
    assert len(letter.text) < 100_000
    assert len(letter.html.encode()) < 100_000
    assert max(map(len, letter.text.splitlines())) <= 78
    assert len(letter.message["Subject"]) <= 150
    for shown in (letter.text, letter.html):
        squeezed = " ".join(shown.split())
        assert [name for name in YARDS if f"{name}:" not in squeezed] == []


def test_three_hundred_yards_are_one_letter_also_where_each_has_news(journey):
    with WeatherServer(default=course(journey, 35.0)) as weather, Mailbox() as box:
        write(journey, weather, box)
        closed = journey.windowcast("morning", timeout=300)
        # The next day: nobody has been told of it yet.
        database = sqlite3.connect(journey.folder / "windowcast.db")
        with database:
            database.execute("DELETE FROM morning")
            # A notice is known by its date too.
            database.execute("UPDATE notice SET message_id = hex(randomblob(8))")
        database.close()
        weather.default = course(journey, 20.0)
        opened = journey.windowcast("morning", timeout=300)

    assert (closed.returncode, opened.returncode) == (0, 0), closed.stderr + opened.stderr
    first, second = box.letters
    for letter in (first, second):
        readable(letter)
    assert first.message["Subject"] == "No yard can start today; 300 yards without a start"
    assert second.message["Subject"].startswith("something has changed at 300 yards")
    news = re.findall(r"^- Yard \d{3}: opened", second.text, re.MULTILINE)
    assert len(news) == 260


def test_a_server_that_takes_no_letter_of_this_size_refuses_it_for_good_and_status_says_so(
    journey,
):
    write_yards(journey, YARDS[:30])
    with WeatherServer(default=course(journey, 20.0)) as weather, Mailbox(largest=20_000) as box:
        write(journey, weather, box)
        done = journey.windowcast("morning", timeout=300)
        again = journey.windowcast("morning", timeout=300)
        status = journey.windowcast("status")
        found = json.loads(journey.windowcast("status", "--json").stdout)

    assert (done.returncode, box.letters) == (4, [])
    assert "notice to crew@example.org: refused for good" in done.stderr
    assert "takes at most 20000, and the notice has" in done.stderr
    assert "fewer yards: { address = " in done.stderr
    assert again.returncode == 0  # nothing waits: the same letter would be refused again
    assert status.returncode == 1
    assert "was refused for good" in " ".join(status.stdout.split())
    assert any("have the limit raised there" in one for one in found["troubles"])
    assert [one["recipient"] for one in found["refused"]] == ["crew@example.org"]


@pytest.fixture
def sampled(journey):
    """The invented sample weather of all yards, in the store."""
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    done = journey.windowcast("morning", "--print", timeout=300)
    assert done.returncode == 0, done.stderr
    return journey


def test_visits_of_many_are_those_of_each(sampled):
    """Alike yards are scanned together, and the text is the same as of one alone."""
    asked = ("visits", "--csv")
    whole = list(csv.DictReader(io.StringIO(sampled.windowcast(*asked).stdout)))
    ordered = json.loads(sampled.windowcast("visits", "--order", "--json").stdout)

    assert {one["yard"] for one in whole} == set(YARDS)
    for name in (YARDS[0], YARDS[17], YARDS[299]):
        alone = sampled.windowcast(*asked, "--yard", name)
        assert list(csv.DictReader(io.StringIO(alone.stdout))) == [
            one for one in whole if one["yard"] == name
        ]
    (need,) = ordered["order"]
    assert (need["yards"], need["colonies"]) == (300, 300 * 24)


def test_of_which_the_same_is_to_be_said_are_told_of_together(sampled):
    treated = sampled.windowcast(
        "treat", "start", YARDS[5], "formic-strips", "two-strips", "--anyway"
    )
    assert treated.returncode == 0, treated.stderr
    sampled.write(
        "counts.csv",
        "yard,day,method,mites,bees,colony,days\n"
        + "".join(f"{name},{sampled.today},wash,3,300,,\n" for name in YARDS[:150]),
    )

    imported = sampled.windowcast("count", "import", str(sampled.folder / "counts.csv"))
    treats = sampled.windowcast("treat", "list")
    counts = sampled.windowcast("count", "list")
    status = sampled.windowcast("status")

    assert imported.stdout.splitlines()[0] == (
        "Yard 000, Yard 001, Yard 002 and 147 more yards: 1 new"
    )
    assert "150 new, 0 known already" in imported.stdout
    assert len(imported.stdout.splitlines()) <= 3
    assert treats.stdout.startswith("Yard 005\n")
    assert treats.stdout.rstrip().endswith(
        "Yard 000, Yard 001, Yard 002 and 296 more yards: no treatments yet."
    )
    assert counts.stdout.rstrip().endswith(
        "Yard 150, Yard 151, Yard 152 and 147 more yards: no counts yet."
    )
    assert "Yard 000, Yard 001, Yard 002 and 297 more yards\n  Last morning" in status.stdout
    assert len(status.stdout.splitlines()) < 20


def test_a_slip_in_every_yard_is_told_of_a_few(sampled):
    text = (sampled.folder / "yards.toml").read_text("utf-8")
    sampled.write("yards.toml", text.replace(f'"{sampled.zone}"', '"Asia/Tokyo"'))

    checked = sampled.windowcast("check")

    assert checked.returncode == 0, checked.stderr
    assert " ".join(checked.stdout.split()).count("note: Yard ") == 20
    assert "note: and 280 more notes" in checked.stdout


WITHOUT = """
import sys
sys.modules["windowcast.window.compiled"] = None  # as where it was built without a compiler
from windowcast.cli import main
main(["--config", sys.argv[1], "check"])
"""


@pytest.mark.parametrize(("yards", "said"), [(999, False), (1000, True)])
def test_many_yards_without_machine_code_are_told_why_it_takes_longer(journey, yards, said):
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    write_yards(journey, [f"Yard {number:04}" for number in range(yards)])

    checked = subprocess.run(
        [sys.executable, "-c", WITHOUT, str(journey.folder)],
        capture_output=True,
        text=True,
        timeout=120,
        env=journey.environment(),
    )

    assert checked.returncode == 0, checked.stderr
    assert ("was installed without a C compiler" in " ".join(checked.stdout.split())) is said
