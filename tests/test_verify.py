"""`windowcast verify`, run as a person runs it, on tables that this file writes or ../shared holds.

Past forecasts are made up: AR(1) departures from a smooth year, and forecasts of them with the
correlation, slope, bias and joint errors by days ahead of the skill notes (tests/sky/synthetic.py).
"""

from __future__ import annotations

import csv
import json
import os
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from sky import synthetic
from support import pseudo
from support.weather import regimen, treatment
from windowcast.edges import shipped
from windowcast.errors import UsageError
from windowcast.sky.climate import year_angle
from windowcast.sky.score import ReliabilityRow, brier_parts
from windowcast.sky.verify_chain import Verification
from windowcast.verify import Judgement, months_of, title

REPOSITORY = Path(__file__).resolve().parents[1]
METHODS = {"chance", "uncalibrated", "climatology", "plain_rule", "independent_days"}
SMALL_FORECASTS = """yard,issued,day,high_c
Creek Bend,2020-08-01,2020-08-01,20.1
Creek Bend,2020-08-01,2020-08-02,21.0
Creek Bend,2020-08-02,2020-08-02,22.0
"""
SMALL_OBSERVED = """yard,day,high_c
Creek Bend,2020-08-01,19.0
Creek Bend,2020-08-02,20.0
"""


def verify(*arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k != "WINDOWCAST_CONFIG"}
    return subprocess.run(
        [sys.executable, "-m", "windowcast", "verify", *map(str, arguments)],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
        env={
            **environment,
            "PYTHONPATH": str(REPOSITORY),
            "PYTHONUTF8": "1",
            "HOME": str(cwd),
            "XDG_CONFIG_HOME": "",
        },
        timeout=120,
    )


def made_up(seed: int, years: int = 3):
    """Days, highs, and forecasts for 1 to 14 days ahead of a warm temperate place."""
    rng = np.random.default_rng(seed)
    days = np.datetime64("2021-01-01") + np.arange(365 * years)
    angle = year_angle(days)
    mean, spread = 19.5 - 10.5 * np.cos(angle - 0.35), 4.2 + np.cos(angle)
    departure = np.zeros(len(days))
    for i in range(1, len(days)):
        departure[i] = 0.65 * departure[i - 1] + np.sqrt(1 - 0.65**2) * rng.normal()
    high_c = np.round(mean + spread * departure, 1)
    forecast = synthetic.forecasts(high_c, mean, spread, angle * 365 / (2 * np.pi), rng)
    return days, high_c, forecast


def write_tables(folder: Path, days, high_c, forecast, first_lead: int = 1) -> list[object]:
    """Both tables; the options that name them. forecast: (day, lead) or (day, lead, scenario)."""
    members = forecast if forecast.ndim == 3 else forecast[:, :, None]
    with (folder / "F.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["yard", "issued", "day", "scenario", "high_c"])
        for i, lead, member in zip(*np.nonzero(np.isfinite(members)), strict=True):
            target = days[i] + first_lead + lead
            rows.writerow(
                ["Creek Bend", days[i], target, member, f"{members[i, lead, member]:.1f}"]
            )
    with (folder / "O.csv").open("w", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["yard", "day", "high_c"])
        rows.writerows(["Creek Bend", day, high] for day, high in zip(days, high_c, strict=True))
    return ["--forecasts", folder / "F.csv", "--observed", folder / "O.csv"]


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory):
    folder = tmp_path_factory.mktemp("archive")
    return folder, write_tables(folder, *made_up(3))


@pytest.fixture(scope="module")
def answered(archive):
    folder, tables = archive
    return verify(*tables, "--months", "7-10", "--json", cwd=folder)


def test_the_document_has_the_shape_that_is_promised(answered):
    found = json.loads(answered.stdout)

    assert answered.returncode == 0
    assert "no configuration found; the shipped example treatments are used" in answered.stderr
    assert list(found)[:7] == [
        "schema",
        "treatment",
        "regimen",
        "cases",
        "base_rate",
        "brier",
        "reliability",
    ]
    assert (found["schema"], found["treatment"], found["regimen"]) == (
        1,
        "formic-strips",
        "two-strips",
    )
    assert set(found["brier"]) == METHODS
    for row in found["reliability"]:
        assert list(row)[:5] == ["from", "to", "cases", "mean_chance", "observed"]
        assert row["from"] <= row["mean_chance"] <= row["to"]
        assert 0 <= row["observed"] <= 1
    assert sum(row["cases"] for row in found["reliability"]) == found["cases"]
    # July to October of three years: 3 x 123 issues, all covered and observed.
    assert (found["cases"], found["left_out"]) == (369, 0)


