"""A yard's picture, read back from its SVG: what is drawn where, against the numbers it is of."""

from __future__ import annotations

import re
import struct
import zlib
from datetime import date, timedelta
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.pictures import (
    CHANCE,
    DAYS,
    FORECAST,
    MIDDLE,
    SITUATIONS,
    answer,
    columns_c,
    course,
    day,
    in_hand,
    picture,
    watched,
)
from support.weather import FORMIC_STRIPS, band, highs, regimen, scenarios, treatment
from windowcast.notice import raster
from windowcast.notice.shapes import Box, Text, overlap, text_width
from windowcast.notice.svg import stylesheet, svg
from windowcast.notice.table import weather_lines
from windowcast.notice.yard_days import usual_range
from windowcast.notice.yard_picture import described, picture_of, scene
from windowcast.sky.highs import DailyHighs
from windowcast.sky.quantile import quantile
from windowcast.trade.treatment import Band, Dose, Phase

SVG = "{http://www.w3.org/2000/svg}"
XML = "http://www.w3.org/2000/svg"


def drawn(of, width=1280, **how):
    return ElementTree.fromstring(svg(scene(of, width, **how), identity="a"))


def shapes(root, look):
    """Those of a class, without the samples of the key."""
    found = [one for one in root.iter() if one.get("class") == f"wc-{look}"]
    return [one for one in found if one.get("data-key") is None]


def points(one):
    return [tuple(map(float, pair.split(","))) for pair in one.get("points").split()]


class Axes:
    """What a position means, by the lines and the days that people read it from."""

    def __init__(self, root):
        lines = [one for one in shapes(root, "grid") if one.get("data-value")]
        read = [(points(one)[0][1], float(one.get("data-value"))) for one in lines]
        (self.y0, self.v0), (self.y1, self.v1) = read[0], read[-1]
        self.x = {
            float(one[1].get("x")) + float(one[1].get("width")) / 2: one.get("data-day")
            for one in root.iter(f"{SVG}g")
        }

    def value(self, y):
        return self.v0 + (y - self.y0) / (self.y1 - self.y0) * (self.v1 - self.v0)

    def day(self, x):
        nearest = min(self.x, key=lambda one: abs(one - x))
        assert abs(nearest - x) < 0.02, "not in the middle of a day"
        return self.x[nearest]

    @property
    def exact(self):
        """Positions are written to hundredths of a pixel."""
        return abs((self.v1 - self.v0) / (self.y1 - self.y0)) * 0.011


def of_polygon(axes, polygon):
    """By day: low and high."""
    corners = points(polygon)
    half = len(corners) // 2
    ups, downs = corners[:half], corners[half:][::-1]
    return {
        axes.day(x): (axes.value(low), axes.value(y))
        for (x, y), (_, low) in zip(ups, downs, strict=True)
    }


@pytest.mark.parametrize("units", ["C", "F"])
@pytest.mark.parametrize("width", [320, 360, 1280])
def test_the_line_and_the_ranges_lie_where_their_numbers_are(units, width):
    """Against numpy's quantiles, method "median_unbiased": Hyndman & Fan 1996, definition 8."""
    root = drawn(picture(units=units), width)
    axes = Axes(root)

    def shown(value_c):
        return value_c * 1.8 + 32 if units == "F" else value_c

    table = np.array(columns_c(MIDDLE))
    for look, low, high in (("range90", 0.05, 0.95), ("range50", 0.25, 0.75)):
        polygon, *_ = shapes(root, look)
        seen = of_polygon(axes, polygon)
        assert len(seen) >= 12
        for ahead in range(len(seen)):
            wanted = np.quantile(table[:, ahead], [low, high], method="median_unbiased")
            assert seen[str(day(ahead))] == pytest.approx(shown(wanted), abs=axes.exact)
    dots = {one.get("data-day"): one for one in shapes(root, "forecast-day")}
    for ahead in range(12):
        dot = dots[str(day(ahead))]
        wanted = shown(FORECAST.on(day(ahead)) / 10)
        assert axes.value(float(dot.get("cy"))) == pytest.approx(wanted, abs=axes.exact)
        assert axes.day(float(dot.get("cx"))) == str(day(ahead))
    line, *_ = shapes(root, "forecast")
    wanted = [(float(one.get("cx")), float(one.get("cy"))) for one in dots.values()]
    assert np.allclose(points(line), wanted[: len(points(line))], atol=0.011)


