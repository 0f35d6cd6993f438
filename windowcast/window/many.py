"""The scan of many yards at once: whole blocks of highs to counts, each the one that `scan` gives.

Comparing all highs with one bound gives a stream of bits in the order of the highs: yard by yard,
day by day, scenario by scenario. The next day of a scenario is as many bits further on as there are
scenarios, so runs of days are joined by doubling, a whole block of yards in one go and whatever the
number of scenarios. Bits of windows that would reach into the next yard are never counted.

Where the package was built with a compiler, `windowcast.window.compiled` takes these steps; numpy
takes them elsewhere, five times as slowly. Not for `windowcast yard`: importing numpy takes longer
than one yard's scan.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from functools import cache, partial
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from windowcast.sky.scenarios import MISSING
from windowcast.trade.treatment import Regimen, Treatment
from windowcast.window.scan import stretches_of

Highs = NDArray[np.int16]
Numbers = NDArray[np.int32]
Words = NDArray[np.uint64]

UNBOUNDED = 32767
"""Above every high: the highest that int16 holds."""
MOST_SCENARIOS = 32767
"""Counts are int16."""
# Beyond the caches nothing is gained, below them the calls themselves begin to count.
BLOCK_HIGHS = 800_000
PIECE_HIGHS = 256 * 1024

AND, OR, ANY = 0, 1, 2
NUMPY = "numpy"

TakeSteps = Callable[[Highs, Highs, NDArray[np.int64], Highs], None]


class Counts(NamedTuple):
    """One regimen at many yards, by start: (yards, starts) int16, the first start on the first day.

    inside:    scenarios in which every day of the exposure is inside its band
    too_hot:   scenarios with a day above its band
    too_cold:  scenarios with a day below its band
    danger:    scenarios with a high above the treatment's `danger_c` soon after a dose
    covered:   1 where every day of the exposure has a value in some scenario, else 0; `scan` gives
               these starts only

    All but `inside` are None where only that was asked for. Without a start that fits into the
    days, starts is 0.
    """

    inside: Highs
    too_hot: Highs | None = None
    too_cold: Highs | None = None
    danger: Highs | None = None
    covered: Highs | None = None


class Step(NamedTuple):
    """Days of an exposure on which a scenario has to be above one bound and not above another.

    result:      which count it is a part of; the parts of one follow one another
    join:        AND: on all of the days; OR: on some; ANY: some scenario on each day
    above:       which bound
    not_above:   which other one; -1: none
    first_day:   of the exposure, from 0
    days:        at least 1
    starts:      starts that fit into the days of the block
    """

    result: int
    join: int
    above: int
    not_above: int
    first_day: int
    days: int
    starts: int


def count(
    tenths: Highs,
    treatments: Sequence[Treatment],
    *,
    only_inside: bool = False,
    way: str | None = None,
) -> list[tuple[Counts, ...]]:
    """For each treatment and regimen, each yard and each start: the counts that `scan` gives.

    tenths:       (yards, days, scenarios), as `Scenarios` and `StoredSeries` hold them one behind
                  the other, tenths of a °C, MISSING where unknown; all of the same first day
    treatments:   all are judged at every yard, so give yards that share them
    only_inside:  leave out the causes, which take twice as long as the chance itself
    way:          one of `ways`; None: the fastest

    ValueError: a way that is not known here; more scenarios than MOST_SCENARIOS.
    """
    yards, days, scenarios = tenths.shape
    if scenarios > MOST_SCENARIOS:
        raise ValueError(f"{scenarios} scenarios; at most {MOST_SCENARIOS} can be counted")
    regimens = [(one, regimen) for one in treatments for regimen in one.regimens]
    bounds, steps = _steps(regimens, days, only_inside=only_inside)
    kinds = 1 if only_inside else len(Counts._fields)
    starts = max((step.starts for step in steps), default=0)
    found = np.zeros((len(regimens) * kinds, yards, starts), np.int16)
    if steps and tenths.size:
        take_steps = _way(way)
        take_steps(
            np.ascontiguousarray(tenths),
            np.array(bounds, np.int16),
            np.array(steps, np.int64),
            found,
        )
    counts = iter(
        Counts(*found[which * kinds : (which + 1) * kinds, :, : _starts(regimen, days)])
        for which, (_, regimen) in enumerate(regimens)
    )
    return [tuple(next(counts) for _ in one.regimens) for one in treatments]


def hottest(tenths: Highs, length: int) -> Numbers:
    """(yards, starts) twice the median over scenarios of the highest high of `length` days, tenths.

    Twice, so that it is whole. Scenarios with a missing day do not count; MISSING where all have.
    """
    yards, days, scenarios = tenths.shape
    starts = days - length + 1
    found = np.full((yards, max(starts, 0)), MISSING, np.int32)
    if starts < 1 or not tenths.size:
        return found
    for some in _blocks(yards, days * scenarios):
        highs = tenths[some]
        highest = _extreme(highs, length, np.maximum)
        complete = _extreme(highs, length, np.minimum) != MISSING
        number = complete.sum(axis=2)
        ordered = np.sort(np.where(complete, highest, UNBOUNDED), axis=2)
        lower, upper = (
            np.take_along_axis(ordered, np.maximum(at, 0)[:, :, None], axis=2)[:, :, 0]
            for at in ((number - 1) // 2, number // 2)
        )
        twice = lower.astype(np.int32) + upper
        found[some] = np.where(number > 0, twice, MISSING)
    return found


def _starts(regimen: Regimen, days: int) -> int:
    return max(days - regimen.exposure_days + 1, 0)


def ways() -> tuple[str, ...]:
    """The ways to count that are known here, the fastest first: machine code where the package was
    built with a compiler, by what the processor knows, and numpy."""
    return tuple(_ways())


def _way(name: str | None) -> TakeSteps:
    here = _ways()
    if name is None:
        return next(iter(here.values()))
    if name not in here:
        raise ValueError(
            f"way: {name!r} is not known here, known are {', '.join(here)}; machine code is there"
            " where windowcast was installed with a C compiler at hand"
        )
    return here[name]


@cache
def _ways() -> dict[str, TakeSteps]:
    try:
        from windowcast.window import compiled
    except ImportError:  # built without, or for another Python; numpy gives the same answer
        return {NUMPY: _take_steps}
    return {
        **{name: partial(compiled.take_steps, way=name) for name in compiled.ways()},
        NUMPY: _take_steps,
    }


def _steps(
    regimens: Sequence[tuple[Treatment, Regimen]], days: int, *, only_inside: bool
) -> tuple[list[int], list[Step]]:
    """The bounds that highs are compared with, and what to make of the comparisons."""
    bounds: dict[int, int] = {}

    def above(tenths: int) -> int:
        held = min(max(tenths, MISSING), -MISSING - 1)
        return bounds.setdefault(held, len(bounds))

    steps = []
    kinds = 1 if only_inside else len(Counts._fields)
    for which, (treatment, regimen) in enumerate(regimens):
        starts, result = _starts(regimen, days), which * kinds
        if not starts:
            continue
        parts = [
            (
                above(MISSING if one.low is None else one.low - 1),
                -1 if one.high is None else above(one.high),
                one,
            )
            for one in stretches_of(regimen)
        ]
        steps += [
            Step(result, AND, low, high, one.first_day, one.days, starts)
            for low, high, one in parts
        ]
        if only_inside:
            continue
        steps += [
            Step(result + 1, OR, high, -1, one.first_day, one.days, starts)
            for _, high, one in parts
            if one.high is not None
        ]
        known = above(MISSING)
        steps += [
            Step(result + 2, OR, known, low, one.first_day, one.days, starts)
            for low, _, one in parts
            if one.low is not None
        ]
        if treatment.danger_c is not None:
            limit = above(math.floor(treatment.danger_c * 10))
            steps += [
                Step(result + 3, OR, limit, -1, day, 1, starts)
                for day in treatment.danger_offsets(regimen)
            ]
        steps.append(Step(result + 4, ANY, known, -1, 0, regimen.exposure_days, starts))
    return list(bounds), steps


def _take_steps(tenths: Highs, bounds: Highs, rows: NDArray[np.int64], found: Highs) -> None:
    """Fill `found`, (results, yards, starts), block by block."""
    yards, days, scenarios = tenths.shape
    steps = [Step(*row) for row in rows.tolist()]
    block: _Block | None = None
    for some in _blocks(yards, days * scenarios):
        highs = tenths[some]
        if block is None or block.yards != len(highs):
            block = _Block(len(highs), days, scenarios, len(bounds))
        block.compare(highs, bounds)
        for at, step in enumerate(steps):
            if step.join == ANY:
                known = block.count(block.above[step.above], days) > 0
                found[step.result, some, : step.starts] = _extreme(
                    known[:, :, None], step.days, np.minimum
                )[:, :, 0]
                continue
            whole = block.runs(step)
            if at and steps[at - 1].result == step.result:
                (np.bitwise_or if step.join else np.bitwise_and)(block.joined, whole, out=whole)
            if at + 1 < len(steps) and steps[at + 1].result == step.result:
                block.joined[:] = whole
            else:
                found[step.result, some, : step.starts] = block.count(whole, step.starts)


def _blocks(yards: int, highs: int) -> Iterator[slice]:
    size = max(BLOCK_HIGHS // highs, 1)
    for first in range(0, yards, size):
        yield slice(first, min(first + size, yards))


class _Block:
    """The streams of bits of some yards, and room to work on them.

    above:   (bounds, words) for each bound the bits of the highs above it, then a word of zeros
    joined:  (words,) what the steps of one result have come to so far
    """

    def __init__(self, yards: int, days: int, scenarios: int, bounds: int) -> None:
        self.yards, self.days, self.scenarios = yards, days, scenarios
        words = -(-yards * days * scenarios // 64) + 1
        # Little-endian whatever the machine, since it is filled byte by byte.
        self.above = np.zeros((bounds, words), "<u8")
        self.joined = np.zeros(words, np.uint64)
        self._runs = np.zeros(words, np.uint64)
        self._later = np.zeros(words, np.uint64)
        self._rest = np.zeros(words, np.uint64)
        self._flags = np.empty(min(PIECE_HIGHS, yards * days * scenarios), np.bool_)
        self._before = np.zeros(words + 1, np.int32)
        self._ends: dict[int, tuple[NDArray[np.intp], Words]] = {}

    def compare(self, tenths: Highs, bounds: Highs) -> None:
        """Make the streams anew from (yards, days, scenarios) highs."""
        # An array of the highs' own type: a plain number takes numpy a third longer.
        limits = [bounds[which, ...] for which in range(len(bounds))]
        flat, streams = tenths.reshape(-1), list(self.above.view(np.uint8))
        for first in range(0, len(flat), PIECE_HIGHS):
            piece = flat[first : first + PIECE_HIGHS]
            flags = self._flags[: len(piece)]
            place = slice(first // 8, (first + len(piece) + 7) // 8)
            for stream, limit in zip(streams, limits, strict=True):
                np.greater(piece, limit, flags)
                stream[place] = np.packbits(flags, None, "little")

    def runs(self, step: Step) -> Words:
        """The stream of one step: the bit of each start that all (some) of its days have."""
        join = np.bitwise_or if step.join else np.bitwise_and
        runs, above = self._runs, self.above[step.above]
        if step.not_above < 0:
            runs[:] = above
        else:
            np.invert(self.above[step.not_above], out=runs)
            np.bitwise_and(above, runs, out=runs)
        reach = 1
        while reach < step.days:
            # The halves may overlap: joining a day with itself changes nothing.
            ahead = min(reach, step.days - reach)
            later = self._shifted(runs, ahead)
            join(runs[: len(later)], later, out=runs[: len(later)])
            reach += ahead
        if step.first_day:
            later = self._shifted(runs, step.first_day)
            runs[: len(later)] = later
        return runs

    def _shifted(self, stream: Words, days: int) -> Words:
        """The stream as it is some days later; shorter, but never by a window that is counted."""
        whole, bits = divmod(days * self.scenarios, 64)
        if not bits:
            return stream[whole:]
        number = len(stream) - whole - 1
        later, rest = self._later[:number], self._rest[:number]
        np.right_shift(stream[whole : whole + number], np.uint64(bits), out=later)
        np.left_shift(stream[whole + 1 :], np.uint64(64 - bits), out=rest)
        return np.bitwise_or(later, rest, out=later)

    def count(self, stream: Words, rows: int) -> Numbers:
        """(yards, rows) how many scenarios have their bit, in the first rows of each yard."""
        if rows not in self._ends:
            first = np.arange(self.yards)[:, None] * self.days
            ends = (first + np.arange(rows + 1)) * self.scenarios
            below = (np.uint64(1) << (ends & 63).astype(np.uint64)) - np.uint64(1)
            self._ends[rows] = (ends >> 6, below)
        word, below = self._ends[rows]
        # Bits before each end; those of a row are what lies between two ends.
        np.cumsum(np.bitwise_count(stream), dtype=np.int32, out=self._before[1:])
        before = self._before.take(word, mode="clip")
        before += np.bitwise_count(stream.take(word, mode="clip") & below)
        numbers: Numbers = before[:, 1:] - before[:, :-1]
        return numbers


def _extreme(values: NDArray[np.generic], length: int, join: np.ufunc) -> NDArray[np.generic]:
    """(yards, starts, …) the highest or lowest of `length` rows from each on, by doubling."""
    reach = 1
    while reach < length:
        ahead = min(reach, length - reach)
        values = join(values[:, :-ahead], values[:, ahead:])
        reach += ahead
    return values
