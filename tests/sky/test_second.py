"""Two forecasts held against each other, and replies read; real ones where they are at hand."""

from __future__ import annotations

import json
import math
from datetime import date, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from windowcast.edges import metno, nws
from windowcast.errors import WeatherUnusable
from windowcast.sky.highs import DailyHighs
from windowcast.sky.second import UNUSUAL, USUAL_K, Pair, differences, usual

TODAY = date(2026, 8, 20)


def highs(*tenths):
    return DailyHighs(TODAY, tuple(tenths))


def test_without_pairs_the_built_in_figures_stand():
    known = usual([])

    assert known.bias_k == (0.0,) * 6
    assert known.spread_k == pytest.approx(USUAL_K)


def test_a_bias_is_learned_and_shrunk():
    """Thirty pairs that differ by exactly 3 K: bias 3 * 30 / 45, and a spread that shrinks."""
    known = usual([Pair(0, 200, 230)] * 30)

    assert known.bias_k[0] == pytest.approx(2.0)
    assert known.bias_k[1] == 0.0
    assert known.spread_k[0] < USUAL_K[0]


def test_more_than_twice_the_usual_difference_is_unusual():
    known = usual([])
    edge = round(20 * USUAL_K[2])

    assert differences(highs(0, 0, 200), highs(0, 0, 200 + edge), TODAY, known) == ()
    (one,) = differences(highs(0, 0, 200), highs(0, 0, 201 + edge), TODAY, known)
    assert one.day == TODAY + timedelta(days=2)
    assert one.by_k == pytest.approx(UNUSUAL * USUAL_K[2] + 0.1)


def test_days_that_one_does_not_know_and_far_days_are_not_compared():
    known = usual([])
    far = highs(*[200] * 9)

    assert differences(highs(200, None), highs(None, 400), TODAY, known) == ()
    assert differences(far, highs(*[200] * 6, 400, 400), TODAY, known) == ()


def test_one_day_in_twenty_is_unusual_by_chance():
    """Two services whose differences spread as is usual: by the normal distribution 4.6 % lie
    beyond two standard deviations."""
    drawn = np.random.default_rng(1)
    known = usual([])
    found = 0
    times = 2000
    for _ in range(times):
        apart = [round(10 * drawn.normal(0, usual_k)) for usual_k in USUAL_K]
        found += len(differences(highs(*[200] * 6), highs(*(200 + a for a in apart)), TODAY, known))
    share = found / (6 * times)
    assert share == pytest.approx(2 * (1 - 0.97725), abs=4 * math.sqrt(0.045 / (6 * times)))


def test_a_real_reply_of_met_norway(shared_folder):
    path = shared_folder / "recorded" / "metno_lat51.5lon-0.1altitude25_complete_wrapped_real.json"
    reply = json.loads(path.read_text("utf-8"))["data"]

    found = metno.read(reply, ZoneInfo("Europe/London"), date(2020, 7, 20))

    # It begins at 12:00 local, so today is not covered; its last day is not either.
    assert found.tenths[0] is None
    assert 6 <= sum(one is not None for one in found.tenths) <= 9
    assert all(150 < one < 350 for one in found.tenths if one is not None)


def test_a_real_reply_of_the_us_national_weather_service(shared_folder):
    path = shared_folder / "recorded" / "nws_gridpoint_raw_real.json"
    reply = json.loads(path.read_text("utf-8"))

    found = nws.read(reply, ZoneInfo("America/New_York"), date(2022, 2, 3))

    # The rest of the first day is no day; then 22.2, 12.8, 14.4 °C as the file has them.
    assert found.tenths[:4] == (None, 222, 128, 144)
    assert len(found.tenths) == 8


@pytest.mark.parametrize(
    "reply",
    [
        {},
        [],
        {"properties": {"timeseries": []}},
        {
            "properties": {
                "timeseries": [{"time": "soon"}],
                "meta": {"units": {"air_temperature": "celsius"}},
            }
        },
    ],
)
def test_a_reply_that_is_no_forecast(reply):
    with pytest.raises(WeatherUnusable):
        metno.read(reply, ZoneInfo("UTC"), TODAY)
    with pytest.raises(WeatherUnusable):
        nws.read(reply, ZoneInfo("UTC"), TODAY)