def test_cases_and_base_rate_agree_with_a_slow_count(answered):
    """Counted here day by day: the contract's band of 10.0 to 29.5 °C on 14 days from day 1 on."""
    days, high_c, _ = made_up(3)
    held = [
        all(10.0 <= high <= 29.5 for high in high_c[i + 1 : i + 15])
        for i, day in enumerate(days)
        if int(str(day)[5:7]) in (7, 8, 9, 10)
    ]

    assert json.loads(answered.stdout)["base_rate"] == pytest.approx(np.mean(held), abs=1e-5)


def test_the_plain_rule_agrees_with_a_slow_count(answered):
    days, high_c, forecast = made_up(3)
    misses = [
        all(10.0 <= high <= 29.5 for high in forecast[i])
        != all(10.0 <= high <= 29.5 for high in high_c[i + 1 : i + 15])
        for i, day in enumerate(days)
        if int(str(day)[5:7]) in (7, 8, 9, 10)
    ]

    found = json.loads(answered.stdout)["brier"]["plain_rule"]

    assert found == pytest.approx(np.mean(misses), abs=1e-5)


def test_the_chance_beats_what_it_is_compared_with(answered):
    brier = json.loads(answered.stdout)["brier"]

    for other in ("uncalibrated", "climatology", "plain_rule"):
        assert brier["chance"] < brier[other], other


def test_the_text_is_for_a_terminal(archive):
    folder, tables = archive

    done = verify(*tables, "--months", "8", cwd=folder)

    assert done.returncode == 0
    assert "93 windows judged" in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_fahrenheit_tables_give_the_same_answer(tmp_path: Path, answered):
    # Written with one decimal, a high in °F comes back as the same tenth of a °C.
    days, high_c, forecast = made_up(3)
    tables = write_tables(tmp_path, days, high_c * 1.8 + 32, forecast * 1.8 + 32)
    for name in ("F.csv", "O.csv"):
        path = tmp_path / name
        text = path.read_text().replace("high_c", "high_f", 1)
        path.write_text(text)

    done = verify(*tables, "--months", "7-10", "--json", cwd=tmp_path)

    found, expected = json.loads(done.stdout), json.loads(answered.stdout)
    for key in ("cases", "base_rate", "brier"):
        assert found[key] == pytest.approx(expected[key], abs=1e-9), key


def test_each_issue_is_judged_from_its_own_first_day(tmp_path: Path):
    """Every third issue begins on its own day; with two weeks from there it is judged as well."""
    days, high_c, forecast = made_up(4)
    wide = np.full((len(days), 15), np.nan)
    wide[:, 1:] = forecast
    wide[::3, 0] = high_c[::3] + 0.5
    tables = write_tables(tmp_path, days, high_c, wide, first_lead=0)

    found = json.loads(verify(*tables, "--months", "7-10", "--json", cwd=tmp_path).stdout)

    held = []
    for i, day in enumerate(days):
        first = i if i % 3 == 0 else i + 1
        if int(str(day)[5:7]) in (7, 8, 9, 10):
            held.append(all(10.0 <= high <= 29.5 for high in high_c[first : first + 14]))
    assert (found["cases"], found["left_out"]) == (369, 0)
    assert found["base_rate"] == pytest.approx(np.mean(held), abs=1e-5)


def test_issues_that_stop_short_or_skip_a_day_are_left_out_and_counted(tmp_path: Path):
    days, high_c, forecast = made_up(3)
    at = int((np.datetime64("2022-08-01") - days[0]).astype(int))
    forecast[at, 13:] = np.nan
    forecast[at + 1, 5] = np.nan
    forecast[at + 2, :] = np.nan
    high_c[at + 40] = np.nan
    tables = write_tables(tmp_path, days, high_c, forecast)
    observed = tmp_path / "O.csv"
    observed.write_text(observed.read_text().replace(",nan\n", ",\n"))
    with (tmp_path / "F.csv").open("a") as file:
        file.write(f"Creek Bend,{days[at + 2]},{days[at + 3]},0,\n")

    done = verify(*tables, "--months", "7-10", "--json", cwd=tmp_path)

    found = json.loads(done.stdout)
    # Three issues do not cover, and the fourteen before the unobserved day are not known to hold.
    assert (found["cases"], found["left_out"]) == (369 - 17, 17)
    assert "no high; an exposure that needs it is left out" in done.stderr
    assert "days of the issue are missing before these rows" in done.stderr


