"""The scan of a block of yards: for each the very starts that `scan` gives, many times as fast.

Counts and medians come from `many`; how each start fits the single forecast is worked out here, for
all yards and starts in one go. What is equal between rows is made once: a share of 13 in 51 is one
object, and so is a margin of 2.4 °C.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import date, timedelta
from fractions import Fraction
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.window import many
from windowcast.window.scan import FIT_DAYS, NEAR_DAYS, ForecastFit, Share, Start

Highs = NDArray[np.int64]


def scan_block(
    treatments: Sequence[Treatment],
    scenarios: Sequence[Scenarios],
    forecasts: Sequence[DailyHighs | None],
    *,
    today: date,
    first_start: date,
) -> list[list[list[Start]]]:
    """By yard and treatment what `scan` gives of each.

    scenarios:  one a yard, at least one; all of one first day and as many days and scenarios
    forecasts:  one a yard
    """
    first = scenarios[0]
    shape = (len(scenarios), first.days, first.count)
    tenths = np.empty(shape, np.int16)
    for highs, one in zip(tenths, scenarios, strict=True):
        if (one.first_day, one.days, one.count) != (first.first_day, *shape[1:]):
            raise ValueError("the scenarios of a block begin on one day and are as many")
        highs[:] = np.frombuffer(one.tenths, np.int16).reshape(shape[1:])
    if not tenths.size:
        return [[[] for _ in treatments] for _ in scenarios]
    counts = many.count(tenths, treatments)
    days = [first.first_day + timedelta(days=ahead) for ahead in range(first.days)]
    ahead = (first.first_day - today).days
    begin = max((first_start - first.first_day).days, 0)
    said = _Forecasts(forecasts, first.first_day, first.days)
    shares = [Share(held, first.count) for held in range(first.count + 1)]
    medians: dict[int, list[list[int]]] = {}
    found: list[list[list[Start]]] = [[] for _ in scenarios]
    for treatment, of_regimens in zip(treatments, counts, strict=True):
        measured = []
        for regimen, each in zip(treatment.regimens, of_regimens, strict=True):
            length = regimen.exposure_days
            if each.inside.shape[1] == 0:
                continue
            if length not in medians:
                medians[length] = many.hottest(tenths, length).tolist()
            inside, too_hot, too_cold, danger, covered = (
                (np.zeros_like(each.inside) if one is None else one).tolist() for one in each
            )
            fits = said.fits(treatment, regimen, days, ahead)
            measured.append(
                _Measured(
                    regimen, inside, too_hot, too_cold, danger, covered, medians[length], fits
                )
            )
        for yard, rows in enumerate(found):
            rows.append(_rows(treatment, measured, yard, days, begin, shares))
    return found


class _Measured(NamedTuple):
    """One regimen at all yards, [yard][start]."""

    regimen: Regimen
    inside: list[list[int]]
    too_hot: list[list[int]]
    too_cold: list[list[int]]
    danger: list[list[int]]
    covered: list[list[int]]
    twice_hottest: list[list[int]]
    fits: list[list[ForecastFit]]


def _rows(
    treatment: Treatment,
    measured: Sequence[_Measured],
    yard: int,
    days: Sequence[date],
    begin: int,
    shares: Sequence[Share],
) -> list[Start]:
    """By day, then by regimen."""
    found = []
    for start in range(begin, max((len(one.inside[yard]) for one in measured), default=0)):
        for one in measured:
            if start >= len(one.inside[yard]) or not one.covered[yard][start]:
                continue
            twice = one.twice_hottest[yard][start]
            found.append(
                Start(
                    treatment,
                    one.regimen,
                    days[start],
                    one.fits[yard][start],
                    shares[one.inside[yard][start]],
                    shares[one.too_hot[yard][start]],
                    shares[one.too_cold[yard][start]],
                    shares[one.danger[yard][start]],
                    None if twice == MISSING else _fraction(twice, 20),
                )
            )
    return found


class _Forecasts:
    """The single forecasts of a block, on the days of its scenarios and on those around them."""

    def __init__(self, forecasts: Sequence[DailyHighs | None], first_day: date, days: int) -> None:
        self._days = days
        self._padded: list[tuple[int | None, ...]] = []
        highs = np.full((len(forecasts), days), MISSING, np.int64)
        for row, one in zip(highs, forecasts, strict=True):
            padded: list[int | None] = [None] * days
            if one is not None:
                offset = (one.first_day - first_day).days
                for index in range(max(-offset, 0), min(len(one.tenths), days - offset)):
                    padded[offset + index] = one.tenths[index]
                row[:] = [MISSING if high is None else high for high in padded]
            self._padded.append(tuple(padded))
        self._highs = highs
        known = highs != MISSING
        # For each day how many known ones follow one another from it on.
        self._reach = np.zeros((len(forecasts), days + 1), np.int64)
        for day in range(days - 1, -1, -1):
            self._reach[:, day] = np.where(known[:, day], self._reach[:, day + 1] + 1, 0)
        # Days beyond the last known one of any yard need not be looked at.
        used = np.flatnonzero(known.any(axis=0))
        self._used = int(used[-1]) + 1 if len(used) else 0

    def fits(
        self, treatment: Treatment, regimen: Regimen, days: Sequence[date], ahead: int
    ) -> list[list[ForecastFit]]:
        """[yard][start] as `scan` finds it; `ahead`: how far the first day is from today."""
        length = regimen.exposure_days
        starts = self._days - length + 1
        looked = min(starts, self._used)
        covered = np.minimum(self._reach[:, :looked], length)
        margin, limiting, scale = self._margins(regimen, covered)
        danger = self._first(
            treatment.danger_offsets(regimen),
            covered.shape,
            lambda day, highs: (day < covered) & (highs > _limit(treatment)),
        )
        veto = self._first(
            range(length),
            covered.shape,
            lambda day, highs: (
                (highs != MISSING) & _near(ahead + day, looked) & _outside(regimen, day, highs)
            ),
        )
        hottest = np.full(covered.shape, MISSING, np.int64)
        hottest_day = np.zeros(covered.shape, np.int64)
        for day in range(min(length, self._used)):
            highs = self._on(day, looked)
            higher = (day < covered) & (highs > hottest)
            hottest = np.where(higher, highs, hottest)
            hottest_day = np.where(higher, day, hottest_day)
        enough = min(FIT_DAYS, length)
        nothing = ForecastFit(0, None, None, None, None, None, None, None, (None,) * length)
        found = []
        columns = (covered, margin, limiting, danger, veto, hottest, hottest_day)
        for padded, *lists in zip(self._padded, *(one.tolist() for one in columns), strict=True):
            rows = [nothing] * starts
            for start, (number, least, limit, heat, out, high, at) in enumerate(
                zip(*lists, strict=True)
            ):
                if not number and out < 0:
                    highs = padded[start : start + length]
                    rows[start] = nothing._replace(highs=highs)
                    continue
                bound = least != _NONE
                rows[start] = ForecastFit(
                    number,
                    False if bound and least < 0 else True if number >= enough else None,
                    _fraction(least, scale) if bound else None,
                    days[start + limit] if bound else None,
                    days[start + out] if out >= 0 else None,
                    days[start + heat] if heat >= 0 else None,
                    _fraction(high, 10) if number else None,
                    days[start + at] if number else None,
                    padded[start : start + length],
                )
            found.append(rows)
        return found

    def _on(self, day: int, looked: int) -> Highs:
        """The highs on a day of the exposure, for each start; MISSING beyond the days."""
        end = min(day + looked, self._days)
        highs = self._highs[:, day:end]
        if highs.shape[1] == looked:
            return highs
        return np.pad(highs, ((0, 0), (0, looked - highs.shape[1])), constant_values=MISSING)

    def _margins(self, regimen: Regimen, covered: Highs) -> tuple[Highs, Highs, int]:
        """The smallest distance to a bound in parts of a °C, its day, and how many parts make one.

        The earliest day on a tie. _NONE without a covered day that has a bound.
        """
        bands = regimen.bands
        bounds = [
            bound for band in bands for bound in (band.low_c, band.high_c) if bound is not None
        ]
        scale = math.lcm(10, *(bound.denominator for bound in bounds))
        least = np.full(covered.shape, _NONE, np.int64)
        limiting = np.zeros(covered.shape, np.int64)
        for day in range(min(len(bands), self._used)):
            highs = self._on(day, covered.shape[1]) * (scale // 10)
            band = bands[day]
            nearest = np.full(covered.shape, _NONE, np.int64)
            if band.low_c is not None:
                nearest = np.minimum(nearest, highs - int(band.low_c * scale))
            if band.high_c is not None:
                nearest = np.minimum(nearest, int(band.high_c * scale) - highs)
            less = (day < covered) & (nearest < least)
            least = np.where(less, nearest, least)
            limiting = np.where(less, day, limiting)
        return least, limiting, scale

    def _first(
        self,
        offsets: Sequence[int],
        shape: tuple[int, ...],
        is_so: Callable[[int, Highs], NDArray[np.bool_]],
    ) -> Highs:
        """The first day of the exposure of which it is so, else -1."""
        found = np.full(shape, -1, np.int64)
        for day in offsets:
            if day >= self._used:
                break
            so = is_so(day, self._on(day, shape[1]))
            found = np.where((found < 0) & so, day, found)
        return found


_NONE = 2**62


def _limit(treatment: Treatment) -> int:
    return 0 if treatment.danger_c is None else math.floor(treatment.danger_c * 10)


def _near(ahead: int, looked: int) -> NDArray[np.bool_]:
    """For each start whether a day can veto that is so far from today where it is the first one."""
    far = ahead + np.arange(looked)
    near: NDArray[np.bool_] = (far >= 0) & (far < NEAR_DAYS)
    return near


def _outside(regimen: Regimen, day: int, highs: Highs) -> NDArray[np.bool_]:
    band = regimen.band_on(day)
    found = np.zeros(highs.shape, np.bool_)
    if band.highest_tenths is not None:
        found |= highs > band.highest_tenths
    if band.lowest_tenths is not None:
        found |= highs < band.lowest_tenths
    return found


@lru_cache(maxsize=4096)
def _fraction(numerator: int, denominator: int) -> Fraction:
    return Fraction(numerator, denominator)