@pytest.mark.parametrize("units", ["C", "F"])
def test_the_table_of_highs_has_the_ranges_of_the_picture(units):
    """Against the same quantiles of numpy; half a tenth is the table's rounding."""
    table = np.array(columns_c(MIDDLE))
    lines = weather_lines(FORECAST, scenarios(table.tolist()), units)
    rows = [line.rsplit(maxsplit=4)[1:] for line in lines[2:]]
    assert len(rows) >= 12
    for ahead in range(12):
        wanted = np.quantile(table[:, ahead], [0.05, 0.5, 0.95], method="median_unbiased")
        wanted = wanted * 1.8 + 32 if units == "F" else wanted
        seen = [float(one) for one in rows[ahead][1:]]
        assert seen == pytest.approx(list(wanted), abs=0.0501), ahead


@given(
    values=st.lists(st.integers(-500, 500), min_size=1, max_size=60),
    share=st.floats(0, 1),
)
@settings(max_examples=200, deadline=None)
def test_quantiles_are_those_of_the_reference_library(values, share):
    """numpy, method "median_unbiased": Hyndman & Fan 1996, definition 8."""
    tenths = sorted(value / 10 for value in values)

    wanted = np.quantile(tenths, share, method="median_unbiased")

    assert quantile(tenths, share) == pytest.approx(wanted, abs=1e-9)


def test_the_usual_range_is_that_of_five_days_of_past_years():
    """The 10th and 90th percentiles of five days around each date in every past year, as ETCCDI's
    indices take them (Zhang et al. 2011), by numpy over a calendar worked out by numpy."""
    first = np.datetime64("1996-01-01")
    calendar = first + np.arange(30 * 365 + 8)
    tenths = CHANCE.integers(50, 350, len(calendar))
    past = DailyHighs(date(1996, 1, 1), tuple(int(one) for one in tenths))
    middle = [np.datetime64(f"{year}-09-01") for year in range(1996, 2026)]
    within = [tenths[(one - first).astype(int) + np.arange(-2, 3)] for one in middle]

    wanted = np.quantile(np.ravel(within) / 10, [0.1, 0.9], method="median_unbiased")

    assert usual_range(past, date(2026, 9, 1)) == pytest.approx(wanted)
    assert usual_range(past, date(1996, 9, 1)) is None, "no past year"


def test_days_without_data_are_gaps_and_never_zero():
    forecast = highs(24, None, 24, 24, None, None, 24, *[24] * 5)
    of = picture(middle_c=[24] * DAYS, forecast=forecast, hole=5)
    root = drawn(of)
    axes = Axes(root)

    lines = [[axes.day(x) for x, _ in points(one)] for one in shapes(root, "forecast")]
    dots = [one.get("data-day") for one in shapes(root, "forecast-day")]

    assert lines == [[str(day(2)), str(day(3))], [str(day(n)) for n in range(6, 12)]]
    missing = {str(day(n)) for n in (1, 4, 5)}
    assert not missing & set(dots)
    ahead = {one.get("data-day"): one for one in root.iter(f"{SVG}g")}
    assert ahead[str(day(1))].get("data-forecast") is None
    assert ahead[str(day(0))].get("data-forecast") == "24.0"
    # Two thirds of the scenarios are known on the day of the hole: theirs is the range.
    known = np.array([one[5] for one in columns_c([24] * DAYS, hole=5) if one[5] is not None])
    wanted = np.quantile(known, 0.95, method="median_unbiased")
    assert float(ahead[str(day(5))].get("data-high90")) == pytest.approx(wanted, abs=0.051)


def test_the_band_is_that_of_the_start_with_its_phases_and_missing_bounds():
    given = treatment(
        regimen(
            6,
            bounds=band("10", None),
            phases=[Phase(0, 2, band("10", "27"))],
        )
    )
    of = picture(given, middle_c=[25] * DAYS, forecast=None)
    root = drawn(of)
    axes = Axes(root)
    edges = shapes(root, "edge-exposed")

    high, *others = [one for one in edges if one.get("data-bound") == "high"]
    assert others == []
    (left, y), (right, _) = points(high)
    assert axes.value(y) == pytest.approx(27, abs=axes.exact)
    inside = [named for x, named in axes.x.items() if left < x < right]
    start = of.start
    assert inside == [str(start + timedelta(days=n)) for n in range(3)]
    low = [one for one in edges if one.get("data-bound") == "low"]
    assert [axes.value(points(one)[0][1]) for one in low] == pytest.approx([10], abs=axes.exact)


