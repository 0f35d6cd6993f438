"""README's table of what each `min_chance` would have cost, measured anew on the series it names.

What is drawn may differ a little with another version of numpy, and so may a median or a share.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path

import pytest

from sources.test_base_rates import package_file
from support.weather import FORMIC_STRIPS
from windowcast.notice.waiting_lines import waiting_document
from windowcast.notice.words import MONTH_NAMES
from windowcast.sky.highs import DailyHighs
from windowcast.window.season import MonthDay, SeasonDays, past_seasons, prices_of_waiting

README = (Path(__file__).resolve().parents[2] / "README.md").read_text("utf-8")
DAYS_OFF, SHARE_OFF = 4, 0.11


def series(name: str) -> DailyHighs:
    lines = package_file("aquacrop", f"data/{name}_climate.txt").read_text("utf-8").splitlines()
    found = {}
    for line in lines[1:]:
        if line.strip():
            day, month, year, _, high = line.split()[:5]
            found[date(int(year), int(month), int(day))] = round(Fraction(high) * 10)
    first, last = min(found), max(found)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    return DailyHighs(first_day=first, tenths=tuple(found.get(day) for day in days))


def table() -> dict[str, list[tuple[str, str]]]:
    """Cells by the first column: (day, per cent) of each of the other columns."""
    section = README.split("## Choosing `min_chance`")[1].split("\n## ")[0]
    rows = {}
    for line in section.splitlines():
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        parsed = [re.fullmatch(r"(\w{3} \d+), (\d+) %", cell) for cell in cells[1:]]
        if parsed and all(parsed):
            rows[cells[0]] = [(one[1], one[2]) for one in parsed if one]
    return rows


@pytest.mark.parametrize(
    ("site", "last", "columns", "years"),
    [("brussels", MonthDay(10, 15), (0, 1), 30), ("tunis", MonthDay(11, 15), (2, 3), 23)],
    ids=["brussels", "tunis"],
)
def test_readme_shows_what_is_measured(site, last, columns, years):
    season = SeasonDays(MonthDay(8, 1), last)
    prices = prices_of_waiting(series(site), FORMIC_STRIPS, season, say=print)
    rows = table()
    for column, (regimen_id, waiting) in zip(columns, prices.items(), strict=True):
        found = waiting_document(regimen_id, waiting, season)
        assert (found["years"], found["share_could"]) == (years, 1.0)
        shown = rows["weather foreknown"][column]
        assert apart(found["median_first_could"], shown[0]) <= 0
        for one in found["min_chances"]:
            day, per_cent = rows[f"{one['min_chance']:.2f}"][column]
            assert one["share_opened"] == 1.0
            assert apart(one["median_first_start"], day) <= DAYS_OFF
            assert one["share_held"] == pytest.approx(int(per_cent) / 100, abs=SHARE_OFF)


def apart(month_day: str, shown: str) -> int:
    month, day = shown.split()
    other = date(2001, MONTH_NAMES.index(month) + 1, int(day))
    return abs((date.fromisoformat(f"2001-{month_day}") - other).days)


def test_champion_never_shows_a_start_beforehand():
    """57 per cent of 37 years have a start (base rates of the skill notes: 43 % none)."""
    season = SeasonDays(MonthDay(8, 1), MonthDay(10, 15))
    highs = series("champion")
    waiting = prices_of_waiting(highs, FORMIC_STRIPS, season, say=print)["two-strips"]
    assert (waiting.seasons, round(waiting.share_could * 37)) == (37, 21)
    assert {one.share_opened for one in waiting.openings} == {0.0}
    past = past_seasons(highs, FORMIC_STRIPS, season).regimens[0]
    assert past.whole_years - past.without == 21
