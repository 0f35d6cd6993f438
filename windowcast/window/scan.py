"""For each start and regimen: does the forecast fit, in what share of the scenarios, how closely.

The scan turns every day and band into one whole number whose bits are the scenarios (bit i set:
scenario i is inside that day), and ANDs runs of days by doubling: a run of 14 days costs four
passes over the days, whatever the number of scenarios. Heat comes in spells, so a chance is always
a count along whole scenarios, never a product of daily chances.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction
from operator import and_, or_
from typing import TypeVar

from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Band, Regimen, Treatment

T = TypeVar("T")

NEAR_DAYS = 6
"""Days from today on (today the first) whose deterministic high can veto a start."""
FIT_DAYS = 3
"""A forecast that covers this many first days of an exposure, all inside, says that it fits."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """A share of the scenarios, kept as a count so that nothing is rounded before comparing."""

    count: int
    of: int

    @property
    def value(self) -> float:
        return self.count / self.of

    def at_least(self, level: float) -> bool:
        return self.count / self.of >= level


@dataclass(frozen=True, slots=True, kw_only=True)
class ForecastFit:
    """One start of one regimen against the deterministic forecast's single course.

    days:          days of the exposure that the forecast covers, counted from its first
    fits:          False: a covered day is outside; True: the first three days (or all of a shorter
                   exposure) are covered and inside; None: too few days covered to say
    margin_c:      smallest distance of a covered high to its nearest bound, °C, exact, negative =
                   outside; None without a covered day or a bound
    limiting_day:  the day of that margin, the earliest on a tie
    veto_day:      the first of today and the five days after on which the high is outside its band
    danger_day:    the first covered day with a dangerous high soon after a dose
    hottest_c:     the highest covered high, °C; None without a covered day
    hottest_day:   the day of that high, the earliest on a tie
    highs:         the highs of the exposure, tenths of a °C, None where the forecast has none
    """

    days: int
    fits: bool | None
    margin_c: Fraction | None
    limiting_day: date | None
    veto_day: date | None
    danger_day: date | None
    hottest_c: Fraction | None
    hottest_day: date | None
    highs: tuple[int | None, ...]

    def high_c(self, start: date, day: date) -> Fraction | None:
        """The forecast high of one day of an exposure that began on `start`, °C."""
        tenths = self.highs[(day - start).days]
        return None if tenths is None else Fraction(tenths, 10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """One start day of one regimen, as measured; nothing decided yet.

    start:      day 0
    chance:     scenarios in which every day of the exposure is inside its band
    too_hot:    scenarios with a day above its band
    too_cold:   scenarios with a day below its band (a scenario can be both)
    danger:     scenarios with a high above the treatment's `danger_c` soon after a dose
    hottest_c:  median over scenarios of the highest high of the exposure, °C, exact

    The first four are None without scenarios; the last also where no scenario is complete.
    """

    treatment: Treatment
    regimen: Regimen
    start: date
    chance: Share | None = None
    too_hot: Share | None = None
    too_cold: Share | None = None
    danger: Share | None = None
    hottest_c: Fraction | None = None
    fit: ForecastFit

    @property
    def last_day(self) -> date:
        """The last day of the exposure."""
        return self.start + timedelta(days=self.regimen.exposure_days - 1)


def scan(
    treatment: Treatment,
    *,
    forecast: DailyHighs | None,
    scenarios: Scenarios | None,
    today: date,
    first_start: date,
) -> list[Start]:
    """Every start from `first_start` on that the weather covers whole, by day, then by regimen.

    With scenarios, the starts are those whose whole exposure they cover (a day is covered where at
    least one scenario has a value; a scenario with a missing day is not counted as inside: silence
    is not good weather). Without any, those that the deterministic forecast covers whole.
    """
    found: list[tuple[date, int, Start]] = []
    for order, regimen in enumerate(treatment.regimens):
        measured = (
            _starts_without_scenarios(treatment, regimen, forecast, today)
            if scenarios is None
            else _starts(treatment, regimen, forecast, scenarios, today)
        )
        found.extend((row.start, order, row) for row in measured if row.start >= first_start)
    return [row for _, _, row in sorted(found, key=lambda item: item[:2])]


def _starts(
    treatment: Treatment,
    regimen: Regimen,
    forecast: DailyHighs | None,
    scenarios: Scenarios,
    today: date,
) -> Iterator[Start]:
    length = regimen.exposure_days
    number = scenarios.days - length + 1
    if number < 1 or scenarios.count < 1:
        return
    rows = [scenarios.row(day) for day in range(scenarios.days)]
    known = [_bits(row, MISSING.__ne__) for row in rows]
    covered = _runs([int(bool(word)) for word in known], length, and_)
    inside, above, below = _in_band(regimen, list(zip(rows, known, strict=True)), number)
    dangerous = [0] * number
    if treatment.danger_c is not None:
        highest = math.floor(treatment.danger_c * 10)
        over = [_bits(row, highest.__lt__) for row in rows]
        for offset in treatment.danger_offsets(regimen):
            dangerous = [word | over[start + offset] for start, word in enumerate(dangerous)]
    hottest = _runs([list(row) for row in rows], length, lambda a, b: list(map(max, a, b)))
    complete = _runs(known, length, and_)
    for start in range(number):
        if not covered[start]:
            continue
        day = scenarios.first_day + timedelta(days=start)
        of = scenarios.count
        yield Start(
            treatment=treatment,
            regimen=regimen,
            start=day,
            chance=Share(count=inside[start].bit_count(), of=of),
            too_hot=Share(count=above[start].bit_count(), of=of),
            too_cold=Share(count=below[start].bit_count(), of=of),
            danger=Share(count=dangerous[start].bit_count(), of=of),
            hottest_c=_median_c(
                [high for bit, high in enumerate(hottest[start]) if complete[start] >> bit & 1]
            ),
            fit=_forecast_fit(treatment, regimen, forecast, day, today),
        )


def _starts_without_scenarios(
    treatment: Treatment, regimen: Regimen, forecast: DailyHighs | None, today: date
) -> Iterator[Start]:
    if forecast is None:
        return
    for offset in range(len(forecast.tenths) - regimen.exposure_days + 1):
        day = forecast.first_day + timedelta(days=offset)
        fit = _forecast_fit(treatment, regimen, forecast, day, today)
        if fit.days == regimen.exposure_days:
            yield Start(treatment=treatment, regimen=regimen, start=day, fit=fit)


def _in_band(
    regimen: Regimen, known_rows: Sequence[tuple[Sequence[int], int]], number: int
) -> tuple[list[int], list[int], list[int]]:
    """For each start the scenarios inside on all days, above on some day, below on some day.

    known_rows: the highs of each day, and the bits of those that are not missing

    The exposure is cut into stretches of days with one band; each stretch is a run by doubling.
    """
    rows = [row for row, _ in known_rows]
    all_bits = (1 << len(rows[0])) - 1
    inside, above, below = [all_bits] * number, [0] * number, [0] * number
    for band, first_day, days in _stretches(regimen):
        low, high = band.lowest_tenths, band.highest_tenths
        over = [0 if high is None else _bits(row, high.__lt__) for row in rows]
        under = [0 if low is None else _bits(row, low.__gt__) & has for row, has in known_rows]
        within = [
            has & ~(hot | cold) for (_, has), hot, cold in zip(known_rows, over, under, strict=True)
        ]
        for result, words, join in (
            (inside, within, and_),
            (above, over, or_),
            (below, under, or_),
        ):
            runs = _runs(words, days, join)
            for start in range(number):
                result[start] = join(result[start], runs[start + first_day])
    return inside, above, below


def _stretches(regimen: Regimen) -> Iterator[tuple[Band, int, int]]:
    """(band, first day, number of days) of each stretch of equal bands, in order."""
    bands = regimen.bands
    first = 0
    for day in range(1, len(bands) + 1):
        if day == len(bands) or bands[day] != bands[first]:
            yield bands[first], first, day - first
            first = day


def _bits(row: Sequence[int], holds: Callable[[int], bool]) -> int:
    """One bit a scenario, lowest bit first: whether `holds` is true of its value."""
    return int("".join("1" if holds(value) else "0" for value in reversed(row)) or "0", 2)


def _runs(words: Sequence[T], length: int, join: Callable[[T, T], T]) -> list[T]:
    """join(words[i], …, words[i+length−1]) for every i that has so many, by doubling.

    `join` must be associative and idempotent (and, or, max): stretches may overlap.
    """
    runs, reach = list(words), 1
    while reach * 2 <= length:
        runs = [join(runs[i], runs[i + reach]) for i in range(len(runs) - reach)]
        reach *= 2
    if reach < length:
        rest = length - reach
        runs = [join(runs[i], runs[i + rest]) for i in range(len(runs) - rest)]
    return runs


def _median_c(tenths: Sequence[int]) -> Fraction | None:
    if not tenths:
        return None
    ordered = sorted(tenths)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return Fraction(ordered[middle], 10)
    return Fraction(ordered[middle - 1] + ordered[middle], 20)


def _forecast_fit(
    treatment: Treatment,
    regimen: Regimen,
    forecast: DailyHighs | None,
    start: date,
    today: date,
) -> ForecastFit:
    highs = (
        [None] * regimen.exposure_days
        if forecast is None
        else _highs_on(forecast, start, regimen.exposure_days)
    )
    bands = regimen.bands
    days = next((day for day, high in enumerate(highs) if high is None), len(highs))
    margins = [
        (margin, day)
        for day in range(days)
        if (margin := _margin_c(highs[day], bands[day])) is not None
    ]
    smallest = min(margins, default=None)
    outside = smallest is not None and smallest[0] < 0
    enough = days >= min(FIT_DAYS, regimen.exposure_days)
    veto_day = next(
        (
            start + timedelta(days=day)
            for day, high in enumerate(highs)
            if 0 <= (start - today).days + day < NEAR_DAYS
            and (margin := _margin_c(high, bands[day])) is not None
            and margin < 0
        ),
        None,
    )
    danger_day = None
    if treatment.danger_c is not None:
        danger_day = next(
            (
                start + timedelta(days=day)
                for day in treatment.danger_offsets(regimen)
                if day < days and Fraction(highs[day] or 0, 10) > treatment.danger_c
            ),
            None,
        )
    hottest = max(range(days), key=lambda day: highs[day] or 0, default=None)
    return ForecastFit(
        days=days,
        fits=False if outside else True if enough else None,
        margin_c=None if smallest is None else smallest[0],
        limiting_day=None if smallest is None else start + timedelta(days=smallest[1]),
        veto_day=veto_day,
        danger_day=danger_day,
        hottest_c=None if hottest is None else Fraction(highs[hottest] or 0, 10),
        hottest_day=None if hottest is None else start + timedelta(days=hottest),
        highs=tuple(highs),
    )


def _highs_on(forecast: DailyHighs, start: date, length: int) -> list[int | None]:
    """The forecast highs of `length` days from `start` on, None where there is none."""
    offset = (start - forecast.first_day).days
    return [
        forecast.tenths[index] if 0 <= index < len(forecast.tenths) else None
        for index in range(offset, offset + length)
    ]


def _margin_c(high_tenths: int | None, band: Band) -> Fraction | None:
    """Distance of a high to its nearest bound, °C, negative outside; None if nothing to measure."""
    if high_tenths is None:
        return None
    high_c = Fraction(high_tenths, 10)
    distances = []
    if band.low_c is not None:
        distances.append(high_c - band.low_c)
    if band.high_c is not None:
        distances.append(band.high_c - high_c)
    return min(distances, default=None)