def test_a_band_without_bounds_is_not_drawn():
    root = drawn(picture(treatment(regimen(6, bounds=Band())), middle_c=[25] * DAYS))

    assert not shapes(root, "band")
    assert not shapes(root, "edge")


@pytest.mark.parametrize("width", [360, 1280])
def test_the_bars_are_the_starts_of_the_answer(width):
    members = scenarios(columns_c(MIDDLE))
    told = answer(FORMIC_STRIPS, FORECAST, members)
    of = picture_of(told, units="C", forecast=FORECAST, scenarios=members, min_chance=0.8)
    root = drawn(of, width)
    axes = Axes(root)
    seen = set(axes.x.values())
    least = {one.get("data-value"): points(one)[0][1] for one in shapes(root, "least")}
    assert set(least) == {"0.80"}

    bars = {
        (one.get("data-regimen"), one.get("data-day")): one
        for look in ("window", "hollow")
        for one in shapes(root, look)
        if one.get("data-day")
    }

    rows = [row for row in told.main.rows if str(row.day) in seen]
    assert len(bars) == len(rows) > 10
    tallest = {"window": 0.0, "hollow": 0.0}
    for row in rows:
        bar = bars[row.start.regimen.id, str(row.day)]
        chance = row.start.chance
        assert float(bar.get("data-chance")) == pytest.approx(chance.held / chance.of, abs=5e-4)
        assert (bar.get("class") == "wc-window") == row.safe
        assert axes.day(float(bar.get("x")) + float(bar.get("width")) / 2) == str(row.day)
        tallest[bar.get("class")[3:]] = max(tallest[bar.get("class")[3:]], chance.value)
    # Heights are in proportion to chances.
    ratio = {
        round(float(one.get("height")) / float(one.get("data-chance")), 1)
        for one in bars.values()
        if float(one.get("data-chance")) > 0.2
    }
    assert max(ratio) - min(ratio) <= 0.1


def test_the_answer_is_named_and_its_visits_are_marked():
    of = picture()
    root = drawn(of)
    named = of.windows
    safe = min(one.day for window in named for one in window.starts if one.fits)

    assert of.start == safe
    marks = {one.get("data-visit"): one.get("data-day") for one in shapes(root, "visit")}
    assert marks["apply"] == str(safe)
    exposure = next(one for one in shapes(root, "exposure") if one.get("data-first-day"))
    assert exposure.get("data-first-day") == str(safe)
    days = of.regimen.exposure_days
    assert exposure.get("data-last-day") == str(safe + timedelta(days=days - 1))
    assert marks["remove"] == str(safe + timedelta(days=days))


def test_the_hottest_day_is_that_of_the_days_that_count():
    of = picture()
    exposed = {day(n): FORECAST.on(day(n)) for n in range(15) if of.start <= day(n)}
    hottest = max(exposed, key=lambda one: (exposed[one], -one.toordinal()))

    assert of.hottest.day == hottest
    assert f"{exposed[hottest] / 10:.1f} °C" in described(of)
    ring, *_ = shapes(drawn(of), "hottest")
    assert ring.get("data-day") == str(hottest)


def test_a_treatment_that_is_in_shows_its_days_and_no_starts():
    of = in_hand([22] * DAYS)
    root = drawn(of)
    axes = Axes(root)

    assert described(of).startswith("Creek Bend: In: day 5 of 20, 16 left.")
    assert not [one for one in shapes(root, "window") if one.get("data-day")]
    banded = [one.get("data-day") for one in root.iter(f"{SVG}g") if one.get("data-band-high")]
    assert banded == [str(day(n)) for n in range(-4, 16)]
    seen = {
        axes.day(float(one.get("cx"))): axes.value(float(one.get("cy")))
        for one in shapes(root, "observed")
        if one.get("data-day")
    }
    assert seen == pytest.approx({str(day(-3)): 22.0, str(day(-1)): 21.4}, abs=axes.exact)
    # The fresh strip's first three days are critical again, those of the first one are over.
    (left, y), (right, _) = points(shapes(root, "danger")[-1])
    assert axes.value(y) == pytest.approx(33, abs=axes.exact)
    inside = [named for x, named in axes.x.items() if left < x < right]
    assert inside == [str(day(n)) for n in (6, 7, 8)]


