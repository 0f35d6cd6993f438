"""`windowcast season` as a person runs it: a real process, a loopback archive, a real database."""

from __future__ import annotations

import json
import os
import re
import sqlite3
import subprocess
import sys
from datetime import date, timedelta
from xml.etree import ElementTree

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.weather_server import Place, WeatherServer

CREEK, NEAR, SOUTH = (44.9, -99.7), (44.93, -99.73), (-38.1, 145.2)
ARCHIVE = "/v1/archive"
NOBODY = "http://127.0.0.1:9/v1/forecast"


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yards(made.zone))
    return made


def yards(zone):
    return (
        yard_table("Creek Bend", *CREEK, zone)
        + yard_table("Over the Creek", *NEAR, zone)
        + yard_table("Far South", *SOUTH, zone)
    )


def past(journey, high):
    """A high for each of the last 31 years' days."""
    first = journey.today - timedelta(days=31 * 366)
    days = (first + timedelta(days=n) for n in range(31 * 366))
    return {day: high(day) for day in days}


def archive(journey, high=lambda day: 20.0):
    return WeatherServer(default=Place(past=past(journey, high), timezone=journey.zone))


def only_archive(url):
    """Settings whose forecast is never asked: a configuration must name one."""
    return settings(forecast=NOBODY, archive=url)


def odd_years_hot(day):
    return 35.0 if day.year % 2 else 20.0


def document(journey, *arguments):
    done = journey.windowcast("season", "creek bend", "--json", *arguments)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def test_the_shares_count_years_and_every_start_day_is_there(journey):
    with archive(journey, odd_years_hot) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        found = document(journey)

    assert (found["schema"], found["yard"]) == (1, "Creek Bend")
    assert found["treatment"] == "formic-strips"
    assert found["last_year"] - found["first_year"] + 1 == found["years"]
    assert found["years"] in (30, 31)  # the season now running may be known in part
    assert [one["regimen"] for one in found["regimens"]] == ["two-strips", "one-strip-swap"]
    for one in found["regimens"]:
        days = [start["start"] for start in one["starts"]]
        assert (days[0], days[-1], len(days)) == ("08-01", "10-15", 76)
        assert one["median_first_start"] in ("08-01", None)
        assert one["share_without"] == pytest.approx(0.5, abs=0.02)
        for start in one["starts"]:
            assert start["years"] in (29, 30)
            assert start["share"] == pytest.approx(0.5, abs=0.02)
            assert start["chance_now"] is None


def test_neighbours_share_one_fetch_which_is_kept_until_asked_for_anew(journey):
    with archive(journey) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        for arguments, requests in (
            (("Creek Bend",), 1),
            (("Creek Bend",), 1),
            (("Over the Creek", "--from", "09-01", "--to", "09-30"), 1),
            (("Far South",), 2),
            (("Creek Bend", "--fetch"), 3),
        ):
            done = journey.windowcast("season", *arguments)
            assert (done.returncode, done.stderr) == (0, "")
            assert server.requests[ARCHIVE] == requests
    spent = sqlite3.connect(journey.folder / "windowcast.db")
    assert spent.execute("SELECT sum(weight) FROM spent").fetchone()[0] == pytest.approx(235, abs=1)
    spent.close()


def test_past_years_older_than_300_days_are_fetched_anew_or_used_with_a_word(journey):
    with archive(journey) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        document(journey)
        for age_days, requests in ((299, 1), (301, 2)):
            age(journey, age_days)
            document(journey)
            assert server.requests[ARCHIVE] == requests
        age(journey, 301)
    done = journey.windowcast("season", "Creek Bend")
    assert done.returncode == 0
    assert "no new past years" in done.stderr
    assert "100 %" in done.stdout


def age(journey, days):
    then = (journey.today - timedelta(days=days)).isoformat() + "T00:00:00.000000Z"
    with sqlite3.connect(journey.folder / "windowcast.db") as database:
        database.execute("UPDATE past_years SET fetched_at = ?", (then,))
    database.close()


