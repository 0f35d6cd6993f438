"""The scan of one yard, beside a naive triple loop and numpy's sliding windows.

    python tests/bench/scan.py [--runs 15] [--quick]

One invented yard of 46 days and 51 scenarios, every shipped treatment and regimen. The scan gives
chance, heat, cold, danger, hottest high and the forecast's fit; the other two give the plain chance
alone, so they do less. All three must agree on every chance, or nothing is printed but that.
"""

from __future__ import annotations

import argparse
import os
import random
import statistics
import sys
import time
from array import array
from collections.abc import Callable
from datetime import date
from itertools import groupby
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(Path(__file__).parent), str(ROOT)]

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from table import Table, figure, to_json

from windowcast.edges import config
from windowcast.sky.highs import DailyHighs
from windowcast.sky.scenarios import Scenarios
from windowcast.trade.treatment import Treatment
from windowcast.window.scan import Words, scan

DAYS, SCENARIOS, FORECAST_DAYS = 46, 51, 15
TODAY = date(2026, 8, 31)
Counts = dict[tuple[str, str], list[int]]
"""For each treatment and regimen, by start day: in how many scenarios every day fits."""


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the scan of one yard.")
    parser.add_argument("--runs", type=int, default=15, help="alternating rounds (default 15)")
    parser.add_argument("--quick", action="store_true", help="five rounds")
    parser.add_argument("--json", action="store_true", help="for `python -m tests.bench`")
    asked = parser.parse_args()
    runs = 5 if asked.quick else max(3, asked.runs)
    treatments = config.load(ROOT / "config", os.environ).treatments
    scenarios, forecast = weather()
    methods: dict[str, Callable[[], Counts]] = {
        "windowcast scan": lambda: scanned(treatments, scenarios, forecast),
        "naive triple loop": lambda: looped(treatments, scenarios),
        "numpy sliding windows": lambda: slid(treatments, scenarios),
    }
    expected = looped(treatments, scenarios)
    for name, method in methods.items():
        if method() != expected:
            sys.exit(f"{name} disagrees with the triple loop")

    taken: dict[str, list[float]] = {name: [] for name in methods}
    for _ in range(runs):
        for name, method in methods.items():
            before = time.perf_counter()
            method()
            taken[name].append(time.perf_counter() - before)
    medians = {name: statistics.median(times) for name, times in taken.items()}
    scan_s = medians["windowcast scan"]
    windows = sum(map(len, expected.values()))
    between = sum(0 < held < SCENARIOS for row in expected.values() for held in row)
    table = Table(
        f"The scan of one yard, {DAYS} days, {len(expected)} regimens",
        ["", "ms", "fastest", "/ scan"],
        notes=[
            f"{runs} alternating rounds; {windows} windows, {between} with a chance between 0 and"
            " 1. The scan also finds causes, danger, the hottest high and the fit of the single"
            " forecast; the other two only the chance."
        ],
    )
    for name, median in medians.items():
        fastest = min(taken[name])
        table.rows.append(
            [name, figure(median * 1e3), figure(fastest * 1e3), figure(median / scan_s)]
        )
    print(to_json([table]) if asked.json else table.text())


def weather() -> tuple[Scenarios, DailyHighs]:
    """Courses that cool from late summer to autumn, persist from day to day, and spread."""
    chance = random.Random(1)
    columns = []
    for _ in range(SCENARIOS):
        away_k, column = 0.0, []
        for day in range(DAYS):
            away_k = 0.7 * away_k + chance.gauss(0, min(2.5, 0.5 + 0.2 * day))
            column.append(round((25 - 0.3 * day + away_k) * 10))
        columns.append(column)
    rows = list(zip(*columns, strict=True))
    scenarios = Scenarios(
        first_day=TODAY,
        days=DAYS,
        count=SCENARIOS,
        tenths=array("h", (high for row in rows for high in row)),
    )
    middle = [int(statistics.median(row)) for row in rows[:FORECAST_DAYS]]
    return scenarios, DailyHighs(TODAY, tuple(middle))


def scanned(
    treatments: tuple[Treatment, ...], scenarios: Scenarios, forecast: DailyHighs
) -> Counts:
    found: Counts = {}
    words = Words(scenarios)
    for treatment in treatments:
        starts = scan(treatment, forecast=forecast, words=words, today=TODAY, first_start=TODAY)
        for one in starts:
            assert one.chance is not None
            found.setdefault((treatment.id, one.regimen.id), []).append(one.chance.held)
    return found


def looped(treatments: tuple[Treatment, ...], scenarios: Scenarios) -> Counts:
    found: Counts = {}
    tenths, count = scenarios.tenths, scenarios.count
    for treatment in treatments:
        for regimen in treatment.regimens:
            bounds = [(band.lowest_tenths, band.highest_tenths) for band in regimen.bands]
            held = []
            for start in range(scenarios.days - regimen.exposure_days + 1):
                fitting = 0
                for scenario in range(count):
                    for day, (low, high) in enumerate(bounds):
                        tenth = tenths[(start + day) * count + scenario]
                        if (low is not None and tenth < low) or (high is not None and tenth > high):
                            break
                    else:
                        fitting += 1
                held.append(fitting)
            found[treatment.id, regimen.id] = held
    return found


def slid(treatments: tuple[Treatment, ...], scenarios: Scenarios) -> Counts:
    found: Counts = {}
    tenths = np.frombuffer(scenarios.tenths, dtype=np.int16)
    highs = tenths.reshape(scenarios.days, scenarios.count)
    for treatment in treatments:
        for regimen in treatment.regimens:
            number = scenarios.days - regimen.exposure_days + 1
            fitting = np.ones((number, scenarios.count), dtype=bool)
            first = 0
            for band, same in groupby(regimen.bands):
                days = len(list(same))
                inside = np.ones(highs.shape, dtype=bool)
                if band.lowest_tenths is not None:
                    inside &= highs >= band.lowest_tenths
                if band.highest_tenths is not None:
                    inside &= highs <= band.highest_tenths
                runs = sliding_window_view(inside, days, axis=0).all(axis=-1)
                fitting &= runs[first : first + number]
                first += days
            found[treatment.id, regimen.id] = fitting.sum(axis=1).tolist()
    return found


if __name__ == "__main__":
    main()
