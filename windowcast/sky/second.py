"""Two services' forecasts of the first days, held against each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from typing import NamedTuple

from windowcast.sky.highs import DailyHighs

CRITICAL_DAYS = 6
"""Today and the five days after: what a single forecast still vetoes a start on."""
UNUSUAL = 2.0
"""So many of their usual differences: one day in twenty differs more by chance."""
# How far two services usually differ, K, by days ahead: each errs by about so much (weather notes,
# standard deviations of single forecasts, ten American cities), and half of that is common to both,
# so that the difference is spread like one error. An order of magnitude, until pairs tell.
USUAL_K = (1.5, 1.9, 2.1, 2.3, 2.6, 2.9)
PAIRS_WEIGHT = 15.0
"""The built-in figures count like so many pairs."""


class Pair(NamedTuple):
    """What both said on one day of the same day ahead, tenths of a degree Celsius."""

    ahead: int
    first: int
    second: int


class Usual(NamedTuple):
    """By days ahead: how much warmer the second usually is, and how the difference spreads, K."""

    bias_k: tuple[float, ...]
    spread_k: tuple[float, ...]


class Difference(NamedTuple):
    """A day on which the two differ more than usual.

    by_k:     the second's high less the first's, less what it usually is
    usual_k:  how that is usually spread
    """

    day: date
    first_tenths: int
    second_tenths: int
    by_k: float
    usual_k: float


def usual(pairs: Sequence[Pair]) -> Usual:
    """From what they said on past days, shrunk to the built-in figures."""
    bias, spread = [], []
    for ahead, built_in in enumerate(USUAL_K):
        mine = [(one.second - one.first) / 10 for one in pairs if one.ahead == ahead]
        count = len(mine)
        mean = sum(mine) / (count + PAIRS_WEIGHT)
        square = sum((one - mean) ** 2 for one in mine)
        variance = (square + PAIRS_WEIGHT * built_in**2) / (count + PAIRS_WEIGHT)
        bias.append(mean)
        spread.append(math.sqrt(variance))
    return Usual(tuple(bias), tuple(spread))


def differences(
    first: DailyHighs, second: DailyHighs, today: date, known: Usual
) -> tuple[Difference, ...]:
    """The critical days on which the two differ by more than UNUSUAL of their usual spreads."""
    found = []
    for ahead in range(min(CRITICAL_DAYS, len(known.spread_k))):
        day = today + timedelta(days=ahead)
        one, other = first.on(day), second.on(day)
        if one is None or other is None:
            continue
        by_k = (other - one) / 10 - known.bias_k[ahead]
        if abs(by_k) > UNUSUAL * known.spread_k[ahead]:
            found.append(Difference(day, one, other, by_k, known.spread_k[ahead]))
    return tuple(found)