def test_the_text_fits_a_terminal_and_names_the_source(journey):
    with archive(journey, odd_years_hot) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        done = journey.windowcast("season", "Creek Bend")

    lines = done.stdout.splitlines()
    assert lines[0] == "Creek Bend: formic acid gel strips, starts Aug 1 to Oct 15"
    assert max(map(len, lines)) <= 78
    labels = ("Aug 1–15", "Aug 16–31", "Sep 1–15", "Sep 16–30", "Oct 1–15", "median first start")
    for label in (*labels, "years without any"):
        assert sum(line.startswith(f"  {label} ") for line in lines) == 1
    assert "(CC BY 4.0)" in " ".join(done.stdout.split())
    assert "INVENTED" not in done.stdout


def test_no_window_in_most_years_is_an_ordinary_answer_with_what_to_do_instead(journey):
    def hot_until_october(day):
        return 20.0 if day.month >= 10 or day.month <= 4 else 38.0

    with archive(journey, hot_until_october) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        asked = ("--from", "08-01", "--to", "09-10")
        done = journey.windowcast("season", "Creek Bend", *asked)
        found = document(journey, *asked)

    assert (done.returncode, done.stderr) == (0, "")
    text = " ".join(done.stdout.split())
    assert "most years have no start for formic acid gel strips in these days: 100 %" in text
    # The amitraz strips of the example have no upper bound; the trickle needs cool days.
    assert "amitraz plastic strips (amitraz-strips): in the same days 100 % of starts held" in text
    assert "oxalic-trickle" not in text
    assert "- earlier: starts Apr 1–15 held in" in text
    assert "- later: starts Oct 1–15 held in 100 % of cases (two-strips)" in text
    assert max(map(len, done.stdout.splitlines())) <= 78
    assert [one["median_first_start"] for one in found["regimens"]] == [None, None]
    assert {one["treatment"]: one["share_without"] for one in found["others"]}[
        "amitraz-strips"
    ] == 0


def test_this_years_chance_is_laid_over_the_starts_that_the_forecast_covers(journey):
    course = [20.0] * 46
    place = Place(
        daily_highs=course[:16],
        members=[course[:15]] * 3 + [[40.0] * 15],
        extended=[course] * 4,
        timezone=journey.zone,
        past=past(journey, lambda day: 20.0),
    )
    first, last = journey.today - timedelta(days=3), journey.today + timedelta(days=40)
    asked = ("--from", f"{first:%m-%d}", "--to", f"{last:%m-%d}")
    with WeatherServer(default=place) as server:
        journey.write(
            "windowcast.toml",
            settings(
                forecast=server.forecast_url,
                ensemble=server.ensemble_url,
                archive=server.archive_url,
            ),
        )
        assert "now" not in journey.windowcast("season", "Creek Bend", *asked).stdout
        assert journey.windowcast("yard", "Creek Bend").returncode == 0
        found = document(journey, *asked)
        shown = journey.windowcast("season", "Creek Bend", *asked).stdout

    by_day = {one["start"]: one for one in found["regimens"][0]["starts"]}
    assert by_day[f"{journey.today:%m-%d}"]["chance_now"] == 0.75
    assert by_day[f"{journey.today:%m-%d}"]["share"] == 1.0
    assert by_day[f"{first:%m-%d}"]["chance_now"] is None
    assert by_day[f"{last:%m-%d}"]["chance_now"] is None
    assert " 75 %" in shown
    assert max(map(len, shown.splitlines())) <= 78


def test_south_of_the_equator_the_season_is_half_a_year_later(journey):
    with archive(journey) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        done = journey.windowcast("season", "Far South", "--json")

    starts = json.loads(done.stdout)["regimens"][0]["starts"]
    assert (starts[0]["start"], starts[-1]["start"]) == ("02-01", "04-15")
    leap = next(one for one in starts if one["start"] == "02-29")
    assert leap["years"] in (7, 8)
    assert {one["share"] for one in starts} == {1.0}