def test_an_ensemble_too_narrow_is_widened(tmp_path: Path):
    """Ten members with half the spread they need, about the made-up forecast. One archive is too
    few to rank the rest of the methods: tests/sky does, over several."""
    days, high_c, forecast = made_up(5)
    rng = np.random.default_rng(9)
    near = np.linspace(0.8, 2.0, 14)[None, :, None]
    members = np.round(forecast[:, :, None] + near * rng.normal(size=(len(days), 14, 10)), 1)
    tables = write_tables(tmp_path, days, high_c, members)

    done = verify(*tables, "--months", "8-10", "--json", cwd=tmp_path)

    brier = json.loads(done.stdout)["brier"]
    assert brier["chance"] < brier["uncalibrated"]


@pytest.mark.parametrize(
    ("text", "months"),
    [("7-10", (7, 8, 9, 10)), ("11-2", (11, 12, 1, 2)), ("8", (8,)), ("8-8", (8,))],
)
def test_months(text: str, months: tuple[int, ...]):
    assert months_of(text) == months


@pytest.mark.parametrize("text", ["", "0-3", "13", "7-", "Jul", "7-8-9"])
def test_months_that_are_none(text: str):
    with pytest.raises(UsageError, match="7-10, 11-2 or 8"):
        months_of(text)


F, O = SMALL_FORECASTS, SMALL_OBSERVED  # noqa: E741
BAD = [
    pytest.param(
        F.replace("issued", "made"), O, "F.csv:1: no column issued; found: yard,made", id="column"
    ),
    pytest.param(
        F.replace("high_c", "high"), O, "F.csv:1: no column high_c or high_f", id="no unit"
    ),
    pytest.param(F, "yard,high_c\nA,1\n", "O.csv:1: no column day", id="observed without days"),
    pytest.param(
        F.replace("high_c\n", "high_c,high_f\n").replace(".1\n", ".1,68\n"),
        O,
        "F.csv:1: both high_c and high_f are given",
        id="both units",
    ),
    pytest.param(
        F.replace("2020-08-02,22.0", "02/08/2020,22.0"),
        O,
        "F.csv:4: day is '02/08/2020'; wanted: a date such as 2026-08-31",
        id="date",
    ),
    pytest.param(
        F.replace("2020-08-02,22.0", "2020-02-30,22.0"), O, "F.csv:4: day", id="no such day"
    ),
    pytest.param(F.replace("21.0", "21,0"), O, "F.csv:3: a row has more cells", id="comma"),
    pytest.param(F.replace("21.0", "warm"), O, "F.csv:3: high_c is 'warm'", id="word"),
    pytest.param(F, O.replace("20.0", "inf"), "O.csv:3: high_c is 'inf'", id="infinite"),
    pytest.param(
        F + "Creek Bend,2020-08-01,2020-08-02,21.0\n",
        O,
        "F.csv:3,5: rows given more than once, first Creek Bend, 2020-08-01, 2020-08-02",
        id="duplicate",
    ),
    pytest.param(
        F, O + "Creek Bend,2020-08-01,19.0\n", "O.csv:2,4: rows given more than", id="seen twice"
    ),
    pytest.param(
        F.replace("2020-08-02,2020-08-02", "2020-08-03,2020-08-02"),
        O,
        "F.csv:4: issued after the day it is for, first 2020-08-03 for 2020-08-02",
        id="issued after its day",
    ),
    pytest.param(F.replace("21.0", "69.8"), O, "F.csv:3: high_c is 69.8; wanted: -90", id="°F"),
    pytest.param(
        F.replace("20.1", "58.2").replace("21.0", "59.9").replace("22.0", "60.0"),
        O,
        "are units mixed?",
        id="a whole table in °F",
    ),
    pytest.param(
        F.replace("22.0", "52.0"),
        O.replace("20.0", "11.0"),
        "F.csv:4: high is 52 °C where the other table has 11 °C; are units mixed?",
        id="one row in °F",
    ),
    pytest.param(
        F + "Mill,2020-08-01,2020-08-01,20.0\n", O, "F.csv:5: Mill is not in", id="unknown yard"
    ),
    pytest.param(F + ",2020-08-01,2020-08-01,20.0\n", O, "F.csv:5: yard is empty", id="nameless"),
    pytest.param("", O, "F.csv: the file is empty", id="empty"),
    pytest.param("yard,issued,day,high_c\n", O, "F.csv: no rows below the header", id="no rows"),
]


