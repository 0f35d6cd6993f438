"""Pictures: what stands in them, and that the same answer gives the same bytes."""

from __future__ import annotations

import struct
from dataclasses import replace
from datetime import date, timedelta
from xml.etree import ElementTree

import matplotlib
import numpy as np
import pytest

from support.weather import regimen, treatment, yard
from windowcast.notice.chart import reliability_picture, season_picture, season_title
from windowcast.sky.highs import DailyHighs
from windowcast.sky.score import reliability_table
from windowcast.trade.treatment import Dose
from windowcast.window.season import MonthDay, SeasonAnswer, SeasonDays, past_seasons

LATE_SUMMER = SeasonDays(MonthDay(8, 1), MonthDay(10, 15))
TREATMENT = treatment(
    regimen(14, id="two-strips"),
    regimen(20, id="one-strip-swap", doses=[Dose(day=0, strips=1), Dose(day=10, strips=1)]),
)
SIZE_PIXELS = (1280, 864)  # 8.0 by 5.4 inches at 160 dots
SVG = "{http://www.w3.org/2000/svg}"


def answer(*, hot_until=(8, 20), now=None, source="open-meteo", season=LATE_SUMMER):
    """Ten years, hot up to a day of each: every start after it held."""
    first = date(2010, 1, 1)
    days = [first + timedelta(days=n) for n in range(3652)]
    highs = DailyHighs(
        first_day=first,
        tenths=tuple(350 if (6, 1) <= (day.month, day.day) <= hot_until else 200 for day in days),
    )
    return SeasonAnswer(
        yard=yard(),
        source=source,
        attribution="Weather data by somebody (CC BY 4.0)",
        fetched_at=None,
        past=past_seasons(highs, TREATMENT, season),
        now=now or {},
    )


def words_of(svg):
    root = ElementTree.fromstring(svg)
    return [" ".join("".join(one.itertext()).split()) for one in root.iter(f"{SVG}text")]


def ids_of(svg):
    return {one.get("id") for one in ElementTree.fromstring(svg).iter()}


def size_of(png):
    """Width and height. Source: PNG specification, section 11.2.2 IHDR, from memory."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert png[12:16] == b"IHDR"
    return struct.unpack(">II", png[16:24])


def chances(seed=0, *, straying=0.0):
    rng = np.random.default_rng(seed)
    chance = rng.uniform(size=2000)
    held = (rng.uniform(size=2000) < np.clip(chance + straying, 0, 1)).astype(float)
    return chance, reliability_table(chance, held, samples=200)


def test_a_png_has_its_signature_and_its_size():
    assert size_of(season_picture(answer(), "png")) == SIZE_PIXELS
    chance, rows = chances()
    assert size_of(reliability_picture(rows, chance, "title", "note", "png")) == (1280, 1184)


def test_the_season_names_each_line_its_median_and_the_source_in_words():
    svg = season_picture(answer(), "svg")
    text = words_of(svg)
    for wanted in ("two-strips", "one-strip-swap", "Aug 1", "Sep 16", "50 %"):
        assert wanted in text
    assert text.count("▲ half by Aug 21") == 2  # the first day after the heat
    assert "Weather data by somebody (CC BY 4.0)" in text
    assert any(one.startswith("Share of 10 past years (2010 to 2019)") for one in text)
    assert not any("INVENTED" in one or "chance this year" in one for one in text)
    assert {"past two-strips", "past one-strip-swap"} <= ids_of(svg)


def test_this_years_chances_are_marks_of_their_own_only_where_they_lie_in_the_season():
    inside = {("two-strips", MonthDay(9, n)): 0.9 for n in range(1, 10)}
    svg = season_picture(answer(now=inside), "svg")
    assert words_of(svg).count("● chance this year") == 1
    assert "now two-strips" in ids_of(svg)
    assert "now one-strip-swap" not in ids_of(svg)
    outside = {("two-strips", MonthDay(12, n)): 0.9 for n in range(1, 10)}
    assert season_picture(answer(now=outside), "svg") == season_picture(answer(), "svg")


def test_invented_weather_says_so_in_the_picture():
    text = words_of(season_picture(answer(source="sample"), "svg"))
    assert any(one.startswith("INVENTED WEATHER.") for one in text)


@pytest.mark.parametrize(
    ("asked", "wanted"),
    [
        (
            answer(),
            "Creek Bend: formic acid gel strips could start by Aug 21 in half of past years",
        ),
        (
            answer(hot_until=(11, 30)),
            "Creek Bend: formic acid gel strips could not start in most past years, Aug 1 to"
            " Oct 15",
        ),
        (
            answer(season=SeasonDays(MonthDay(12, 10), MonthDay(3, 5))),
            "Creek Bend: formic acid gel strips could start by Dec 10 in half of past years",
        ),
    ],
    ids=["opens", "hardly ever", "over the new year"],
)
def test_the_title_is_the_answer(asked, wanted):
    assert season_title(asked) == wanted
    shown = " ".join(words_of(season_picture(asked, "svg")))
    assert all(word in shown for word in wanted.split())


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_a_yards_name_is_drawn_as_it_is_written(kind):
    odd = replace(answer(), yard=yard("蜂場 $5 a_b^c $"))
    drawn = season_picture(odd, kind)
    if kind == "svg":
        assert any(one.startswith("蜂場 $5 a_b^c $: formic") for one in words_of(drawn))
    else:
        assert size_of(drawn) == SIZE_PIXELS


def test_a_whole_year_and_a_single_day_can_be_drawn():
    year = answer(season=SeasonDays(MonthDay(1, 1), MonthDay(12, 31)))
    assert {"Jan", "Jul", "Dec"} <= set(words_of(season_picture(year, "svg")))
    day = answer(season=SeasonDays(MonthDay(9, 3), MonthDay(9, 3)))
    assert "Sep 3" in words_of(season_picture(day, "svg"))


@pytest.mark.parametrize("kind", ["png", "svg"])
def test_the_same_answer_gives_the_same_bytes_whatever_the_users_settings(kind):
    chance, rows = chances()
    before = season_picture(answer(), kind), reliability_picture(rows, chance, "t", "n", kind)
    with matplotlib.rc_context({"font.size": 30, "lines.linewidth": 9, "svg.hashsalt": None}):
        again = season_picture(answer(), kind), reliability_picture(rows, chance, "t", "n", kind)
        kept = matplotlib.rcParams["font.size"]
    assert again == before
    assert kept == 30


def test_the_reliability_diagram_shows_counts_and_what_lies_outside():
    chance, rows = chances(straying=0.3)
    svg = reliability_picture(rows, chance, "More windows held", "2000 windows", "svg")
    text = words_of(svg)
    for row in rows:
        assert str(row.cases) in text
    assert {f"tenth {row.lowest:.1f}" for row in rows} <= ids_of(svg)
    assert {"More windows held", "2000 windows", "chance that was named"} <= set(text)
    assert "#d55e00" in svg.decode()  # a tenth outside its bar
    one_outside = [row for row in rows if row.consistent is False]
    assert len(one_outside) >= 5