def test_danger_is_the_first_thing_said():
    of = in_hand([36] * DAYS, began=1)

    assert described(of).startswith("Creek Bend: In danger Mon Aug 31.")
    assert "Hottest" in described(of)


def test_without_a_forecast_the_picture_says_so():
    of = picture_of(
        answer(FORMIC_STRIPS, None, None),
        units="C",
        forecast=None,
        scenarios=None,
        observed={day(-1): 21.4},
    )
    root = drawn(of, 360)

    assert described(of).startswith("Creek Bend: Not known: no forecast.")
    assert "no forecast" in [one.text for one in root.iter(f"{SVG}text")]
    assert not shapes(root, "forecast-day")
    assert not shapes(root, "range90")
    assert len([one for one in shapes(root, "observed") if one.get("data-day")]) == 1


def test_an_old_forecast_names_no_start():
    members = scenarios(columns_c([22] * DAYS))
    told = answer(FORMIC_STRIPS, None, members, stale=True)
    of = picture_of(told, units="C", forecast=None, scenarios=members)

    assert described(of).startswith("Creek Bend: Not known: old forecast.")
    assert of.start is None
    assert not [one for one in shapes(drawn(of), "window") if one.get("data-day")]


def test_a_single_forecast_has_no_chance():
    forecast = highs(*[22] * 25)
    told = answer(FORMIC_STRIPS, forecast, None)
    of = picture_of(told, units="C", forecast=forecast, scenarios=None, min_chance=0.8)

    assert "chance not known" in described(of)
    bars = [one for one in shapes(drawn(of), "window") if one.get("data-day")]
    assert {one.get("data-chance") for one in bars} == {""}


HOSTILE = [
    "<script>alert(1)</script>",
    '"><g onload="x">',
    "]]>&amp;<!--",
    "Mill $x$ {yard} %s",
    "\u202egnirts \u0007 \ufffe",
    "很长的名字" * 12,
    "W" * 80,
]


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_stays_text(name):
    usual, odd = drawn(picture()), drawn(picture(name=name))

    tags = {one.tag for one in odd.iter()}
    assert tags == {one.tag for one in usual.iter()}
    assert len(list(odd.iter())) == len(list(usual.iter()))
    keys = {key for one in odd.iter() for key in one.attrib}
    assert not {key for key in keys if key.startswith("on") or key in ("style", "href")}
    title = next(odd.iter(f"{SVG}title")).text
    legal = name.replace("\u0007", "").replace("\ufffe", "")  # XML 1.0, section 2.2
    assert title.startswith(legal)
    assert raster.png(scene(picture(name=name), 320))[:8] == b"\x89PNG\r\n\x1a\n"


def test_nothing_is_fetched_run_or_styled_inline():
    """What a strict Content-Security-Policy would refuse is not there at all."""
    text = svg(scene(picture(), 360), identity="a")

    for refused in ("<script", "<style", "style=", "href", "url(", "@import", "<image"):
        assert refused not in text
    assert not re.search(r"\son\w+=", text)
    assert text.count("http") == 1, "the namespace alone"
    assert f'xmlns="{XML}"' in text


def test_it_can_be_told_to_somebody_who_does_not_see_it():
    of = picture()
    root = drawn(of)

    assert root.get("role") == "img"
    by_id = {one.get("id"): one.text for one in root.iter() if one.get("id")}
    assert by_id[root.get("aria-describedby")] == described(of)
    assert root.get("aria-labelledby") in by_id
    columns = {one.get("data-day"): one for one in root.iter(f"{SVG}g")}
    said = next(columns[str(day(0))].iter(f"{SVG}title")).text
    assert "forecast 31.3 °C" in said
    assert "allowed within 10.0–29.5 °C" in said


def test_every_class_has_a_rule_for_the_page():
    rules = stylesheet()

    for one in drawn(picture()).iter():
        for name in (one.get("class") or "").split():
            assert f".{name}" in rules