@pytest.mark.parametrize(("forecasts", "observed", "message"), BAD)
def test_a_bad_table_is_refused_with_its_rows(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], forecasts, observed, message
):
    (tmp_path / "F.csv").write_text(forecasts, encoding="utf-8")
    (tmp_path / "O.csv").write_text(observed, encoding="utf-8")

    status = run_here(
        "verify", "--forecasts", tmp_path / "F.csv", "--observed", tmp_path / "O.csv", "--json"
    )

    written = capsys.readouterr()
    assert status == 2
    assert message in written.err
    assert written.out == ""


def test_a_yard_observed_but_never_forecast_is_passed_over(archive):
    folder, tables = archive
    observed = folder / "two.csv"
    observed.write_text((folder / "O.csv").read_text() + "Mill,2021-07-01,21.0\n")

    done = verify(*tables[:3], observed, "--months", "8", "--json", cwd=folder)

    assert (done.returncode, json.loads(done.stdout)["cases"]) == (0, 93)
    assert f"{observed}: Mill not in" in done.stderr


def run_here(*arguments: object) -> int:
    """The command in this process: a fresh one for each bad table would take half a minute."""
    from windowcast.cli import main

    options = ["--config", REPOSITORY / "config", *arguments]
    with pytest.raises(SystemExit) as stopped:
        main([str(one) for one in options])
    code = stopped.value.code
    assert isinstance(code, int)
    return code


def test_fewer_than_thirty_cases_give_no_score(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    days, high_c, forecast = made_up(3)
    forecast[29:] = np.nan
    tables = write_tables(tmp_path, days, high_c, forecast)

    status = run_here("verify", *tables, "--json")

    written = capsys.readouterr()
    assert status == 3
    assert "29 usable cases (0 issues left out), but 30 are needed" in written.err
    assert written.out == ""


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--observed", "O.csv"], "tables go in pairs: give --forecasts F.csv too"),
        (["--forecasts", "F.csv"], "tables go in pairs: give --observed O.csv too"),
        (["--forecasts", "none.csv", "--observed", "O.csv"], "none.csv: no such file"),
        (["--forecasts", "F", "--observed", "O", "--months", "13"], "--months is '13'"),
        (["--forecasts", "F", "--observed", "O", "--treatment", "formic"], "formic"),
        (["--forecasts", "F", "--observed", "O", "--regimen", "three"], "three"),
    ],
)
def test_wrong_usage(capsys: pytest.CaptureFixture[str], arguments, message):
    assert run_here("verify", *arguments) == 2
    assert message in capsys.readouterr().err


