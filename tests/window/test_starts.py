"""A block of yards at once gives the very objects that one yard's scan gives."""

from __future__ import annotations

from array import array
from datetime import timedelta
from fractions import Fraction

import numpy as np
import pytest

from support.weather import FORMIC_STRIPS, MONDAY, band, regimen, treatment
from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Band, Dose, Phase
from windowcast.window.scan import Words, scan
from windowcast.window.starts import scan_block

# 85 °F is 29.444… °C: no tenth lies on it, and margins are ninths of a degree.
FAHRENHEIT = Band(Fraction(10), Fraction(265, 9))
PLANS = [
    FORMIC_STRIPS,
    treatment(
        regimen(42, id="long", bounds=Band(None, None), phases=[Phase(0, 0, band("10", None))]),
        regimen(1, id="once", bounds=Band(None, Fraction(15))),
        danger_c=None,
    ),
    treatment(
        regimen(
            20,
            id="swap",
            bounds=FAHRENHEIT,
            phases=[Phase(3, 5, Band(Fraction(12), Fraction(25)))],
            doses=(Dose(0, strips=1), Dose(10, strips=1)),
        ),
        danger_c="31.5",
    ),
    treatment(regimen(60, id="never")),
]


def drawn(seed, *, days, scenarios, missing, yards=9):
    """Scenarios and forecasts of invented yards, half of all highs on a bound or a tenth off it."""
    random = np.random.default_rng(seed)

    def highs(*shape):
        level = random.integers(90, 370, size=(shape[0], *[1] * (len(shape) - 1)))
        found = level + random.integers(-50, 50, size=shape)
        near = random.choice((100, 120, 150, 250, 294, 295, 315, 330), size=shape)
        near = near + random.integers(-1, 2, size=shape)
        found = np.where(random.random(shape) < 0.5, near, found)
        return np.where(random.random(shape) < missing, MISSING, found)

    courses = highs(yards, days, scenarios)
    courses[yards - 1, days // 2] = MISSING  # a day that no scenario knows
    every = [
        Scenarios(
            first_day=MONDAY,
            days=days,
            count=scenarios,
            tenths=array("h", one.astype(np.int16).tobytes()),
        )
        for one in courses
    ]
    forecasts = [None]
    for one in highs(yards - 1, 16):
        begins = MONDAY + timedelta(days=int(random.integers(-3, 4)))
        length = int(random.integers(0, 17))
        known = [None if high == MISSING else int(high) for high in one[:length]]
        forecasts.append(DailyHighs(begins, tuple(known)))
    return every, forecasts


@pytest.mark.parametrize("missing", [0.0, 0.08])
@pytest.mark.parametrize(("days", "scenarios"), [(1, 1), (16, 51), (46, 51), (46, 64), (35, 204)])
@pytest.mark.parametrize("since", [-2, 0, 1])
def test_a_block_gives_what_each_yard_gives(days, scenarios, missing, since):
    """`since`: how many days today is from the first day of the scenarios."""
    today = MONDAY + timedelta(days=since)
    for seed in range(3):
        every, forecasts = drawn(seed, days=days, scenarios=scenarios, missing=missing)
        for later in (0, 1):
            first_start = today + timedelta(days=later)
            block = scan_block(PLANS, every, forecasts, today=today, first_start=first_start)
            for one, forecast, found in zip(every, forecasts, block, strict=True):
                words = Words(one)
                for plan, starts in zip(PLANS, found, strict=True):
                    assert starts == scan(
                        plan, forecast=forecast, words=words, today=today, first_start=first_start
                    )


def test_the_block_is_not_empty_handed():
    """The comparison above would hold of nothing, too."""
    every, forecasts = drawn(1, days=46, scenarios=51, missing=0.0)
    block = scan_block(PLANS, every, forecasts, today=MONDAY, first_start=MONDAY)
    rows = [row for yard in block for starts in yard for row in starts]
    assert len(rows) > 9 * 60
    fits = [row.fit for row in rows]
    assert {fit.fits for fit in fits} == {True, False, None}
    assert any(fit.veto_day for fit in fits) and any(fit.danger_day for fit in fits)
    assert len({row.chance.held for row in rows}) > 10


def test_yards_that_are_not_alike_are_refused():
    every, forecasts = drawn(1, days=16, scenarios=5, missing=0.0)
    other, _ = drawn(1, days=15, scenarios=5, missing=0.0)
    with pytest.raises(ValueError, match="begin on one day"):
        scan_block(PLANS, [*every, other[0]], [*forecasts, None], today=MONDAY, first_start=MONDAY)