@pytest.mark.parametrize("width", [320, 360, 420, 421, 720, 1280])
@pytest.mark.parametrize("situation", SITUATIONS)
def test_letters_are_large_enough_apart_and_inside(situation, width):
    for brief in (False, True):
        one = scene(SITUATIONS[situation](), width, brief=brief)
        texts = [shape for shape in one.shapes if isinstance(shape, Text)]

        assert all(text.size >= 11 for text in texts)
        for number, text in enumerate(texts):
            left, top, right, bottom = text.box
            assert left >= 0, text
            assert right <= width, text
            assert top >= 0, text
            assert bottom <= one.height, text
            touching = [other.text for other in texts[number + 1 :] if overlap(text, other)]
            assert touching == [], text.text
        boxes = [shape for shape in one.shapes if isinstance(shape, Box)]
        assert all(box.x >= 0 and box.x + box.width <= width + 0.01 for box in boxes)


@pytest.mark.parametrize("bold", [False, True])
def test_no_text_is_wider_than_thought(bold):
    """Against the extents that matplotlib measures in the font it brings along."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    font = FontProperties(family="DejaVu Sans", weight="bold" if bold else "normal")
    said = {
        shape.text
        for make in SITUATIONS.values()
        for shape in scene(make(), 720).shapes
        if isinstance(shape, Text)
    }
    assert len(said) > 60
    for text in said:
        extents = TextPath((0, 0), text, size=12, prop=font).get_extents()
        assert extents.width <= text_width(text, 12, bold=bold) + 0.5, text


@pytest.mark.parametrize("width", [320, 360])
@pytest.mark.parametrize("situation", sorted(SITUATIONS.keys() - {"a long name"}))
def test_a_finger_meets_a_day(situation, width):
    """Common practice for what is looked at rather than pressed, no source: a target that is
    pressed would need 24 px (WCAG 2.2, 2.5.8)."""
    one = scene(SITUATIONS[situation](), width)

    assert min(column.width for column in one.columns) >= 15
    assert min(column.height for column in one.columns) >= 160


def pixels(png):
    """Width, height and whether every chunk is sound. Source: PNG specification, W3C, 5.3, 11.2."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    at, found = 8, {}
    while at < len(png):
        (length,) = struct.unpack_from(">I", png, at)
        name, body = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        assert struct.unpack_from(">I", png, at + 8 + length) == (zlib.crc32(name + body),)
        found[name] = body
        at += 12 + length
    return struct.unpack(">II", found[b"IHDR"][:8])


def test_a_png_is_sharp_the_same_each_time_and_of_the_pictures_colours():
    from io import BytesIO

    from PIL import Image

    one = scene(picture(), 360)
    png = raster.png(one)

    assert pixels(png) == (720, round(one.height * 2))
    assert png == raster.png(one)
    shown = Image.open(BytesIO(png)).convert("RGB")
    bar = next(shape for shape in one.named("window") if isinstance(shape, Box))
    middle = (round(2 * bar.x + bar.width), round(2 * bar.y + bar.height * 1.6))
    assert shown.getpixel(middle) == (0x00, 0x63, 0x4F)
    assert shown.getpixel((2, 2)) == (255, 255, 255)


def test_an_id_that_would_break_the_page_is_refused():
    with pytest.raises(ValueError, match="identity"):
        svg(scene(picture(), 360), identity='a" onload="x')


def test_a_dose_later_than_planned_moves_the_band_with_it():
    """As the watch counts it: the days of the exposure go with the dose."""
    given = treatment(
        regimen(
            12,
            doses=[Dose(day=0, strips=1), Dose(day=6, strips=1)],
            phases=[Phase(6, 7, band("10", "25"))],
        )
    )
    one = course(day(-9), given, 0)
    late = one.entry._replace(id=2, kind="swap", day=day(-1))
    one = one._replace(swaps=(late,))
    members = scenarios(columns_c([22] * DAYS))
    of = picture_of(
        answer(given, None, members), units="C", forecast=None, scenarios=members, course=one,
        watch=watched(one, members, None),
    )  # fmt: skip

    cool = [each.day for each in of.days if each.band and each.band.high_c == 25]

    # The first dose's days go on until the fresh one is in.
    assert cool == [day(-3), day(-2), day(-1), day(0)]