def test_without_tables_a_configuration_must_say_whose_record(tmp_path: Path):
    done = verify(cwd=tmp_path)

    assert (done.returncode, done.stdout) == (2, "")
    assert list(tmp_path.iterdir()) == []


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory):
    """../shared/data, ten places, days 0 to 6, with a treatment of seven days."""
    data = REPOSITORY.parent / "shared" / "data"
    if not data.parent.is_dir():
        pytest.skip("../shared is absent")
    folder = tmp_path_factory.mktemp("recorded")
    config = folder / "config"
    config.mkdir()
    for name in ("windowcast.toml", "yards.toml"):
        (config / name).write_bytes((REPOSITORY / "config" / name).read_bytes())
    (config / "treatments.toml").write_text(
        '[[treatment]]\nid = "week"\nactive = "formic acid"\nform = "pad"\n'
        "[[treatment.regimen]]\n"
        'id = "seven"\nexposure_days = 7\ndoses = [{ day = 0, strips = 1 }]\n'
        "high_min_c = 10.0\nhigh_max_c = 29.5\n"
    )
    with (data / "forecasts_nws.csv").open() as file:
        rows = [row for row in csv.DictReader(file) if row["issue"] <= row["target"]]
    with (folder / "F.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["yard", "issued", "day", "high_f"])
        out.writerows([row["loc"], row["issue"], row["target"], row["nws_high_f"]] for row in rows)
    with (data / "observed_highs.csv").open() as file:
        seen = list(csv.DictReader(file))
    with (folder / "O.csv").open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(["yard", "day", "high_f"])
        out.writerows([row["loc"], row["target"], row["obs_high_f"]] for row in seen)
    return folder


def test_recorded_forecasts_of_ten_places(recorded: Path):
    done = verify(
        *("--forecasts", recorded / "F.csv", "--observed", recorded / "O.csv", "--json"),
        *("--config", recorded / "config"),
        cwd=recorded,
    )

    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    assert found["cases"] > 2000
    assert found["brier"]["chance"] < found["brier"]["uncalibrated"]
    assert found["brier"]["chance"] < found["brier"]["climatology"]
    assert found["brier"]["chance"] < found["brier"]["plain_rule"]


def test_the_tables_are_in_the_language_of_the_configuration(archive, tmp_path):
    folder, tables = archive
    list(shipped.write_examples(tmp_path, sample=True))
    pseudo.write(tmp_path)
    text = (tmp_path / "windowcast.toml").read_text("utf-8")
    text = text.replace('language = "en"', 'language = "qaa"')
    (tmp_path / "windowcast.toml").write_text(text, "utf-8")

    done = verify(*tables, "--months", "7-10", "--config", tmp_path, cwd=folder)

    assert done.returncode == 0, done.stderr
    assert pseudo.words_left(done.stdout) == {"formic", "strips", "two"}
    assert max(map(len, done.stdout.splitlines())) <= 78


def test_the_reliability_diagram_is_written_beside_the_answer(archive, answered):
    folder, tables = archive
    picture = folder / "reliability.svg"
    done = verify(*tables, "--months", "7-10", "--json", "--picture", picture, cwd=folder)
    assert (done.returncode, done.stdout) == (0, answered.stdout)
    found = json.loads(done.stdout)
    text = [
        " ".join("".join(one.itertext()).split())
        for one in ElementTree.fromstring(picture.read_bytes()).iter()
        if one.tag.endswith("}text")
    ]
    assert {str(row["cases"]) for row in found["reliability"]} <= set(text)
    assert "chance that was named" in text
    assert any("369 windows" in one for one in text)


def test_another_ending_is_refused_before_the_tables_are_read(tmp_path: Path):
    tables = ["--forecasts", "none.csv", "--observed", "none.csv"]
    done = verify(*tables, "--picture", "reliability.jpg", cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "--picture is 'reliability.jpg', but must end in .png or .svg" in done.stderr


@pytest.mark.parametrize(
    ("rows", "wanted"),
    [
        (
            [(0.05, 0.05, True), (0.55, 0.50, True)],
            "Windows held as often as was said, as far as luck allows",
        ),
        (
            [(0.15, 0.40, False), (0.55, 0.50, True), (0.85, 0.60, False), (0.95, 0.70, False)],
            "More windows held than was said in 1 of 4 tenths, fewer windows held than was said in"
            " 2 of 4 tenths",
        ),
        (
            [(0.05, 0.05, True), (0.55, 0.50, None), (0.65, 0.50, None)],
            "Only 1 of 3 tenths hold enough windows to judge; there windows held as often as was"
            " said, as far as luck allows",
        ),
        (
            [(0.55, 0.50, None)],
            "Too few windows in any tenth to say whether the chances were right",
        ),
    ],
    ids=["all inside", "some outside", "few judged", "none judged"],
)
def test_the_title_of_the_diagram_says_what_it_shows(rows, wanted):
    reliability = [
        ReliabilityRow(
            lowest=mean - 0.05,
            highest=mean + 0.05,
            cases=40,
            mean_chance=mean,
            observed=share,
            band_low={True: 0.0, False: mean, None: None}[inside],
            band_high={True: 1.0, False: mean, None: None}[inside],
        )
        for mean, share, inside in rows
    ]
    scores = dict.fromkeys(METHODS, 0.1)
    found = Verification(
        yard=np.zeros(1, np.int64),
        issue_day=np.array(["2020-08-01"], "datetime64[D]"),
        held=np.ones(1),
        chances={},
        left_out=0,
        base_rate=0.32,
        brier=scores,
        skill=scores,
        sharpness=scores,
        parts=brier_parts(np.array([0.5]), np.array([1.0])),
        reliability=reliability,
        differences={},
    )
    own = regimen(14, id="two-strips")
    text, note = title(Judgement(treatment=treatment(own), regimen=own, months=(8,), found=found))
    assert text == wanted
    assert note.startswith("test two-strips, 14 days: 1 windows, 32 % held; Brier score 0.100")
