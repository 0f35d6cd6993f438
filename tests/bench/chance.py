"""How long the corrected chance takes: `python tests/bench/chance.py [--quick]`.

One yard's scenarios from 51 members of 15 days, an extended range of 46 days and 30 past years, as
the morning makes them; and how that stands beside reading one yard's reply, which every morning
pays anyway. Goals: 50 ms for one yard, 10 s for a thousand on two cores.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import resource
import statistics
import sys
import tempfile
import time
from array import array
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from random import Random

os.environ["OPENBLAS_NUM_THREADS"] = "1"  # as windowcast.chance sets it
sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]
sys.path.insert(0, str(Path(__file__).parents[2]))

import orjson
from table import Table, figure, to_json

from support.weather import yard
from windowcast import chance
from windowcast.answer import place as placed
from windowcast.edges.config import load
from windowcast.edges.settings import Configuration, WeatherSettings
from windowcast.edges.shipped import config_folder
from windowcast.edges.store import (
    ObservedHigh,
    Store,
    StoredPastYears,
    StoredSeries,
    open_store,
    pack_tenths,
)
from windowcast.past_errors import PastErrors
from windowcast.past_years import cell
from windowcast.record import site
from windowcast.trade.yard import Yard

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


def keep_a_year(store: Store, configuration: Configuration, place: Yard, drawn: Random) -> None:
    """A fetched ensemble and an observed high for each of 365 mornings before today."""
    where = placed(place, configuration.weather)
    for back in range(1, 366):
        day = NOW - timedelta(days=back)
        one = series("ensemble", [[drawn.gauss(20, 4) for _ in range(51)] for _ in range(15)])
        store.save_forecasts(
            [
                replace(
                    one,
                    yard=place.name,
                    fetched_at=day,
                    first_day=day.date(),
                    detail={"place": where},
                )
            ]
        )
        store.note_observed(
            [
                ObservedHigh(
                    yard=place.name,
                    day=day.date(),
                    origin="service",
                    tenths=round(10 * drawn.gauss(20, 4)),
                    noted_at=day,
                    place=site(place, "open-meteo"),
                )
            ]
        )


def thousand(configuration: Configuration, past: StoredPastYears) -> float:
    """Seconds for a thousand yards of one grid cell each and a fortnight's record, as the morning
    does it: read, corrected and stored."""
    folder = Path(tempfile.mkdtemp())
    drawn = Random(2)
    base = yard()
    places = tuple(
        base._replace(name=f"Yard {number}", latitude=30 + number // 100, longitude=number % 100)
        for number in range(1000)
    )
    configuration = configuration._replace(
        folder=folder, store_url="sqlite:///windowcast.db", yards=places
    )
    rows = [[drawn.gauss(24, 3) for _ in range(51)] for _ in range(46)]
    with open_store(configuration.store_url, folder) as store:
        for one in places:
            where = placed(one, configuration.weather)
            store.save_past_years(past._replace(place=cell(one)))
            kept = []
            for back in range(15):
                day = NOW - timedelta(days=back)
                common = {
                    "yard": one.name,
                    "fetched_at": day,
                    "first_day": day.date(),
                    "detail": {"place": where},
                }
                kept.append(replace(series("ensemble", rows[:15]), **common))
            kept.append(
                replace(
                    series("extended", rows),
                    **(common | {"fetched_at": NOW, "first_day": NOW.date()}),
                )
            )
            store.save_forecasts(kept)
        began = time.perf_counter()
        chance.correct(configuration, store, places, now=NOW, say=print, fetch=False)
        return time.perf_counter() - began


def median_ms(work: list[float]) -> float:
    return statistics.median(work) * 1000


def main() -> None:
    parser = argparse.ArgumentParser(description="Time the correction of chances.")
    parser.add_argument("--quick", action="store_true", help="ten yards, and no thousand")
    parser.add_argument("--json", action="store_true", help="for `python -m tests.bench`")
    asked = parser.parse_args()
    drawn = random.Random(1)
    configuration = load(config_folder(), {})
    first = date(1996, 1, 1)
    past = StoredPastYears(
        place="",
        fetched_at=NOW,
        first_day=first,
        tenths=pack_tenths(
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
    place = yard()
    configuration = configuration._replace(
        weather=WeatherSettings(provider="open-meteo"), yards=(place,)
    )
    known = chance._Past(past)
    bare = PastErrors(configuration, store, lambda _: known.climate, now=NOW)
    kept = open_store("sqlite:///kept.db", Path(tempfile.mkdtemp()))
    keep_a_year(kept, configuration, place, drawn)
    own = PastErrors(configuration, kept, lambda _: known.climate, now=NOW)
    reply = orjson.dumps({f"member{m}": [drawn.gauss(24, 3) for _ in range(46)] for m in range(51)})
    corrected, learned, parsed = [], [], []
    for _ in range(10 if asked.quick else YARDS):
        for errors, work in ((bare, corrected), (own, learned)):
            began = time.process_time()
            chance._corrected(configuration, errors, place, used, chance._Past(past), NOW)
            work.append(time.process_time() - began)
        began = time.process_time()
        document = orjson.loads(reply)
        array("h", (round(v * 10) for column in document.values() for v in column))
        parsed.append(time.process_time() - began)
    one, year, reading = median_ms(corrected), median_ms(learned), median_ms(parsed)
    table = Table(
        "The correction of one yard's chances",
        ["", "CPU ms", "/ parsing"],
        [
            ["parsing one reply of 51 members and 46 days", figure(reading), "1.00"],
            ["correction, the first morning", figure(one), figure(one / reading)],
            ["correction, with a year's record", figure(year), figure(year / reading)],
        ],
        [f"The most memory the process held: {peak_mb():,.0f} MB. The goal is 50 ms a yard."],
    )
    if not asked.quick:
        spread = thousand(configuration, past)
        table.notes.append(
            f"A thousand yards with 15 mornings each: {figure(spread)} s on {os.cpu_count()} cores;"
            " the goal is 10 s."
        )
    print(to_json([table]) if asked.json else table.text())


def peak_mb() -> float:
    # Linux counts in kB, macOS in bytes.
    unit = 1e6 if sys.platform == "darwin" else 1e3
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


if __name__ == "__main__":
    main()
