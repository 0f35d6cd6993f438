"""The scan of many yards beside one read of the same bytes, and other ways of doing it.

    python tests/bench/many.py [--quick]

Yards of 35 days and 51 scenarios, one regimen of 14 days with a band of its own on the first three:
in how many scenarios does each of 22 starts hold. Highs are int16, day by day, as they are stored;
the yardstick is reading them once, by the fastest of three sums. All weather is invented.

Times are of the thread's own processor time, in alternating rounds, since other work on the machine
then counts less. Every way must find the same counts, or nothing is printed but that.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
sys.path.insert(0, str(Path(__file__).parents[2]))

import numpy as np
import pandas as pd
from numpy.lib.stride_tricks import sliding_window_view
from table import Table, figure, to_json

from support.weather import MONDAY, band, regimen, treatment
from windowcast.sky.scenarios import MISSING, Scenarios
from windowcast.trade.treatment import Phase
from windowcast.window import many
from windowcast.window.scan import Words, scan

DAYS, SCENARIOS, EXPOSURE = 35, 51, 14
STARTS = DAYS - EXPOSURE + 1
PLAN = treatment(
    regimen(EXPOSURE, phases=[Phase(0, 2, band("10", "27"))], bounds=band("10", "29.5"))
)
LEAST_S = 0.02
CACHES = 16e6
ANY = sys.maxsize
NAMES = {
    "avx2": "machine code",
    "plain": "machine code of any processor",
    "numpy": "numpy alone",
}


@dataclass(frozen=True)
class Way:
    """One way to count. `most`: yards that it is timed on; more are scaled up from these."""

    name: str
    count: Callable[[Any], Any]
    most: int = ANY
    counts: bool = True


def weather(yards: int) -> Any:
    """(yards, DAYS, SCENARIOS) courses that cool, persist from day to day, and spread."""
    drawn = np.random.default_rng(1)
    found = np.empty((yards, DAYS, SCENARIOS), np.int16)
    for first in range(0, yards, 2000):
        some = found[first : first + 2000]
        warm = drawn.normal(21, 3, size=(len(some), 1))
        away = np.zeros((len(some), SCENARIOS))
        for day in range(DAYS):
            spread = min(2.0, 0.4 + 0.12 * day)
            away = 0.7 * away + drawn.normal(0, spread, size=away.shape)
            some[:, day] = np.rint((warm - 0.12 * day + away) * 10)
    found[drawn.integers(0, yards, yards // 50 + 1), drawn.integers(0, DAYS)] = MISSING
    return found


def ways() -> list[Way]:
    found = [
        Way("one read of the bytes", read, counts=False),
        *(
            one
            for way in many.ways()
            for one in (
                Way(f"windowcast, {NAMES.get(way, way)}", inside(way)),
                Way("the same, with causes", with_causes(way)),
            )
        ),
        Way("numpy sliding windows", slid, most=2000),
        Way("one yard at a time, whole numbers", one_by_one, most=20),
        Way("pandas rolling, yard by yard", rolled, most=20),
    ]
    if find_spec("xclim") is not None:
        found.append(Way("xclim longest run, start by start", longest_runs, most=500))
    found.append(Way("plain loops", looped, most=2))
    return found


def read(tenths: Any) -> Any:
    """The fastest of these is the yardstick; `timed` takes it as three."""
    raise NotImplementedError


def reads(tenths: Any) -> list[Callable[[], Any]]:
    flat = tenths.reshape(-1)
    whole = flat[: len(flat) // 4 * 4].view(np.uint64)
    return [flat.max, lambda: np.bitwise_xor.reduce(whole), whole.sum]


def inside(way: str) -> Callable[[Any], Any]:
    def counted(tenths: Any) -> Any:
        ((found,),) = many.count(tenths, [PLAN], only_inside=True, way=way)
        return found.inside

    return counted


def with_causes(way: str) -> Callable[[Any], Any]:
    def counted(tenths: Any) -> Any:
        ((found,),) = many.count(tenths, [PLAN], way=way)
        return found.inside

    return counted


def slid(tenths: Any) -> Any:
    low = (tenths >= 100) & (tenths != MISSING)
    early = sliding_window_view(low & (tenths <= 270), 3, axis=1).all(axis=-1)
    late = sliding_window_view(low & (tenths <= 295), EXPOSURE - 3, axis=1).all(axis=-1)
    return (early[:, :STARTS] & late[:, 3:]).sum(axis=2)


def one_by_one(tenths: Any) -> Any:
    found = np.zeros((len(tenths), STARTS), np.int64)
    for yard, highs in enumerate(tenths):
        scenarios = Scenarios(
            first_day=MONDAY, days=DAYS, count=SCENARIOS, tenths=memoryview(highs.reshape(-1))
        )
        words = Words(scenarios)
        for row in scan(PLAN, forecast=None, words=words, today=MONDAY, first_start=MONDAY):
            assert row.chance is not None
            found[yard, (row.start - MONDAY).days] = row.chance.held
    return found


def rolled(tenths: Any) -> Any:
    found = []
    for highs in tenths:
        high_c = pd.DataFrame(np.where(highs == MISSING, np.nan, highs / 10))
        early = ((high_c >= 10) & (high_c <= 27)).astype(float).rolling(3).min()
        late = ((high_c >= 10) & (high_c <= 29.5)).astype(float).rolling(EXPOSURE - 3).min()
        held = early.shift(EXPOSURE - 3) * late
        found.append(held.iloc[EXPOSURE - 1 :].sum(axis=1).to_numpy())
    return np.array(found)


def longest_runs(tenths: Any) -> Any:
    import xarray as xr
    from xclim.indices.run_length import longest_run

    def longest(days: Any) -> Any:
        return longest_run(days, dim="time", ufunc_1dim=False)

    dims = ("yard", "time", "scenario")
    low = (tenths >= 100) & (tenths != MISSING)
    early, late = (xr.DataArray(low & (tenths <= high), dims=dims) for high in (270, 295))
    found = []
    for start in range(STARTS):
        first = longest(early.isel(time=slice(start, start + 3))) == 3
        days = slice(start + 3, start + EXPOSURE)
        rest = longest(late.isel(time=days)) == EXPOSURE - 3
        found.append((first & rest).sum("scenario").values)
    return np.array(found).T


def looped(tenths: Any) -> Any:
    found = np.zeros((len(tenths), STARTS), np.int64)
    for yard, highs in enumerate(tenths.tolist()):
        for start in range(STARTS):
            for scenario in range(SCENARIOS):
                for day in range(EXPOSURE):
                    high = highs[start + day][scenario]
                    if not 100 <= high <= (270 if day < 3 else 295):
                        break
                else:
                    found[yard, start] += 1
    return found


def seconds(work: Callable[[], Any]) -> float:
    """Processor time of one call, from as many as can be measured."""
    times, spent = 0, 0.0
    while spent < LEAST_S:
        before = time.thread_time()
        for _ in range(max(1, times)):
            work()
        spent += time.thread_time() - before
        times += max(1, times)
    return spent / times


def measured(yards: int, rounds: int) -> Table:
    tenths = weather(yards)
    expected = slid(tenths[:2000])
    contestants = ways()
    for way in contestants:
        some = tenths[: min(yards, way.most, 200)]
        if way.counts and not np.array_equal(way.count(some), expected[: len(some)]):
            sys.exit(f"{way.name} does not find what sliding windows find")
    taken: list[list[float]] = [[] for _ in contestants]
    for _ in range(rounds):
        for way, times in zip(contestants, taken, strict=True):
            some = tenths[: way.most]
            if way.counts:
                spent = seconds(lambda way=way, some=some: way.count(some))
            else:
                spent = min(map(seconds, reads(some)))
            times.append(spent / len(some))
    yardstick = statistics.median(taken[0])
    table = Table(
        f"The scan of {yards:,} yard{'s' * (yards > 1)}, {DAYS} days of {SCENARIOS} scenarios",
        ["", "µs a yard", "/ read", "peak MB", "timed on"],
    )
    for way, times in zip(contestants, taken, strict=True):
        spent = statistics.median(times)
        some = tenths[: way.most]
        table.rows.append(
            [
                way.name,
                figure(spent * 1e6),
                figure(spent / yardstick),
                "" if not way.counts else figure(peak_mb(way.count, some)),
                f"{len(some):,}",
            ]
        )
    held = expected[:, ::7] / SCENARIOS
    table.notes = [
        f"The highs take {figure(tenths.nbytes / 1e6)} MB"
        + (", which the processor's caches hold" if tenths.nbytes < CACHES else "")
        + "; peak is what is needed beside them, on the yards that were timed."
        f" {rounds} alternating rounds; {(held > 0).mean():.0%} of the chances are above 0,"
        f" {(held == 1).mean():.0%} are 1."
    ]
    return table


def peak_mb(count: Callable[[Any], Any], tenths: Any) -> float:
    tracemalloc.start()
    count(tenths)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the scan of many yards.")
    parser.add_argument("--quick", action="store_true", help="fewer yards and rounds")
    parser.add_argument("--json", action="store_true", help="for `python -m tests.bench`")
    asked = parser.parse_args()
    sizes, rounds = ((1, 1000), 3) if asked.quick else ((1, 1000, 100_000), 5)
    tables = [measured(yards, rounds) for yards in sizes]
    print(to_json(tables) if asked.json else "\n\n".join(table.text() for table in tables))


if __name__ == "__main__":
    main()
