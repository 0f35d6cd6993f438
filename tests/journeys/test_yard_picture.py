"""`windowcast yard --picture` as a person runs it: a real process, a real database, a real file."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from xml.etree import ElementTree

import pytest

from support.journey import TREATMENTS, Journey, morning_zone, yard_table
from windowcast.answer import days_of, open_store, stored_weather
from windowcast.edges import config

SVG = "{http://www.w3.org/2000/svg}"
SAMPLE = '[weather]\nprovider = "sample"\n'


@pytest.fixture
def journey(tmp_path):
    made = Journey(folder=tmp_path, zone=morning_zone())
    made.write("treatments.toml", TREATMENTS)
    made.write("windowcast.toml", SAMPLE)
    made.write("yards.toml", yard_table("Lower Meadow", 44.7, -99.5, made.zone))
    return made


def drawn(journey, *arguments):
    file = journey.folder / "yard.svg"
    done = journey.windowcast("yard", "Lower Meadow", "--picture", str(file), *arguments)
    assert (done.returncode, done.stderr) == (0, f"{file}: written\n")
    return done, ElementTree.fromstring(file.read_bytes())


def shapes(root, look):
    found = [one for one in root.iter() if one.get("class") == f"wc-{look}"]
    return [one for one in found if one.get("data-key") is None]


def test_the_picture_shows_what_the_answer_says(journey):
    asked, root = drawn(journey, "--json", "--print-weather", "--width", "1280")
    answer = json.loads(asked.stdout)
    main = answer["treatments"][0]
    columns = {one.get("data-day"): one for one in root.iter(f"{SVG}g")}
    forecast = answer["weather"]["forecast"]
    for ahead, high_c in enumerate(forecast["high_c"]):
        day = journey.today + timedelta(days=ahead)
        assert columns[str(day)].get("data-forecast") == f"{high_c:.1f}"
    # The invented past is of the season that begins today, whatever today is.
    usual = [
        (float(one.get("data-usual-low")) + float(one.get("data-usual-high"))) / 2
        for one in columns.values()
    ]
    assert sum(usual) / len(usual) == pytest.approx(25, abs=5)
    bars = {
        (one.get("data-regimen"), one.get("data-day")): (one.get("class"), one.get("data-chance"))
        for look in ("window", "hollow")
        for one in shapes(root, look)
    }
    starts = main["starts"]
    # JSON says what the weather allows; the picture also knows days on which hives stay shut.
    configuration = config.load(journey.folder, {})
    (yard,) = configuration.yards
    with open_store(configuration) as store:
        weather = stored_weather(configuration, store, yard, datetime.now(UTC))
    days = days_of(configuration, yard, weather)
    shut = {
        start["start"]
        for start in starts
        if days.shut(date.fromisoformat(start["start"]), configuration.work)
    }
    assert len(starts) == len(bars) > 20
    for start in starts:
        look, chance = bars[start["regimen"], start["start"]]
        assert float(chance) == pytest.approx(start["chance"], abs=6e-4)
        assert (look == "wc-window") == (start["safe"] and start["start"] not in shut)
    assert "Invented sample weather" in " ".join(root.itertext())


def test_what_is_in_and_what_was_observed_is_shown(journey):
    began = journey.today - timedelta(days=3)
    started = journey.windowcast(
        "treat", "start", "Lower Meadow", "formic-strips", "one-strip-swap",
        "--on", str(began), "--anyway",
    )  # fmt: skip
    assert started.returncode == 0, started.stderr
    seen = journey.today - timedelta(days=2)
    journey.write("highs.csv", f"day,high_c\n{seen},24.5\n")
    noted = journey.windowcast("observed", "Lower Meadow", str(journey.folder / "highs.csv"))
    assert noted.returncode == 0, noted.stderr

    _, root = drawn(journey)

    exposure = next(one for one in shapes(root, "exposure") if one.get("data-first-day"))
    assert exposure.get("data-first-day") == str(began)
    assert exposure.get("data-last-day") == str(began + timedelta(days=19))
    marks = {one.get("data-visit"): one.get("data-day") for one in shapes(root, "visit")}
    assert marks["swap"] == str(began + timedelta(days=10))
    observed = {one.get("data-day"): one.get("data-value") for one in shapes(root, "observed")}
    assert observed == {str(seen): "24.5"}
    assert not shapes(root, "window")


def test_a_png_is_as_wide_as_twice_what_was_asked_for(journey):
    file = journey.folder / "yard.PNG"
    done = journey.windowcast("yard", "Lower Meadow", "--picture", str(file), "--width", "360")

    assert done.returncode == 0, done.stderr
    png = file.read_bytes()
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    # PNG specification (W3C), 11.2.2: the width is the first number of the first chunk.
    assert int.from_bytes(png[16:20], "big") == 720


def test_without_a_forecast_there_is_a_picture_that_says_so(journey):
    nobody = "http://127.0.0.1:9/v1/forecast"
    urls = ("forecast_url", "ensemble_url", "seasonal_url")
    journey.write(
        "windowcast.toml",
        '[weather]\nprovider = "open-meteo"\n' + "".join(f'{url} = "{nobody}"\n' for url in urls),
    )
    file = journey.folder / "yard.svg"

    done = journey.windowcast("yard", "Lower Meadow", "--picture", str(file))

    assert done.returncode == 3
    root = ElementTree.fromstring(file.read_bytes())
    assert "Not known: no forecast" in next(root.iter(f"{SVG}title")).text


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--picture", "yard.pdf"), "--picture is 'yard.pdf', but must end in .png or .svg"),
        (("--picture", "nowhere/yard.svg"), "there is no folder nowhere; make it first"),
        (("--picture", "yard.svg", "--width", "20"), "280<=x<=2000"),
    ],
)
def test_a_wrong_wish_is_answered_before_anything_is_made(journey, arguments, words):
    done = journey.windowcast("yard", "Lower Meadow", *arguments)

    assert (done.returncode, done.stdout) == (2, "")
    assert words in done.stderr
    assert not (journey.folder / "windowcast.db").exists()


@pytest.mark.parametrize(("name", "status"), [("yard.svg", 0), ("yard.png", 2)])
def test_an_svg_needs_no_library_and_a_png_says_what_it_needs(journey, name, status):
    code = (
        "import sys\n"
        "for name in ('matplotlib', 'PIL'):\n"
        "    sys.modules[name] = None  # as where it is not installed\n"
        "from windowcast.cli import main\n"
        "main(sys.argv[1:])"
    )
    _, _, _, *arguments = journey.command("yard", "Lower Meadow", "--picture", name)
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        cwd=journey.folder,
        env=journey.environment(),
        timeout=60,
        check=False,
    )

    assert done.returncode == status, done.stderr
    assert (journey.folder / name).exists() == (status == 0)
    assert ("pip install 'windowcast[picture]'" in done.stderr) == (status == 2)
