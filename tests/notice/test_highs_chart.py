"""The chart of highs: each sign stands where its degrees are."""

from __future__ import annotations

import re
from datetime import date
from fractions import Fraction

import pytest

from windowcast.notice import columns
from windowcast.notice.highs_chart import ASCII, UNICODE, chart_lines
from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import from_members
from windowcast.trade.treatment import Band, Dose, Phase, Regimen, Treatment
from windowcast.trade.yard import Hive, Yard
from windowcast.window.decide import ForecastState, Rules, YardAnswer, decide
from windowcast.window.scan import Words, scan

TODAY = date(2026, 8, 31)
WEEK = Regimen("week", 7, (Dose(0, strips=2),), Band(Fraction(10), Fraction("29.5")))


def drawn(highs, members=None, *, regimen=WEEK, units="C", signs=UNICODE) -> list[str]:
    """The chart of a yard with these highs and scenarios (rows of days), °C, from today."""
    treatment = Treatment("gel", "formic acid", "gel strip", (regimen,))
    yard = Yard(
        name="Creek Bend",
        latitude=44.9,
        longitude=-99.7,
        elevation_m=None,
        timezone="America/Chicago",
        colonies=4,
        hive=Hive(),
        treatments=("gel",),
    )
    forecast = DailyHighs(TODAY, tuple(None if one is None else round(one * 10) for one in highs))
    scenarios = None
    if members is not None:
        scenarios = from_members([[round(one * 10) for one in row] for row in members], TODAY)
    words = None if scenarios is None else Words(scenarios)
    rows = scan(treatment, forecast=forecast, words=words, today=TODAY, first_start=TODAY)
    one = decide(yard, treatment, rows, rules=Rules(min_chance=0.8, max_danger=0.05), today=TODAY,
                 stale=False)  # fmt: skip
    state = ForecastState(
        source="sample",
        fetched_at=None,
        run_at=None,
        age_hours=0.0,
        stale=False,
        first_day=TODAY,
        last_day=None,
        scenarios=0,
        scenarios_last_day=None,
        scenario_sources=(),
        sources=("forecast",),
        missing=(),
        attribution="",
        how="",
    )
    answer = YardAnswer(yard=yard, today=TODAY, forecast=state, treatments=(one,))
    return chart_lines(answer, forecast, scenarios, units, signs=signs)


def rows_of(lines: list[str]) -> list[str]:
    return [line for line in lines if re.match(r"  (Mon|Tue|Wed|Thu|Fri|Sat|Sun) ", line)]


def degrees_at(lines: list[str], column: int) -> float:
    """What stands at a column, by the figures over the drawing: each ends over its own degrees."""
    head = lines[lines_head(lines)]
    figures = [(found.end() - 1, int(found[0])) for found in re.finditer(r"-?\d+", head)]
    (first, low), (last, high) = figures[0], figures[-1]
    return low + (column - first) * (high - low) / (last - first)


def lines_head(lines: list[str]) -> int:
    return next(at for at, line in enumerate(lines) if re.fullmatch(r" {13}[ \d-]+", line))


def test_each_sign_stands_where_its_degrees_are():
    lines = drawn([20.0] * 10, [[15.0] * 10 + [18.0] * 90 + [25.0] * 10] * 10)

    row = rows_of(lines)[0]
    low, high = (at for at, sign in enumerate(row) if sign == "│")
    # A column is about half a degree wide here.
    assert degrees_at(lines, low) == pytest.approx(10.0, abs=0.5)
    assert degrees_at(lines, high) == pytest.approx(29.5, abs=0.5)
    assert degrees_at(lines, row.index("●")) == pytest.approx(20.0, abs=0.5)
    # A tenth of the scenarios is at each end, so the middle 90 % reach there.
    assert degrees_at(lines, row.index("─")) == pytest.approx(15.0, abs=0.5)
    assert degrees_at(lines, row.rindex("─")) == pytest.approx(25.0, abs=0.5)


def test_a_twentieth_of_the_scenarios_at_each_end_is_left_out():
    lines = drawn([20.0] * 10, [[5.0] * 4 + [18.0] * 46 + [22.0] * 46 + [35.0] * 4] * 10)

    row = rows_of(lines)[0]
    # As on the page: of 100 the twentieth lies between the fifth and the sixth.
    assert degrees_at(lines, row.index("─")) == pytest.approx(18.0, abs=0.5)
    assert degrees_at(lines, row.rindex("─")) == pytest.approx(22.0, abs=0.5)


@pytest.mark.parametrize(
    ("high", "word"),
    [(29.5, ""), (29.6, "too hot"), (10.0, ""), (9.9, "too cold"), (-3.2, "too cold")],
)
def test_a_high_outside_the_band_is_said_in_a_word_and_bounds_are_inside(high: float, word: str):
    row = rows_of(drawn([20.0] + [high] * 9))[1]

    assert row.split(f"{high:.1f}")[1].strip() == word


def test_fahrenheit_is_that_of_figures_and_signs():
    lines = drawn([20.0] * 10, units="F")

    row = rows_of(lines)[0]
    assert "68.0" in row
    assert degrees_at(lines, row.index("●")) == pytest.approx(68.0, abs=1.0)
    assert "°F" in lines[0]


def test_a_phase_has_its_own_bounds_on_its_days():
    phase = Phase(0, 2, Band(Fraction(10), Fraction(27)))
    lines = drawn([20.0] * 10, regimen=WEEK._replace(phases=(phase,)))

    bounds = [degrees_at(lines, row.rindex("│")) for row in rows_of(lines)[:4]]
    assert bounds[:3] == pytest.approx([27.0] * 3, abs=0.5)
    assert bounds[3] == pytest.approx(29.5, abs=0.5)


def test_ten_days_at_least_and_the_whole_exposure_of_the_named_start():
    longer = WEEK._replace(exposure_days=14)

    assert len(rows_of(drawn([20.0] * 16))) == 10
    assert len(rows_of(drawn([20.0] * 16, regimen=longer))) == 14
    assert rows_of(drawn([20.0] * 16))[0].endswith("start")


def test_a_missing_high_is_an_empty_row_and_no_forecast_no_chart():
    lines = drawn([20.0, None, *[20.0] * 8])

    assert rows_of(lines)[1].replace("│", "").split() == ["Tue", "Sep", "1"]
    assert drawn([None] * 10) == []


def test_ascii_says_the_same_with_other_signs():
    unicode, ascii_ = (
        drawn([20.0] * 10, [[18.0] * 20] * 10),
        drawn([20.0] * 10, [[18.0] * 20] * 10, signs=ASCII),
    )

    assert [one.translate(str.maketrans("│─●", "|-o")) for one in unicode] == ascii_
    assert max(map(columns.taken, unicode)) <= 78
