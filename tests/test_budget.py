"""What a morning costs, against the service's own rules and against a morning that is done.

Weights: max(1, V/10, V/10 × days/14) for each place, V being variables × members, and for the
seasonal service V div 24 div 5 (open-meteo/open-meteo, Sources/App/Helper/Writer/
ForecastApiResult.swift and the weights in ForecastapiController.swift). Limits: the service's pages
on pricing and terms, 600 a minute, 5 000 an hour, 10 000 a day, 300 000 a month.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from support.weather_server import Place, WeatherServer
from windowcast import budget, fetching
from windowcast.edges import config, config_language
from windowcast.edges.settings import Configuration
from windowcast.edges.store import open_store
from windowcast.language import spoken
from windowcast.notice import words
from windowcast.notice.budget_lines import budget_lines
from windowcast.trade.yard import Hive, Yard

ROOT = Path(__file__).parents[1]
NOW = datetime(2026, 8, 31, 11, tzinfo=UTC)


def yards(count: int, *, height_m: float | None = None, apart: float = 0.2) -> tuple[Yard, ...]:
    return tuple(
        Yard(
            name=f"Yard {number}",
            latitude=30 + number % 100 * apart,
            longitude=-100 + number // 100 * apart,
            elevation_m=height_m,
            timezone="America/Chicago",
            colonies=1,
            hive=Hive(),
            treatments=(),
        )
        for number in range(count)
    )


def configured(count: int, *, calibrate: bool = False, **weather: Any) -> Configuration:
    loaded = config.load(ROOT / "config", os.environ)
    return loaded._replace(
        yards=yards(count),
        weather=loaded.weather._replace(provider="open-meteo", **weather),
        chance=loaded.chance._replace(calibrate=calibrate),
    )


def found_for(count: int, **weather: Any) -> dict[str, Any]:
    return budget.document(configured(count, **weather), None, now=NOW)


def weights(found: dict[str, Any]) -> dict[str, float]:
    return {one["source"]: one["weight_a_place"] for one in found["sources"]}


@pytest.mark.parametrize(
    ("model", "each"),
    [
        ("ecmwf_ifs025_ensemble", 5.83),  # 51/10 × 16/14
        ("ncep_gefs_seamless", 3.54),  # 31/10 × 16/14
        ("gem_global_ensemble", 2.4),  # 21/10 × 16/14
    ],
)
def test_weights_by_hand(model: str, each: float) -> None:
    """The forecast's three variables over 18 days are 0.39 and count 1; the seasonal ones 1."""
    assert weights(found_for(1, ensemble_model=model)) == {
        "forecast": 1.0,
        "ensemble": each,
        "extended": 1.0,
    }


def test_members_by_the_hour_weigh_a_day_more() -> None:
    """Where clocks change within reach: 51/10 × 17/14, and 25 places in a request."""
    found = budget.document(configured(30), None, now=datetime(2026, 10, 25, 11, tzinfo=UTC))

    assert weights(found)["ensemble"] == 6.19
    assert [one["requests"] for one in found["sources"]] == [1, 2, 1]


def test_past_years_and_past_runs_by_hand() -> None:
    """Thirty years are 10 957 or 10 958 days, a call for each 140: 78.3. Past runs: eight variables
    over 92 days, 0.8 × 92/14, and thirty runs of one call each."""
    found = budget.document(configured(3, calibrate=True), None, now=NOW)

    assert [(one["what"], one["lacking"], one["weight_each"]) for one in found["once"]] == [
        ("past years", 3, 78.3),
        ("past runs", 3, 35.3),
    ]


def test_what_a_month_weighs_besides_its_mornings_is_said() -> None:
    """By hand: 3 × 7.83 is 23.5 a morning and 705 in 30 days; past years are 3 × 78.3 again in each
    so many days."""
    found = budget.document(configured(3, calibrate=True), None, now=NOW)
    (again,) = [one for one in found["once"] if one["again_after_days"]]
    extra = 3 * 78.3 * 30 / again["again_after_days"]

    text = " ".join(" ".join(budget_lines(found)).split())

    assert found["morning"]["weight"] == 23.5
    weight = f"{found['morning']['weight_a_month']:.0f}"
    said = re.search(r"In 30 days that weighs (\d+): 705 for the mornings, and ([\d.]+) for", text)
    assert said is not None and said[1] == weight
    assert float(said[2]) == pytest.approx(extra, abs=0.05)
    plain = " ".join(" ".join(budget_lines(found_for(1))).split())
    assert "fetched once a morning." in plain


@pytest.mark.parametrize(("count", "again"), [(3, 23.5), (4, 31.3)])
def test_past_years_a_month_are_not_a_difference_of_rounded_figures(
    count: int, again: float
) -> None:
    """By hand: 78.3 each, kept for 300 days, so a tenth of them in 30 days."""
    found = budget.document(configured(count, calibrate=True), None, now=NOW)

    assert found["once"][0]["again_after_days"] == 300
    assert found["morning"]["past_years_a_month"] == again
    assert f"and {again} for past years" in " ".join(" ".join(budget_lines(found)).split())


def test_thousands_are_set_apart_as_the_reader_does() -> None:
    """As README writes them, and as German does (Duden: a point or a blank)."""
    assert words.whole(96722.4) == "96,722"
    assert words.whole(999.6) == "1,000"
    assert words.whole(1_234_567) == "1,234,567"
    with spoken(config_language.read("de", ROOT)):
        assert words.whole(96722) == "96.722"


