"""For each start and regimen: does the forecast fit, in what share of the scenarios, how closely.

The scan turns every day and bound into one whole number whose bits are the scenarios (bit i set:
scenario i is above the bound that day), and joins runs of days by doubling: a run of 14 days costs
four passes over the days, whatever the number of scenarios. Heat comes in spells, so a chance is
always a count along whole scenarios, never a product of daily chances.

Plain whole numbers rather than an array library: for one yard that is within about twice as fast
(tests/bench/scan.py), and importing the library alone costs eight times a bare interpreter's start.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from fractions import Fraction
from operator import and_, or_
from typing import NamedTuple, TypeVar

from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Band, Regimen, Treatment

T = TypeVar("T")

NEAR_DAYS = 6
"""Days from today on (today the first) whose deterministic high can veto a start."""
FIT_DAYS = 3
"""A forecast that covers this many first days of an exposure, all inside, says that it fits."""


class Share(NamedTuple):
    """A share of the scenarios, kept as a count so that nothing is rounded before comparing.

    held: scenarios of which it is true, of `of` in all
    """

    held: int
    of: int

    @property
    def value(self) -> float:
        return self.held / self.of


class ForecastFit(NamedTuple):
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


class Start(NamedTuple):
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
    fit: ForecastFit
    chance: Share | None = None
    too_hot: Share | None = None
    too_cold: Share | None = None
    danger: Share | None = None
    hottest_c: Fraction | None = None

    @property
    def last_day(self) -> date:
        """The last day of the exposure."""
        return self.start + timedelta(days=self.regimen.exposure_days - 1)


class Words:
    """The scenarios of one yard as words: one whole number a day and bound, one bit a scenario.

    Each day's scenarios are ranked once; the bits of all that are below any bound are then one look
    up. Highest highs of runs are kept too. One instance serves every treatment of a yard.
    """

    def __init__(self, scenarios: Scenarios) -> None:
        self.scenarios = scenarios
        self.all_bits = (1 << scenarios.count) - 1
        self._rows = [scenarios.row(day).tolist() for day in range(scenarios.days)]
        # For each day the values in ascending order, and beside the i-th the bits of the i lowest.
        self._values: list[list[int]] = []
        self._lowest: list[list[int]] = []
        for row in self._rows:
            order = sorted(range(len(row)), key=row.__getitem__)
            bits, lowest = 0, [0]
            for scenario in order:
                bits |= 1 << scenario
                lowest.append(bits)
            self._values.append([row[scenario] for scenario in order])
            self._lowest.append(lowest)
        # MISSING is the lowest value there is, so the missing ones are the first in the order.
        self.known = [self.all_bits & ~missing for missing in self._up_to(MISSING)]
        self._hottest: list[list[list[int]]] = [self._rows]

    def _up_to(self, tenths: int) -> list[int]:
        return [
            lowest[bisect_right(values, tenths)]
            for values, lowest in zip(self._values, self._lowest, strict=True)
        ]

    def above(self, tenths: int) -> list[int]:
        """For each day the scenarios above a high."""
        return [self.all_bits & ~bits for bits in self._up_to(tenths)]

    def below(self, tenths: int) -> list[int]:
        """For each day the scenarios below a high; a missing one is not."""
        return [
            lowest[bisect_left(values, tenths)] & known
            for values, lowest, known in zip(self._values, self._lowest, self.known, strict=True)
        ]

    def hottest(self, length: int) -> list[list[int]]:
        """For each start the highest high of `length` days, scenario by scenario."""
        reach = 1 << (length.bit_length() - 1)
        while len(self._hottest) < length.bit_length():
            runs, step = self._hottest[-1], 1 << (len(self._hottest) - 1)
            self._hottest.append(_overlaid(runs, step, _higher))
        return _overlaid(self._hottest[length.bit_length() - 1], length - reach, _higher)


def scan(
    treatment: Treatment,
    *,
    forecast: DailyHighs | None,
    words: Words | None,
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
            if words is None
            else _starts(treatment, regimen, forecast, words, today)
        )
        found.extend((row.start, order, row) for row in measured if row.start >= first_start)
    return [row for _, _, row in sorted(found, key=lambda item: item[:2])]


def holds(regimen: Regimen, words: Words) -> list[int]:
    """For each start from the scenarios' first day on, those inside on all days, a bit each.

    There are as many starts as the scenarios cover whole.
    """
    number = words.scenarios.days - regimen.exposure_days + 1
    if number < 1:
        return []
    return _in_band(stretches_of(regimen), words, number)[0]


def _starts(
    treatment: Treatment,
    regimen: Regimen,
    forecast: DailyHighs | None,
    words: Words,
    today: date,
) -> Iterator[Start]:
    length, scenarios = regimen.exposure_days, words.scenarios
    number = scenarios.days - length + 1
    if number < 1 or scenarios.count < 1:
        return
    stretches = stretches_of(regimen)
    inside, above, below = _in_band(stretches, words, number)
    dangerous = [0] * number
    if treatment.danger_c is not None:
        over = words.above(math.floor(treatment.danger_c * 10))
        for offset in treatment.danger_offsets(regimen):
            dangerous = [bits | over[start + offset] for start, bits in enumerate(dangerous)]
    covered = _runs([int(bits != 0) for bits in words.known], length, and_)
    complete = _runs(words.known, length, and_)
    hottest = words.hottest(length)
    for start in range(number):
        if not covered[start]:
            continue
        day = scenarios.first_day + timedelta(days=start)
        of = scenarios.count
        whole = hottest[start]
        if complete[start] != words.all_bits:
            whole = [high for bit, high in enumerate(whole) if complete[start] >> bit & 1]
        yield Start(
            treatment=treatment,
            regimen=regimen,
            start=day,
            fit=_forecast_fit(treatment, regimen, stretches, forecast, day, today),
            chance=Share(held=inside[start].bit_count(), of=of),
            too_hot=Share(held=above[start].bit_count(), of=of),
            too_cold=Share(held=below[start].bit_count(), of=of),
            danger=Share(held=dangerous[start].bit_count(), of=of),
            hottest_c=_median_c(whole),
        )


def _starts_without_scenarios(
    treatment: Treatment, regimen: Regimen, forecast: DailyHighs | None, today: date
) -> Iterator[Start]:
    if forecast is None:
        return
    stretches = stretches_of(regimen)
    for offset in range(len(forecast.tenths) - regimen.exposure_days + 1):
        day = forecast.first_day + timedelta(days=offset)
        fit = _forecast_fit(treatment, regimen, stretches, forecast, day, today)
        if fit.days == regimen.exposure_days:
            yield Start(treatment=treatment, regimen=regimen, start=day, fit=fit)


class Stretch(NamedTuple):
    """Consecutive days of an exposure with one band, its bounds in tenths (None: no bound)."""

    band: Band
    low: int | None
    high: int | None
    first_day: int
    days: int


def stretches_of(regimen: Regimen) -> list[Stretch]:
    """The stretches of equal bands of an exposure, in order."""
    found = []
    bands = regimen.bands
    first = 0
    for day in range(1, len(bands) + 1):
        if day == len(bands) or bands[day] != bands[first]:
            band = bands[first]
            found.append(
                Stretch(
                    band=band,
                    low=band.lowest_tenths,
                    high=band.highest_tenths,
                    first_day=first,
                    days=day - first,
                )
            )
            first = day
    return found


def _in_band(
    stretches: Sequence[Stretch], words: Words, number: int
) -> tuple[list[int], list[int], list[int]]:
    """For each start the scenarios inside on all days, above on some day, below on some day."""
    inside, above, below = [words.all_bits] * number, [0] * number, [0] * number
    nothing = [0] * words.scenarios.days
    for stretch in stretches:
        over = nothing if stretch.high is None else words.above(stretch.high)
        under = nothing if stretch.low is None else words.below(stretch.low)
        within = [
            known & ~(hot | cold) for known, hot, cold in zip(words.known, over, under, strict=True)
        ]
        for result, bits, join in ((inside, within, and_), (above, over, or_), (below, under, or_)):
            if bits is nothing:
                continue
            runs = _runs(bits, stretch.days, join)
            for start in range(number):
                result[start] = join(result[start], runs[start + stretch.first_day])
    return inside, above, below


def _runs(days: Sequence[T], length: int, join: Callable[[T, T], T]) -> list[T]:
    """join(days[i], …, days[i+length−1]) for every i that has so many, by doubling.

    `join` must be associative and idempotent (and, or, max): the halves may overlap.
    """
    runs, reach = list(days), 1
    while reach * 2 <= length:
        runs = _overlaid(runs, reach, join)
        reach *= 2
    return _overlaid(runs, length - reach, join)


def _overlaid(runs: list[T], step: int, join: Callable[[T, T], T]) -> list[T]:
    """Each run joined with the one `step` days later."""
    return list(map(join, runs, runs[step:])) if step else runs


def _higher(one: list[int], other: list[int]) -> list[int]:
    return list(map(max, one, other))


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
    stretches: Sequence[Stretch],
    forecast: DailyHighs | None,
    start: date,
    today: date,
) -> ForecastFit:
    length = regimen.exposure_days
    highs = [None] * length if forecast is None else _highs_on(forecast, start, length)
    known: list[int] = []
    for high in highs:
        if high is None:
            break
        known.append(high)
    smallest = _smallest_margin(stretches, known)
    outside = smallest is not None and smallest[0] < 0
    enough = len(known) >= min(FIT_DAYS, length)
    danger_day = None
    if treatment.danger_c is not None:
        limit = math.floor(treatment.danger_c * 10)
        danger_day = next(
            (
                start + timedelta(days=day)
                for day in treatment.danger_offsets(regimen)
                if day < len(known) and known[day] > limit
            ),
            None,
        )
    hottest = max(range(len(known)), key=known.__getitem__, default=None)
    return ForecastFit(
        days=len(known),
        fits=False if outside else True if enough else None,
        margin_c=None if smallest is None else smallest[0],
        limiting_day=None if smallest is None else start + timedelta(days=smallest[1]),
        veto_day=_veto_day(stretches, highs, start, today),
        danger_day=danger_day,
        hottest_c=None if hottest is None else Fraction(known[hottest], 10),
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


def _smallest_margin(
    stretches: Sequence[Stretch], known: Sequence[int]
) -> tuple[Fraction, int] | None:
    """The smallest distance to a bound, °C, and its day, the earliest on a tie.

    Within a stretch only its lowest and its highest high can be the nearest to a bound.
    """
    found = []
    for stretch in stretches:
        days = range(stretch.first_day, min(stretch.first_day + stretch.days, len(known)))
        if not days:
            break
        if stretch.band.low_c is not None:
            day = min(days, key=known.__getitem__)
            found.append((Fraction(known[day], 10) - stretch.band.low_c, day))
        if stretch.band.high_c is not None:
            day = max(days, key=known.__getitem__)
            found.append((stretch.band.high_c - Fraction(known[day], 10), day))
    return min(found, default=None)


def _veto_day(
    stretches: Sequence[Stretch], highs: Sequence[int | None], start: date, today: date
) -> date | None:
    """The first of today and the five days after whose high is outside its band."""
    ahead = (start - today).days
    for stretch in stretches:
        for day in range(stretch.first_day, stretch.first_day + stretch.days):
            high = highs[day]
            if high is None or not 0 <= ahead + day < NEAR_DAYS:
                continue
            if (stretch.high is not None and high > stretch.high) or (
                stretch.low is not None and high < stretch.low
            ):
                return start + timedelta(days=day)
    return None
