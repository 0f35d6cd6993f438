"""The steps of `windowcast.window.many` as machine code, for very many yards; needs numba.

A yard's highs are compared with every bound 32 scenarios at a time, and each comparison becomes 32
bits of a word: numba's own loops leave that to one scenario at a time, which takes ten times as
long. So this one operation is given to the compiler as such; all else are plain loops.

numba takes its time to import: only `many.py` imports this, where there is much to count.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic
from numpy.typing import NDArray

LANES = 32
WORD = 64
TOGETHER = 4
BOUNDS = 3
AND, OR = 0, 1
STORED = types.Array(types.int16, 3, "C", readonly=True)
"""Also what cannot be written, such as an array laid over bytes from the store."""


@intrinsic
def _bits_above(_typing: Any, highs: Any, first: Any, bound: Any) -> Any:
    """Which of 32 highs, from `first` on in a flat array, are above a bound: the i-th as bit i."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        lanes = ir.VectorType(ir.IntType(16), LANES)
        array = context.make_array(signature.args[0])(context, builder, arguments[0])
        at = builder.bitcast(builder.gep(array.data, [arguments[1]]), lanes.as_pointer())
        values = builder.load(at, align=2)
        zero = ir.Constant(ir.IntType(32), 0)
        one = builder.insert_element(ir.Constant(lanes, ir.Undefined), arguments[2], zero)
        every = ir.Constant(ir.VectorType(ir.IntType(32), LANES), [0] * LANES)
        bounds = builder.shuffle_vector(one, ir.Constant(lanes, ir.Undefined), every)
        bits = builder.bitcast(builder.icmp_signed(">", values, bounds), ir.IntType(LANES))
        return builder.zext(bits, ir.IntType(WORD))

    return types.uint64(highs, types.intp, types.int16), generate


@intrinsic
def _ones(_typing: Any, word: Any) -> Any:
    """The number of bits that are set."""

    def generate(_context: Any, builder: Any, _signature: Any, arguments: Any) -> Any:
        return builder.ctpop(arguments[0])

    return types.uint64(types.uint64), generate


@njit(cache=True)
def _bits(highs: Any, place: int, number: int, bound: int) -> Any:
    """As `_bits_above`, of fewer highs."""
    bits = np.uint64(0)
    for scenario in range(number):
        bits |= np.uint64(highs[place + scenario] > bound) << np.uint64(scenario)
    return bits


@njit(cache=True)
def _compare(
    highs: Any, place: int, days: int, scenarios: int, word: int, bounds: Any, above: Any
) -> None:
    """Put one word of scenarios of each day into each of three rows of `above`, by three bounds.

    place:  where the days begin

    Three at a time, so that the highs are taken from the cache once for three comparisons.
    """
    one, two, three = bounds
    ones, twos, threes = above[0, word], above[1, word], above[2, word]
    place += word * WORD
    number = min(WORD, scenarios - word * WORD)
    if scenarios < LANES:
        for day in range(days):
            ones[day] = _bits(highs, place, number, one)
            twos[day] = _bits(highs, place, number, two)
            threes[day] = _bits(highs, place, number, three)
            place += scenarios
        return
    # Two halves that may overlap, or one that begins in the word before: never past the day.
    early, late = max(LANES - number, 0), max(number - LANES, 0)
    right, left = np.uint64(early), np.uint64(late)
    place -= early
    for day in range(days):
        one_low, one_high = _bits_above(highs, place, one), _bits_above(highs, place + late, one)
        two_low, two_high = _bits_above(highs, place, two), _bits_above(highs, place + late, two)
        low, high = _bits_above(highs, place, three), _bits_above(highs, place + late, three)
        ones[day] = one_low >> right | (one_high >> right) << left
        twos[day] = two_low >> right | (two_high >> right) << left
        threes[day] = low >> right | (high >> right) << left
        place += scenarios


@njit(cache=True)
def _take(above: Any, under: Any, runs: Any) -> None:
    """The scenarios above one bound and not above another, day by day."""
    for day in range(len(runs)):
        runs[day] = above[day] & ~under[day]


@njit(cache=True)
def _run(runs: Any, length: int, join: int) -> None:
    """Join each day with the `length` - 1 after it, in place, by doubling."""
    reach, number = 1, len(runs)
    while reach < length:
        ahead = min(reach, length - reach)
        number -= ahead
        later = runs[ahead:]
        if join == OR:
            for day in range(number):
                runs[day] |= later[day]
        else:
            for day in range(number):
                runs[day] &= later[day]
        reach += ahead


@njit(cache=True)
def _join(joined: Any, runs: Any, join: int, begins: bool) -> None:
    """What the steps of one result have come to."""
    if begins:
        for day in range(len(runs)):
            joined[day] = runs[day]
    elif join == OR:
        for day in range(len(runs)):
            joined[day] |= runs[day]
    else:
        for day in range(len(runs)):
            joined[day] &= runs[day]


@njit(types.void(STORED, types.int16[::1], types.int64[:, ::1], types.int16[:, :, ::1]), cache=True)
def take_steps(
    tenths: NDArray[np.int16],
    bounds: NDArray[np.int16],
    steps: NDArray[np.int64],
    found: NDArray[np.int16],
) -> None:
    """Fill `found`, (results, yards, starts), from contiguous highs (yards, days, scenarios).

    steps:  one row a `Step`, its fields in their order

    Four yards at a time, one behind the other: loops are longer, and all still fit into the nearest
    cache. What is joined across the end of a yard is not used.
    """
    yards, days, scenarios = tenths.shape
    highs = tenths.reshape(-1)
    words = (scenarios + WORD - 1) // WORD
    every = TOGETHER * days
    threes = (len(bounds) + BOUNDS - 1) // BOUNDS
    limits = np.full((threes, BOUNDS), bounds[0])
    limits.reshape(-1)[: len(bounds)] = bounds
    above = np.zeros((threes * BOUNDS + 1, words, every + days), np.uint64)
    runs = np.zeros(every, np.uint64)
    joined = np.zeros((words, every), np.uint64)
    ones = np.zeros(every, np.int16)
    for begin in range(0, yards, TOGETHER):
        some = min(TOGETHER, yards - begin)
        place = begin * days * scenarios
        for which in range(threes):
            three = (limits[which, 0], limits[which, 1], limits[which, 2])
            rows = above[which * BOUNDS :]
            for word in range(words):
                _compare(highs, place, some * days, scenarios, word, three, rows)
        for at in range(len(steps)):
            result, join, over, under, first, length, starts = steps[at]
            begins = at == 0 or steps[at - 1, 0] != result
            ends = at + 1 == len(steps) or steps[at + 1, 0] != result
            # A day that some scenario knows is one for all of them.
            if join > OR:
                joined[:] = 0
                for word in range(words):
                    known = above[over, word]
                    for day in range(every):
                        joined[0, day] |= np.uint64(known[day] != 0)
                runs[:] = joined[0]
                _run(runs, length, join)
                joined[0] = runs
            else:
                for word in range(words):
                    # An index of -1 is the last, which is no bound's and stays empty.
                    _take(above[over, word, first:], above[under, word, first:], runs)
                    _run(runs, length, join)
                    _join(joined[word], runs, join, begins)
            if ends:
                ones[:] = 0
                for word in range(words):
                    whole = joined[word]
                    for day in range(every):
                        ones[day] += _ones(whole[day])
                for yard in range(some):
                    for start in range(starts):
                        found[result, begin + yard, start] = ones[yard * days + start]
