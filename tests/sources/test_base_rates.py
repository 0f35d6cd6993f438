"""Shares of fitting windows in real, observed daily highs, against a table counted without us.

The table (`../shared/data/base_rates_14d.csv` and `_20d.csv`) is an independent computation of
ours, made with other code than windowcast's; it is not a published source. It says, per half-month,
what share of the start days of all years has every high of the exposure in 10.0-29.5 °C.

The highs come out of two installed packages, whose files are read and whose code never runs.
"""

from __future__ import annotations

import csv
import importlib.util
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from pathlib import Path

import pytest

from support.journey import TREATMENTS, settings, yard_table
from support.weather import regimen, treatment
from support.weather_server import Place, WeatherServer
from windowcast import season as season_of_yard
from windowcast.answer import open_store
from windowcast.edges import config
from windowcast.sky.highs import tenths
from windowcast.sky.scenarios import from_members
from windowcast.window.scan import Start, Words, scan
from windowcast.window.season import half_months, pooled

LENGTHS_DAYS = (14, 20)
HALF_MONTHS = {
    "Aug1-15": ((8, 1), (8, 15)),
    "Aug16-31": ((8, 16), (8, 31)),
    "Sep1-15": ((9, 1), (9, 15)),
    "Sep16-30": ((9, 16), (9, 30)),
    "Oct1-15": ((10, 1), (10, 15)),
}
FIRST_START, LAST_START = (8, 1), (10, 15)
SITES = {
    "Seattle WA": ("vega-datasets", "_data/seattle-weather.csv"),
    "brussels": ("aquacrop", "data/brussels_climate.txt"),
    "champion": ("aquacrop", "data/champion_climate.txt"),
    "cambridge": ("aquacrop", "data/cambridge_climate.txt"),
}
# The second package's own dependencies are many and of no use to someone who reads its files.
INSTALL = {
    "vega-datasets": "python -m pip install vega-datasets",
    "aquacrop": "python -m pip install --no-deps aquacrop==3.1.0",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BaseRates:
    """One site's row of the table, as printed.

    per_cent:      of each half-month's start days, all years together, those that fit
    none_per_cent: of the years, those without any start that fits
    median_first:  month-day of the median first start from Aug 1, over the years that have one;
                   where two middle years differ, the day on which their mean falls
    years:         years counted
    """

    per_cent: tuple[int, ...]
    none_per_cent: int
    median_first: str
    years: int


# The table's row typed in, so that it is checked where the table is absent too. A plain loop over
# the file, without windowcast, finds of 60, 64, 60, 60 and 60 start days (four years) that fit:
# 9, 32, 27, 60 and 53 for 14 days, and 8, 20, 27, 60 and 47 for 20 days.
SEATTLE = {
    14: BaseRates(per_cent=(15, 50, 45, 100, 88), none_per_cent=0, median_first="08-15", years=4),
    20: BaseRates(per_cent=(13, 31, 45, 100, 78), none_per_cent=0, median_first="08-19", years=4),
}


@pytest.mark.parametrize("length_days", LENGTHS_DAYS)
def test_seattle_as_typed_in(length_days):
    assert base_rates(observed("Seattle WA"), length_days) == SEATTLE[length_days]


@pytest.mark.parametrize("length_days", LENGTHS_DAYS)
@pytest.mark.parametrize("site", SITES)
def test_shares_equal_the_table_to_the_printed_digit(shared_folder, site, length_days):
    expected = table_row(shared_folder, site, length_days)
    assert base_rates(observed(site), length_days) == expected


@pytest.mark.parametrize("length_days", LENGTHS_DAYS)
@pytest.mark.parametrize("site", SITES)
def test_shares_do_not_rest_on_rounding_to_tenths(shared_folder, site, length_days):
    # One file prints hundredths, and whole tenths let a 29.51 in. Of 2812 fortnights at "champion"
    # that admits two (23 instead of 21 of 555 begun on Sep 1-15); no printed digit changes.
    highs = observed_hundredths(site)
    per_cent = []
    for first, last in HALF_MONTHS.values():
        starts = [day for day in highs if first <= (day.month, day.day) <= last]
        fitting = [
            day
            for day in starts
            if all(1000 <= highs[day + timedelta(days=n)] <= 2950 for n in range(length_days))
        ]
        per_cent.append(round(Fraction(100 * len(fitting), len(starts))))
    assert tuple(per_cent) == table_row(shared_folder, site, length_days).per_cent


@pytest.mark.parametrize("length_days", LENGTHS_DAYS)
def test_the_season_of_a_yard_shows_the_tables_shares(shared_folder, tmp_path, length_days):
    """The series goes through the archive's reply, the store and the count by past years."""
    expected = table_row(shared_folder, "brussels", length_days)
    highs = {day: tenths / 10 for day, tenths in observed("brussels").items()}
    now = datetime(2006, 1, 10, 12, tzinfo=UTC)  # thirty years that hold all seasons of the series
    (tmp_path / "treatments.toml").write_text(TREATMENTS, "utf-8")
    (tmp_path / "yards.toml").write_text(yard_table("Creek Bend", 50.8, 4.4, "Etc/GMT"), "utf-8")
    with WeatherServer(places={(50.8, 4.4): Place(past=highs)}, now=now) as server:
        (tmp_path / "windowcast.toml").write_text(
            settings(forecast=server.forecast_url, archive=server.archive_url), "utf-8"
        )
        configuration = config.load(tmp_path, {})
        (yard,) = configuration.yards
        with open_store(configuration) as store:
            past = season_of_yard.answer_season(
                configuration,
                store,
                yard,
                season_of_yard.season_days(yard, None, None),
                treatment_id=None,
                now=now,
                say=lambda line: None,
            ).past

    (one,) = [each for each in past.regimens if each.regimen.exposure_days == length_days]
    halves = half_months(one.starts)
    shares = [pooled(half) for half in halves]
    assert [str(half[0].day) for half in halves] == ["08-01", "08-16", "09-01", "09-16", "10-01"]
    assert tuple(round(100 * share) for share in shares if share is not None) == expected.per_cent
    assert round(100 * (one.share_without or 0)) == expected.none_per_cent
    assert one.whole_years == expected.years


def base_rates(highs: Mapping[date, int], length_days: int) -> BaseRates:
    """What windowcast's own scan makes of a series of highs, tenths of a °C.

    Every year from Aug 1 until the last day of a window begun on Oct 15 is one scenario, so a count
    of scenarios is a count of years. Raises KeyError where a year lacks a day: none does, so no
    window is dropped.
    """
    years = sorted({day.year for day in highs})
    series = {year: season(highs, year, length_days) for year in years}
    together = windows([series[year] for year in years], years[0], length_days)
    per_cent = []
    for first, last in HALF_MONTHS.values():
        shares = [
            start.chance
            for start in together
            if first <= (start.start.month, start.start.day) <= last and start.chance is not None
        ]
        fitting = sum(share.held for share in shares)
        per_cent.append(round(Fraction(100 * fitting, sum(share.of for share in shares))))

    # A count over years does not say which year fits when: for first starts, each year by itself.
    firsts = []
    for year in years:
        fitting_days = [
            (start.start - date(year, *FIRST_START)).days
            for start in windows([series[year]], year, length_days)
            if start.chance is not None and start.chance.held == 1
        ]
        firsts.extend(fitting_days[:1])
    return BaseRates(
        per_cent=tuple(per_cent),
        none_per_cent=round(Fraction(100 * (len(years) - len(firsts)), len(years))),
        median_first=month_day(sorted(firsts)),
        years=len(years),
    )


def season(highs: Mapping[date, int], year: int, length_days: int) -> list[int]:
    """A year's highs from the first start to the last day of the last start's window."""
    first = date(year, *FIRST_START)
    days = (date(year, *LAST_START) - first).days + length_days
    return [highs[first + timedelta(days=day)] for day in range(days)]


def windows(columns: list[list[int]], year: int, length_days: int) -> list[Start]:
    first = date(year, *FIRST_START)
    rows = [list(row) for row in zip(*columns, strict=True)]
    starts = scan(
        treatment(regimen(length_days)),
        forecast=None,
        words=Words(from_members(rows, first)),
        today=first,
        first_start=first,
    )
    assert (starts[0].start, starts[-1].start) == (first, date(year, *LAST_START))
    return starts


def month_day(days_after_first: list[int]) -> str:
    middle = len(days_after_first) // 2
    low, high = days_after_first[(len(days_after_first) - 1) // 2], days_after_first[middle]
    return f"{date(2001, *FIRST_START) + timedelta(days=(low + high) // 2):%m-%d}"


def table_row(shared_folder: Path, site: str, length_days: int) -> BaseRates:
    path = shared_folder / "data" / f"base_rates_{length_days}d.csv"
    if not path.parent.is_dir():
        pytest.skip("../shared is absent")
    with path.open(encoding="utf-8", newline="") as file:
        (row,) = [row for row in csv.DictReader(file) if row["site"] == site]
    assert float(row["years"]) == float(row["siteyears_full"])
    return BaseRates(
        per_cent=tuple(whole(row[name]) for name in HALF_MONTHS),
        none_per_cent=whole(row["no_start_pct"]),
        median_first=row["median_first_start"],
        years=int(row["years"]),
    )


def whole(text: str) -> int:
    """The table prints whole per cents, as "15.0"."""
    number = Fraction(text)
    assert number.denominator == 1, text
    return int(number)


def observed(site: str) -> dict[date, int]:
    """Every observed high of a site, whole tenths of a °C, as windowcast rounds what it reads."""
    found = {}
    for day, high in observed_hundredths(site).items():
        rounded = tenths(high / 100)
        assert rounded is not None, day
        found[day] = rounded
    return found


def observed_hundredths(site: str) -> dict[date, int]:
    """Every observed high of a site as printed in its file, hundredths of a °C, exact."""
    package, name = SITES[site]
    lines = package_file(package, name).read_text("utf-8").splitlines()
    found = {}
    if name.endswith(".csv"):
        for row in csv.DictReader(lines):
            day = date.fromisoformat(row["date"].replace("/", "-"))
            found[day] = int(Fraction(row["temp_max"]) * 100)
    else:
        for line in lines[1:]:
            if line.strip():
                number, month, year, _, high = line.split()[:5]
                found[date(int(year), int(month), int(number))] = int(Fraction(high) * 100)
    return found


def package_file(package: str, name: str) -> Path:
    """A file of an installed package, which is found and not imported."""
    spec = importlib.util.find_spec(package.replace("-", "_"))
    if spec is None or not spec.submodule_search_locations:
        reason = f"{package} is not installed: {INSTALL[package]}"
        if os.environ.get("WINDOWCAST_CI"):
            pytest.fail(reason)
        pytest.skip(reason)
    return Path(spec.submodule_search_locations[0]) / name
