"""How long the corrected chance takes: `python tests/bench/chance.py`.

One yard's scenarios from 51 members of 15 days, an extended range of 46 days and 30 past years, as
the morning makes them; and how that stands beside reading one yard's reply, which every morning
pays anyway. Goals: 50 ms for one yard, 10 s for a thousand on two cores.
"""

from __future__ import annotations

import math
import os
import random
import statistics
import sys
import tempfile
import time
from array import array
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as windowcast.chance sets it
sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

import orjson

from support.weather import yard
from windowcast import chance
from windowcast.edges.config import load
from windowcast.edges.shipped import config_folder
from windowcast.edges.store import StoredSeries, open_store, pack_tenths
from windowcast.sky.highs import DailyHighs

NOW = datetime(2026, 8, 31, 12, tzinfo=UTC)
YARDS = 40


def series(source: str, rows: list[list[float]]) -> StoredSeries:
    flat = array("h", (round(value * 10) for row in rows for value in row))
    return StoredSeries(
        yard="Creek Bend",
        source=source,
        fetched_at=NOW,
        run_at=None,
        first_day=NOW.date(),
        days=len(rows),
        scenarios=len(rows[0]),
        tenths=pack_tenths(flat),
    )


def median_ms(work: list[float]) -> float:
    return statistics.median(work) * 1000


def main() -> None:
    drawn = random.Random(1)
    configuration = load(config_folder(), {})
    first = date(1996, 1, 1)
    past = DailyHighs(
        first,
        tuple(
            round(10 * (15 + 12 * math.sin(0.0172 * (n - 100)) + drawn.gauss(0, 4)))
            for n in range((NOW.date() - timedelta(days=3) - first).days)
        ),
    )
    used = {
        "ensemble": series(
            "ensemble", [[drawn.gauss(24, 3) for _ in range(51)] for _ in range(15)]
        ),
        "extended": series(
            "extended", [[drawn.gauss(22, 4) for _ in range(51)] for _ in range(46)]
        ),
    }
    store = open_store("sqlite:///windowcast.db", Path(tempfile.mkdtemp()))
    reply = orjson.dumps({f"member{m}": [drawn.gauss(24, 3) for _ in range(46)] for m in range(51)})
    corrected, parsed = [], []
    for _ in range(YARDS):
        began = time.process_time()
        chance._corrected(configuration, store, yard(), used, past, NOW)
        corrected.append(time.process_time() - began)
        began = time.process_time()
        document = orjson.loads(reply)
        array("h", (round(v * 10) for column in document.values() for v in column))
        parsed.append(time.process_time() - began)
    one, reading = median_ms(corrected), median_ms(parsed)
    print(f"corrected scenarios, one yard   {one:8.1f} ms   goal 50")
    print(f"parsing one such reply          {reading:8.1f} ms   ratio {one / reading:.1f}")
    print(f"a thousand yards on one core    {one:8.1f} s    goal 10 on two")


if __name__ == "__main__":
    main()
