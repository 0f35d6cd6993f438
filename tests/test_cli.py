"""The commands as a person types them: answers on stdout, the rest on stderr, exit statuses."""

from __future__ import annotations

import json

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, settings, yard_table
from support.mailbox import Mailbox
from support.weather_server import Place, WeatherServer

CREEK = (44.9, -99.7)


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("yards.toml", yard_table("Creek Bend", *CREEK, made.zone))
    made.write("windowcast.toml", '[weather]\nprovider = "sample"\n')
    return made


def test_init_writes_three_files_and_never_overwrites_one(tmp_path):
    journey = Journey(folder=tmp_path / "bees", zone="UTC")
    first = journey.windowcast("init", str(journey.folder))
    assert first.returncode == 0
    assert sorted(path.name for path in journey.folder.iterdir()) == [
        "treatments.toml",
        "windowcast.toml",
        "yards.toml",
    ]
    journey.write("yards.toml", "# mine\n")
    again = journey.windowcast("init", str(journey.folder))
    assert (again.returncode, again.stdout.count("kept")) == (0, 3)
    assert (journey.folder / "yards.toml").read_text() == "# mine\n"


def test_what_init_writes_is_ready(tmp_path):
    journey = Journey(folder=tmp_path / "bees", zone="UTC")
    journey.windowcast("init", str(journey.folder))
    done = journey.windowcast("check")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("ready: 4 yards, 5 treatments, weather from open-meteo, notices")
    # A sample yard is known by its name and its place.
    note = " are the invented sample yards; put your own into yards.toml"
    assert note in " ".join(done.stdout.split())
    text = (journey.folder / "yards.toml").read_text("utf-8")
    journey.write("yards.toml", text.replace("latitude = 4", "latitude = 3"))
    done = journey.windowcast("check")
    assert (done.returncode, "invented" in done.stdout) == (0, False)


def test_the_sample_morning_shows_every_kind_of_answer_and_both_regimens(tmp_path):
    journey = Journey(folder=tmp_path / "bees", zone="UTC")
    journey.windowcast("init", "--sample", str(journey.folder))
    done = journey.windowcast("morning")
    assert (done.returncode, done.stderr) == (0, "")
    text = done.stdout
    assert text.startswith("INVENTED WEATHER")
    assert "Creek Bend: start today, two strips at once" in text
    assert "Lower Meadow: start on" in text
    assert "one strip, a fresh one on day 10" in text
    assert "South Slope: no start in the days looked at" in text
    assert "Mill Yard: the weather allows a start today, the hives are not ready" in text
    assert max(map(len, text.splitlines())) <= 78


def test_the_early_winter_sample_opens_the_oxalic_round(journey):
    journey.write(
        "windowcast.toml", '[weather]\nprovider = "sample"\nsample_season = "early-winter"\n'
    )
    yards = yard_table("Mill Yard", *CREEK, journey.zone)
    yards = yards.replace("supers = 1", "supers = 0").replace("brood = true", "brood = false")
    journey.write("yards.toml", yards.replace('["formic-strips"]', '["oxalic-trickle"]'))
    done = journey.windowcast("yard", "Mill Yard", "--json")
    (answer,) = json.loads(done.stdout)["treatments"]
    assert answer["status"] == "open"
    assert answer["visits"] == [
        {"date": journey.today.isoformat(), "task": "apply", "ml_per_seam": 5.0}
    ]


def test_all_mistakes_come_at_once_and_exit_with_2(journey):
    journey.write("windowcast.toml", 'units = "K"\n[weather]\nprovidor = "sample"\n')
    done = journey.windowcast("check")
    assert (done.returncode, done.stdout) == (2, "")
    assert "windowcast.toml:1: units" in done.stderr
    assert "did you mean provider?" in done.stderr


def test_check_reach_tries_each_server(journey):
    place = Place(
        daily_highs=[20.0] * 16,
        members=[[20.0] * 15] * 3,
        extended=[[20.0] * 46] * 3,
        timezone=journey.zone,
    )
    with WeatherServer(places={CREEK: place}) as server, Mailbox() as box:
        journey.write(
            "windowcast.toml",
            settings(
                forecast=server.forecast_url,
                ensemble=server.ensemble_url,
                seasonal=server.seasonal_url,
                mail_port=box.port,
            ),
        )
        done = journey.windowcast("check", "--reach")
        assert done.returncode == 0, done.stderr
        assert done.stdout.count(": ok") == 3
        assert f"mail: 127.0.0.1:{box.port} answers" in done.stdout
        assert "ready: 1 yard, 5 treatments" in done.stdout
        server.fail("/v1/ensemble", "status:400:No data is available for this location")
        done = journey.windowcast("check", "--reach")
        assert done.returncode == 3
        assert "No data is available for this location" in done.stdout
        assert "ready" not in done.stdout
        assert box.letters == []