def test_how_long_900_yards_take_on_the_free_plan() -> None:
    """By hand: nine requests of 583 for members, one a minute. Eight are 4 664 of an hour's 5 000,
    so the ninth waits for the next full hour, and nine of 100 for the extended range follow, six in
    the first minute of theirs."""
    found = found_for(900)

    free = found["plans"][0]
    assert free["fits"]
    assert 3660 <= free["seconds"] <= 3672
    assert found["morning"]["requests"] == 27
    assert found["morning"]["weight"] == pytest.approx(900 * (1 + 51 / 10 * 16 / 14 + 1), abs=0.1)


def test_what_does_not_fit_a_day_is_said_by_source() -> None:
    """2 000 for the forecast leaves 8 000: thirteen requests of 583 and four of 100."""
    found = found_for(2000)

    assert not found["fits"]
    assert found["in_force"]["places_without"] == {"ensemble": 700, "extended": 1600}
    assert found["enough"] == ['[weather] ensemble_model = "gem_global_ensemble"']
    lighter = found_for(2000, ensemble_model="gem_global_ensemble")
    assert lighter["fits"]


def test_a_month_is_shorter_than_thirty_full_days() -> None:
    """10 000 a day would be 300 000 in 30 days; 1 275 yards of 7.83 are 9 981 a day and fit both,
    where a limit of one's own for the day lets 1 300 yards into the day, not into the month."""
    assert found_for(1275)["fits"]
    found = found_for(1300, calls_per_day=20_000.0)

    assert found["in_force"]["over"] == ["month"]


def test_more_changes_than_one_where_one_is_not_enough() -> None:
    """2 900 yards weigh 4.4 each with the lightest ensemble, and 3.4 without the extended range
    besides; 4 000 are too many for that, 12 000 for anything."""
    assert found_for(2900)["enough"] == [
        '[weather] seasonal_url = ""',
        '[weather] ensemble_model = "gem_global_ensemble"',
    ]
    assert found_for(4000)["enough"] == ['[weather] ensemble_url = ""']
    assert found_for(12_000)["enough"] == []


def test_plans_that_include_less() -> None:
    found = found_for(10)

    assert [(one["plan"], one["fits"], one["not_included"]) for one in found["plans"]] == [
        ("free", True, []),
        ("standard", False, ["ensemble", "extended"]),
        ("professional", True, []),
    ]
    assert found_for(10, ensemble_url="", seasonal_url="")["plans"][1]["fits"]


def test_neighbours_are_counted_once() -> None:
    shared = configured(1)._replace(yards=yards(50, height_m=300, apart=0.00001))
    alone = shared._replace(weather=shared.weather._replace(share_cells=False))

    assert [one["places"] for one in budget.document(shared, None, now=NOW)["sources"]] == [1] * 3
    found = budget.document(alone, None, now=NOW)
    assert [one["places"] for one in found["sources"]] == [50] * 3
    assert found["changes"][0]["set"] == "[weather] share_cells = true"
    assert found["changes"][0]["saves_a_morning"] == pytest.approx(49 * 7.83, abs=0.5)


def test_what_is_said_is_what_a_morning_does(tmp_path: Path) -> None:
    """Before the first morning and before the second, when cells are known."""
    members = [[20.0] * 15] * 51
    there = Place(
        daily_highs=[20.0] * 15,
        members=members,
        extended=[[20.0] * 46] * 51,
        timezone="America/Chicago",
    )
    with (
        WeatherServer(default=there, now=NOW) as server,
        open_store("sqlite:///windowcast.db", tmp_path) as store,
    ):
        asking = configured(
            12,
            forecast_url=server.forecast_url,
            ensemble_url=server.ensemble_url,
            seasonal_url=server.seasonal_url,
        )
        asking = asking._replace(yards=yards(12, apart=0.1))
        places = []
        for _ in range(2):
            server.requests.clear()
            server.weight.clear()
            said = budget.document(asking, store, now=NOW)
            assert fetching.fetch(asking, store, asking.yards, now=NOW, say=print) == {}
            assert said["morning"]["requests"] == sum(server.requests.values())
            assert said["morning"]["weight"] == pytest.approx(sum(server.weight.values()), abs=0.1)
            assert said["plan"] == "own server"
            places.append(said["sources"][0]["places"])

    assert places[0] == 12
    assert places[1] < 12


def test_lines_are_of_a_terminal_s_width() -> None:
    for found in (found_for(2000), budget.document(configured(3, calibrate=True), None, now=NOW)):
        lines = budget_lines(found)
        assert max(map(len, lines)) <= 78
        assert not any("None" in line or "{" in line for line in lines)


def windowcast(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "windowcast", "--config", str(folder), "check", *arguments],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_the_command(tmp_path: Path) -> None:
    """It makes no database, and says by its status whether the morning fits."""
    for name in ("windowcast.toml", "yards.toml", "treatments.toml"):
        shutil.copy(ROOT / "config" / name, tmp_path / name)
    settings = tmp_path / "windowcast.toml"
    sample = windowcast(tmp_path, "--budget")
    assert (sample.returncode, "costs nothing" in sample.stdout) == (0, True)
    settings.write_text(settings.read_text("utf-8").replace('"sample"  ', '"open-meteo"'), "utf-8")

    fits = windowcast(tmp_path, "--budget", "--json")
    assert fits.returncode == 0
    assert json.loads(fits.stdout)["fits"] is True
    text = settings.read_text("utf-8").replace("# calls_per_day = 10000", "calls_per_day = 20")
    settings.write_text(text, "utf-8")
    over = windowcast(tmp_path, "--budget")

    assert over.returncode == 1
    assert "It fits with: " in over.stdout
    assert "does not fit" in over.stderr
    assert not (tmp_path / "windowcast.db").exists()


@pytest.mark.parametrize("options", [["--json"], ["--budget", "--reach"]])
def test_options_that_do_not_go_together(options: list[str]) -> None:
    done = windowcast(ROOT / "config", *options)

    assert done.returncode == 2
    assert "--budget" in done.stderr