def test_without_an_archive_the_command_says_so(journey):
    journey.write("windowcast.toml", settings(forecast=NOBODY))
    done = journey.windowcast("season", "Creek Bend")
    assert (done.returncode, done.stdout) == (3, "")
    assert "archive_url is empty; name an archive in windowcast.toml" in done.stderr


def test_an_archive_that_cannot_be_reached_is_said_and_costs_nothing_later(journey):
    with archive(journey) as server:
        url = server.archive_url
    journey.write("windowcast.toml", only_archive(url))
    done = journey.windowcast("season", "Creek Bend")
    assert (done.returncode, done.stdout) == (3, "")
    assert done.stderr.startswith("windowcast: Creek Bend: no new past years: ")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--from", "08-01"), "--from and --to go together"),
        (("--from", "02-30", "--to", "03-01"), "--from is '02-30', but must be"),
        (("--from", "08-01", "--to", "1.9."), "--to is '1.9.', but must be"),
        (("--treatment", "formic-strip"), "did you mean 'formic-strips'?"),
        (("--picture", "season.pdf"), "--picture is 'season.pdf', but must end in .png or .svg"),
        (("--picture", "nowhere/season.png"), "there is no folder nowhere; make it first"),
    ],
)
def test_a_wrong_wish_is_answered_before_anything_is_asked_or_made(journey, arguments, words):
    journey.write("windowcast.toml", only_archive("http://127.0.0.1:9/v1/archive"))
    done = journey.windowcast("season", "Creek Bend", *arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert not (journey.folder / "windowcast.db").exists()


def test_the_sample_past_is_invented_says_so_and_never_changes(journey):
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    done = journey.windowcast("season", "Creek Bend")
    found = document(journey)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("INVENTED WEATHER: of no real place and no real year.\n")
    assert done.stdout.lower().count("invented") == 1
    assert "two-strips: two strips at once.\n" in done.stdout
    assert found["source"] == "sample"
    assert found["fetched_at"] is None
    assert found["last_year"] in (date.today().year, date.today().year - 1)
    assert document(journey) == found
    # The late summer of this yard's course is cool: it must open in nearly every invented year.
    assert found["regimens"][0]["share_without"] < 0.2


def test_a_column_for_this_year_is_there_only_where_it_says_something(journey):
    """The stored forecast covers starts from today on: half a year away it says nothing."""
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    assert journey.windowcast("morning", "--print").returncode == 0

    def shown(first_day):
        first, last = (journey.today + timedelta(days=n) for n in (first_day, first_day + 20))
        days = ("--from", f"{first:%m-%d}", "--to", f"{last:%m-%d}")
        return journey.windowcast("season", "Creek Bend", *days).stdout

    assert re.search(r"past +now", shown(0))
    far = shown(150)
    assert "Share of" in far
    assert "past  " not in far and "now" not in far


def test_a_picture_is_written_beside_the_answer_in_either_kind(journey):
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    png, svg = journey.folder / "season.png", journey.folder / "season.SVG"
    without = journey.windowcast("season", "Creek Bend")
    done = journey.windowcast("season", "Creek Bend", "--picture", str(png))
    found = document(journey, "--picture", str(svg))

    assert (done.returncode, done.stdout) == (0, without.stdout)
    assert done.stderr == f"{png}: written\n"
    assert png.read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    shown = " ".join(ElementTree.fromstring(svg.read_bytes()).itertext())
    assert "INVENTED WEATHER" in shown
    for one in found["regimens"]:
        assert one["regimen"] in shown
        month, day = map(int, one["median_first_start"].split("-"))
        assert f"half by {date(2000, month, day):%b} {day}" in shown


def test_without_what_draws_the_command_says_how_to_get_it_and_makes_nothing(journey):
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    code = (
        "import sys\n"
        "sys.modules['matplotlib'] = None  # as where it is not installed\n"
        "from windowcast.cli import main\n"
        "main(sys.argv[1:])"
    )
    _, _, _, *arguments = journey.command("season", "Creek Bend", "--picture", "season.png")
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        cwd=journey.folder,
        env=journey.environment(),
        timeout=60,
        check=False,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "pip install 'windowcast[picture]'" in done.stderr
    assert not (journey.folder / "season.png").exists()
    assert not (journey.folder / "windowcast.db").exists()


def test_the_price_of_each_min_chance_is_told_on_request(journey):
    journey.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    asked = ("--from", "08-20", "--to", "09-10")
    assert document(journey, *asked)["waiting"] == []
    done = journey.windowcast("season", "Creek Bend", "--min-chances", *asked)
    found = document(journey, "--min-chances", *asked)

    assert done.returncode == 0
    assert [line.partition(":")[0] for line in done.stderr.splitlines()] == [
        "two-strips, 1 of 2 regimens",
        "one-strip-swap, 2 of 2 regimens",
    ]
    assert "simulating and judging the forecasts of 30 past season(s)" in done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 78
    text = " ".join(done.stdout.split())
    assert "The forecasts behind these tables are simulated" in text
    assert "weather foreknown" in text
    for regimen, one in zip(found["regimens"], found["waiting"], strict=True):
        assert one["regimen"] == regimen["regimen"]
        assert (one["forecasts"], one["years"]) == ("simulated", regimen["whole_years"])
        # Whoever knew the weather beforehand: the season's own count, by other code.
        assert one["share_could"] == pytest.approx(1 - regimen["share_without"], abs=0.001)
        rows = one["min_chances"]
        assert "So with min_chance 0.80 a start was named in" in text
        assert [row["min_chance"] for row in rows] == [0.5, 0.6, 0.7, 0.8, 0.9, 0.95]
        shares = [row["share_opened"] for row in rows]
        assert shares == sorted(shares, reverse=True)
        for row in rows:
            line = f"{row['min_chance']:.2f} {round(row['share_opened'] * one['years'])} of"
            assert f"{line} {one['years']} years" in text
            if row["share_held"] is not None:
                assert f" {round(row['share_held'] * 100)} %" in text


def test_too_few_past_years_give_no_price(journey):
    def only_lately(day):
        return 20.0 if day > journey.today - timedelta(days=9 * 365) else None

    with archive(journey, only_lately) as server:
        journey.write("windowcast.toml", only_archive(server.archive_url))
        done = journey.windowcast("season", "Creek Bend", "--min-chances")
        assert journey.windowcast("season", "Creek Bend").returncode == 0
    assert (done.returncode, done.stdout) == (3, "")
    assert "but --min-chances needs 10" in done.stderr


@pytest.mark.parametrize(
    "command",
    [
        pytest.param(["season", "Creek Bend"], id="season"),
        pytest.param(["morning"], id="morning"),
        pytest.param(["verify", "--forecasts", "none.csv", "--observed", "none.csv"], id="verify"),
    ],
)
def test_small_matrices_are_left_to_one_thread(tmp_path, command):
    """Threads inside the linear algebra made --min-chances take several times as long, and took a
    morning with corrected chances half as much processor time again.

    Outside reference: threadpoolctl, which asks the library itself.
    """
    code = (
        "import sys, json\n"
        "from windowcast.cli import main\n"
        "main(['init', sys.argv[1], '--sample'], standalone_mode=False)\n"
        "main(['--config', *sys.argv[1:]], standalone_mode=False)\n"
        "import numpy\n"
        "from threadpoolctl import threadpool_info\n"
        "blas = [one for one in threadpool_info() if one['internal_api'] == 'openblas']\n"
        "print(json.dumps([one['num_threads'] for one in blas]), file=sys.stderr)\n"
    )
    environment = {k: v for k, v in os.environ.items() if k != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run(
        [sys.executable, "-c", code, str(tmp_path / "config"), *command],
        capture_output=True,
        text=True,
        timeout=60,
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    assert set(json.loads(done.stderr.splitlines()[-1])) == {1}