@pytest.mark.parametrize(
    ("url", "said"),
    [
        ("postgresql+psycopg://db.example.org", "url must look like"),
        ("postgresql+psycopg://db.example.org/bees?hots=x", "store url cannot be read"),
        ("sqlite:///missing/windowcast.db", "is not a folder"),
    ],
)
@pytest.mark.parametrize("command", ["check", "serve"])
def test_a_database_that_can_never_work_is_a_mistake_of_the_configuration(
    journey, command, url, said
):
    journey.write("windowcast.toml", f'[weather]\nprovider = "sample"\n[store]\nurl = "{url}"\n')
    done = journey.windowcast(command)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_recipients_may_stand_at_the_yards_alone(journey):
    journey.write(
        "windowcast.toml", settings(forecast="http://127.0.0.1:9/", mail_port=9, recipients="[]")
    )
    assert journey.windowcast("check").returncode == 2
    own = 'recipients = ["creek@example.org"]'
    journey.write("yards.toml", yard_table("Creek Bend", *CREEK, journey.zone, extra=own))
    assert journey.windowcast("check").returncode == 0


def test_check_reach_of_a_mail_server_alone_that_is_down_says_not_delivered(journey):
    journey.write(
        "windowcast.toml",
        '[weather]\nprovider = "sample"\n[mail]\nhost = "127.0.0.1"\nport = 9\n'
        'security = "none"\nsender = "bees@example.org"\nrecipients = ["crew@example.org"]\n',
    )
    assert journey.windowcast("check", "--reach").returncode == 4


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("yard", "Crek Bend"), "there is no yard 'Crek Bend'; did you mean 'Creek Bend'?"),
        (
            ("yard", "Creek Bend", "--treatment", "formic"),
            "there is no treatment 'formic'; did you mean 'formic-strips'?",
        ),
        (("band", "formic-strips", "one"), "there is no regimen of formic-strips 'one'"),
        (("yard",), "Missing argument"),
        (("noon",), "No such command 'noon'"),
        (("init", ""), "name the folder to write into"),
    ],
)
def test_asking_for_what_is_not_there_exits_with_2(journey, arguments, said):
    done = journey.windowcast(*arguments)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert "Traceback" not in done.stderr


def test_band_shows_both_units(journey):
    done = journey.windowcast("band", "formic-strips", "two-strips")
    assert done.returncode == 0
    assert "daily high within 10.0–29.5 °C (within 50.0–85.1 °F)" in done.stdout
    assert "one-strip-swap" not in done.stdout


def test_a_changed_band_keeps_the_comments_and_changes_the_answer(journey):
    before = (journey.folder / "treatments.toml").read_text()
    done = journey.windowcast(
        "band", "formic-strips", "two-strips", "--high-max", "59", "--unit", "F"
    )
    assert done.returncode == 0, done.stderr
    assert "within 10.0–15.0 °C" in done.stdout
    after = (journey.folder / "treatments.toml").read_text()
    assert "high_max_f = 59" in after
    assert before.count("#") == after.count("#")


def test_a_refused_band_leaves_the_file_untouched(journey):
    before = (journey.folder / "treatments.toml").read_bytes()
    done = journey.windowcast("band", "formic-strips", "two-strips", "--high-max", "5")
    assert done.returncode == 2
    assert "high_min_c" in done.stderr
    assert (journey.folder / "treatments.toml").read_bytes() == before


def test_yard_as_text_names_the_answer_and_its_starts(journey):
    done = journey.windowcast("yard", "Creek Bend", "--print-weather")
    assert done.returncode == 0
    assert "formic acid gel strips: start today, two strips at once [open]" in done.stdout
    assert "daily high, °C" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_a_reader_that_leaves_is_no_error(journey):
    process = journey.start("yard", "Creek Bend", "--json")
    process.stdout.close()
    assert process.stderr.read() == ""
    process.wait(timeout=30)
    process.stderr.close()
